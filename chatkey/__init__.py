"""chatkey: a botanist's key, by chat."""

__version__ = "0.1.0"
