"""Readers, row checks and the loading of a yard's files into the store."""
