"""Effort prescription: how close to failure a set should be taken, and why."""

__version__ = "0.5.0"
