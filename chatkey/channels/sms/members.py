"""Where something stands in JSON, by the way to it that a profile gives: `message.from`, `to.0.number`."""

from __future__ import annotations


def member(data: object, way: str) -> object:
    """What stands at the end of the way; None where it leads nowhere."""
    for step in way.split("."):
        if isinstance(data, dict):
            data = data.get(step)
        elif isinstance(data, list) and step.isdecimal() and int(step) < len(data):
            data = data[int(step)]
        else:
            return None
    return data
