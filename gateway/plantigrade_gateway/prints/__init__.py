"""Photos of bare footprints: rectified, cleared of light and shadow, and read."""
