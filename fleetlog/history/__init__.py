"""Turns stored rows into running hours, episodes, component spells and repair attempts."""
