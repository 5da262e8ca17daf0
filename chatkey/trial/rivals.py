from dataclasses import dataclass


@dataclass
class Rivals:
    x: int = 0


def train(*a):
    return Rivals()
