"""Estimators on risk tables and plain arrays; knows nothing of fleets, files or the store."""
