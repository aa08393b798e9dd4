"""`python -m fleetlog.cli`."""

from fleetlog.cli.main import run

run()
