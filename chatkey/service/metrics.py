"""What Prometheus may read: counts and times, no names."""

from __future__ import annotations

from prometheus_client import CollectorRegistry, Counter, Gauge, Histogram, generate_latest

SECONDS = (0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 30, 60)


class Metrics:
    """The figures of one process, in a registry of their own."""

    def __init__(self) -> None:
        self.registry = CollectorRegistry()
        r = self.registry
        self.received = Counter("chatkey_received", "messages kept", ("channel",), registry=r)
        self.doubled = Counter("chatkey_doubled", "messages delivered once more", ("channel",), registry=r)
        self.muted = Counter("chatkey_muted", "messages over a sender's limit", ("channel",), registry=r)
        self.refused = Counter("chatkey_refused", "requests refused", ("status",), registry=r)
        self.turns = Counter("chatkey_turns", "messages thought about", registry=r)
        self.failed = Counter("chatkey_failed", "messages that could not be thought about", registry=r)
        self.sent = Counter("chatkey_sent", "letters handed to a gateway", ("outcome",), registry=r)
        self.thinking = Histogram(
            "chatkey_thinking_seconds", "of one conversation's messages", buckets=SECONDS, registry=r
        )
        self.waited = Histogram(
            "chatkey_reply_seconds", "from a message kept to its reply kept", buckets=SECONDS, registry=r
        )
        self.in_hand = Gauge("chatkey_in_hand", "conversations being thought about", registry=r)
        self.waiting = Gauge("chatkey_outbox_waiting", "letters that wait", registry=r)
        self.open = Gauge("chatkey_queue_open", "trees that wait for a steward", registry=r)

    def text(self) -> bytes:
        """All of it in the text format."""
        return generate_latest(self.registry)
