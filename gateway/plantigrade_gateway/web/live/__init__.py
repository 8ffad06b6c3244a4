"""The live page: its process, and the hub inside it."""
