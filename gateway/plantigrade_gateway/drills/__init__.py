"""Drills as data: read, judged and scored."""
