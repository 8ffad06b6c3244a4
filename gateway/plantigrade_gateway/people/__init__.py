"""Who plays, who decides, and what people said: kept as changes that are only ever added."""
