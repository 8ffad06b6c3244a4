"""Bytes of one insole to packets, runs and stream events, and back."""
