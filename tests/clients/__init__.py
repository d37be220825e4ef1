"""Recipes and generated clients, run against a live service."""
