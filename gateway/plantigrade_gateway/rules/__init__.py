"""The coach's rules of thumb as data, and what they come to: a rule suggests, the coach decides."""
