"""Whole populations: equality with the core, files in and out, runs that die and go on."""
