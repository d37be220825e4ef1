"""Whole populations at once: the policy's own tables evaluated in NumPy over columns, Parquet or Arrow in and out.

Needs the extra `bulk`. Nothing here is imported by the serving process.
"""
