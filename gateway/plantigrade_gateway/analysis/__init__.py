"""A record or rows to results with their quality, and results to JSON."""
