"""The guided check: what is asked in which order, and which trials are taken; pure."""
