"""The names of the steps of a guided check, in the order in which they are asked."""

LIFT, STAND, FLAT, WALK, PRACTICE = "lift", "stand", "flat", "walk", "practice"
STEPS = (LIFT, STAND, FLAT, WALK, PRACTICE)
"""Those that are trials; the swings after them are sets."""
