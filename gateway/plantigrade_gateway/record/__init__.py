"""The ordered record that a session's results are a function of."""
