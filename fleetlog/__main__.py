"""`python -m fleetlog`."""

from fleetlog.cli import run

run()
