"""Reach a source and tell what it is before any driver opens it."""
