"""Measures of how feet stand, walk and push, from the samples of multi-zone pressure insoles."""
