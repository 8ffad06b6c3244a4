"""Sounds as arrays, cues from events, and the outputs that play them."""
