"""Stored sessions as pages, charts and cached curves."""
