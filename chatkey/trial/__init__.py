"""Simulated finders: how often the answer is right, beside other ways to find it, and what learning would change."""
