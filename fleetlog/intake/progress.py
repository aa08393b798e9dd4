"""How far a load has come, inside a file too: stages of a file, and the share of each that is done."""

from __future__ import annotations

import threading
from collections.abc import Iterator, Sequence
from contextlib import contextmanager

from fleetlog.intake.contract import Progress, ProgressCallback
from fleetlog.store import Store
from fleetlog.store.engine import statement_progress

STAGES = {"looking": 6, "reading": 45, "comparing": 11, "storing": 38}
"""What a file goes through, and the share of the time that each takes with a long file of readings (measured;
other files differ, and the bar is then a little fast or slow)."""

_EVERY = 0.2
"""Seconds between two looks at the engine."""


class ProgressTracker:
    """Says how far a load has come. Where nobody listens it does nothing.

    What is left of a file is shared out among the stages that are left, so the share never goes back: a file
    that must be read twice (decimal commas) moves more slowly for a while.
    """

    def __init__(self, callback: ProgressCallback | None, sizes: Sequence[int]) -> None:
        self._callback = callback
        self._sizes = sizes
        self._lock = threading.Lock()
        self._path = ""
        self._file = 0
        self._rows = 0
        self._done = 0.0  # share of the file
        self._part_ends = 0.0
        self._stage = ""
        self._stage_begins = self._stage_ends = 0.0

    def file(self, number: int, path: str, rows: int) -> None:
        """Says that a file is about to be read; `rows` are those of the files before it."""
        with self._lock:
            self._path, self._file, self._rows = path, number, rows
            self._done = self._stage_begins = self._stage_ends = 0.0
            self._part_ends, self._stage = 0.0, ""
            self._say()

    def end(self, rows: int) -> None:
        """Says that all is done."""
        self.file(len(self._sizes), "", rows)

    def part(self, share: float) -> None:
        """Says that the next part of the file is at hand, and which share of the file it is."""
        with self._lock:
            self._done = self._stage_ends = self._part_ends  # those before are done
            self._part_ends = min(self._done + share, 1.0)

    def stage(self, name: str) -> None:
        """Says that the file, or its part, has come to a stage."""
        names = list(STAGES)
        left = [STAGES[each] for each in names[names.index(name) :]]
        with self._lock:
            self._done = max(self._done, self._stage_ends)  # the stage before is over
            self._stage = name
            self._stage_begins = self._done
            self._stage_ends = self._done + (self._part_ends - self._done) * left[0] / sum(left)
            self._say()

    def share(self, done: float, stage: str | None = None) -> None:
        """Says which share (0 to 1) of the stage is done; without effect where it is another by now."""
        with self._lock:
            if stage is not None and stage != self._stage:
                return
            now = self._stage_begins + (self._stage_ends - self._stage_begins) * done
            if now > self._done:
                self._done = now
                self._say()

    def _say(self) -> None:
        if self._callback is None:
            return
        size = self._sizes[self._file] if self._file < len(self._sizes) else 0
        self._callback(
            Progress(
                path=self._path,
                files_done=self._file,
                files=len(self._sizes),
                bytes_done=sum(self._sizes[: self._file]) + int(size * self._done),
                bytes=sum(self._sizes),
                rows_done=self._rows,
                stage=self._stage,
            )
        )

    @contextmanager
    def watch(self, store: Store) -> Iterator[None]:
        """Follows the engine's statements while the block runs, from a thread of its own."""
        if self._callback is None:
            yield
            return
        over = threading.Event()
        with statement_progress(store) as asked:

            def follow() -> None:
                while not over.wait(_EVERY):
                    stage = self._stage  # before the question: the answer may be about a later one
                    done = asked()
                    if done is not None:
                        self.share(done, stage)

            thread = threading.Thread(target=follow, name="load-progress", daemon=True)
            thread.start()
            try:
                yield
            finally:
                over.set()
                thread.join()


__all__ = ["STAGES", "ProgressTracker"]
