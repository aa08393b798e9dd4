"""Questions to a fleet asked side by side, each over a connection of its own."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from typing import Protocol, TypeVar

from fleetlog.session.fleet import Fleet
from fleetlog.store import Store

Answer = TypeVar("Answer")


class AskConcurrently(Protocol):
    """Who takes questions to be asked beside others."""

    def __call__(self, work: Callable[[Fleet], Answer]) -> Callable[[], Answer]:
        """Begins `work`; what this gives, called, waits for what was found and passes on its error."""
        ...


@contextmanager
def concurrent_questions(fleet: Fleet, threads: int = 2) -> Iterator[AskConcurrently]:
    """Lets other questions be asked while the caller asks `fleet` itself; they are over when this ends.

    A store that is being written to, or that lies in memory, has one connection only: there each question is
    answered at once, and the fleet's history is that of the last day asked about afterwards.

    Args:
        fleet: whose store, settings and fault families the questions are put to.
        threads: how many questions at once.
    """
    if fleet.store.path is None or fleet.store.writable:

        def at_once(work: Callable[[Fleet], Answer]) -> Callable[[], Answer]:
            answer = work(fleet)
            return lambda: answer

        yield at_once
        return

    def apart(own: Store, work: Callable[[Fleet], Answer]) -> Answer:
        with own:
            return work(Fleet(own, fleet.settings, fleet.families))

    with ThreadPoolExecutor(threads) as pool:
        yield lambda work: pool.submit(apart, fleet.store.concurrent(), work).result
