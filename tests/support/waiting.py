"""How long a test waits for something that must come."""

HANG_S = 120
"""Against hanging only: a busy machine is no failure."""
