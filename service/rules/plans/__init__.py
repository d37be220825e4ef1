"""Whole plans: every set prescribed in its place, what going closer costs later, limits, and an audit. Pure."""
