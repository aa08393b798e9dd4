"""The questions of a fleet, one module a question."""
