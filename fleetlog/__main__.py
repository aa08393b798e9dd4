"""`python -m fleetlog`."""

from fleetlog.cli.main import run

run()
