"""A bay's side of the hub: what was recorded and said there, handed over whole and once.

A process of its own speaks to the hub; a bay without one never loads it.
"""
