"""Results for people and for other programs: terminal, CSV, Parquet."""
