"""The live page: its process, and the audience inside it."""
