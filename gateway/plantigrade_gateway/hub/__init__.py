"""The hub of a site: the desk, players and sessions of all its bays.

It takes pieces of records and changes from bays, keeps the records as objects and the rest in
relational tables, and builds no events of its own.
"""
