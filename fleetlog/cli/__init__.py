"""The command line: read arguments, call one finding, print."""

from __future__ import annotations

import sys


def run() -> None:
    """The entry point; a Ctrl-C while the program is still being read ends as any other does."""
    try:
        from fleetlog.cli.main import run as go
    except KeyboardInterrupt:
        print("fleetlog: Stopped; the store is as it was.", file=sys.stderr)
        sys.exit(130)
    go()
