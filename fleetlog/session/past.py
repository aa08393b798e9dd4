"""A fleet asked about past days beside the one at hand, whose history stays as it is."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from fleetlog.session.fleet import Fleet


@contextmanager
def fleet_of_the_past(fleet: Fleet) -> Iterator[Fleet]:
    """A fleet to ask about past days beside this one.

    A store that is being written to, or lies in memory, has one connection only: it is the fleet itself then,
    whose history is that of the last day asked about afterwards.
    """
    store = fleet.store
    if store.path is None or store.writable:
        yield fleet
        return
    with store.concurrent() as own:
        yield Fleet(own, fleet.settings, fleet.families)
