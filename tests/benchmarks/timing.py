"""Seconds that a piece of work took, for benchmarks run side by side."""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple


class Took(NamedTuple):
    """Seconds by the clock, and of the processors together: the clock also counts what others do meanwhile."""

    clock: float
    processor: float

    def and_then(self, other: Took) -> Took:
        """Both after each other."""
        return Took(self.clock + other.clock, self.processor + other.processor)

    def times(self, factor: float) -> Took:
        """As long for so many times the data."""
        return Took(self.clock * factor, self.processor * factor)

    def over(self, other: Took) -> str:
        """How many times as long as another, by both."""
        clock, processor = self.clock / other.clock, self.processor / other.processor
        return f"{clock:.1f} by the clock, {processor:.1f} by the processor"


def timed(name: str, work: Callable[[], Any], best_of: int = 1) -> tuple[Took, Any]:
    """The best of several runs, because the machine does other things meanwhile."""
    best, result = Took(math.inf, math.inf), None
    for _ in range(best_of):
        clock, processor = time.perf_counter(), time.process_time()
        result = work()
        took = Took(time.perf_counter() - clock, time.process_time() - processor)
        best = Took(min(best.clock, took.clock), min(best.processor, took.processor))
    print(f"{name:<50} {best.clock:8.2f} s, {best.processor:8.2f} s of processor", flush=True)
    return best, result


def in_turns(works: Mapping[str, Callable[[], Any]], rounds: int) -> list[tuple[Took, Any]]:
    """The best of several runs of each, taken in turns: what else the machine does meets them all alike."""
    best = dict.fromkeys(works, Took(math.inf, math.inf))
    results: dict[str, Any] = {}
    for _ in range(rounds):
        for name, work in works.items():
            clock, processor = time.perf_counter(), time.process_time()
            results[name] = work()
            took = Took(time.perf_counter() - clock, time.process_time() - processor)
            best[name] = Took(min(best[name].clock, took.clock), min(best[name].processor, took.processor))
    for name, took in best.items():
        print(f"{name:<50} {took.clock:8.2f} s, {took.processor:8.2f} s of processor", flush=True)
    return [(best[name], results[name]) for name in works]
