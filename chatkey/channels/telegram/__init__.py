"""Telegram: updates read, replies with buttons, its pace kept, its client."""
