"""Opens, locks, migrates and backs up a store, and runs the files of sql/ by name."""
