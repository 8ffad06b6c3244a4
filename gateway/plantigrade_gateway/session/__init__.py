"""A session under way: open, run, stop."""
