"""Fault families: TOML files and their loader."""
