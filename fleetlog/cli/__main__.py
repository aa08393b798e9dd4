"""`python -m fleetlog.cli`."""

from fleetlog.cli import run

run()
