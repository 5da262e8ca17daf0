"""The process that serves: messages in, thinking, replies out, and the stewards' side of it."""
