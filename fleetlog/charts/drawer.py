"""Draws pictures beside other work, in processes of their own.

The drawing library holds Python's lock while it draws, so that threads gain nothing; a process does. The
SVGs are those of `output.svg_of`, byte for byte, whichever process draws which. Where no process can be
started, or one dies, the picture is drawn here.
"""

from __future__ import annotations

import json
import subprocess
import sys
from concurrent.futures import Future, ThreadPoolExecutor
from pathlib import Path
from queue import SimpleQueue
from typing import Any

from fleetlog.charts.output import GRAMMAR, renumbered, svg_of

_PROGRAM = Path(__file__).with_name("draw_process.py")
#: The smallest picture, drawn first: the library takes as long to begin as to draw a dozen pictures.
_FIRST: dict[str, Any] = {"data": {"values": []}, "mark": "point"}


class Drawer:
    """Processes that draw. Use it as a context manager.

    Args:
        processes: how many; 0 to draw in this process. A second one takes as long to begin as it saves.
    """

    def __init__(self, processes: int = 1) -> None:
        self._idle: SimpleQueue[subprocess.Popen[bytes] | None] = SimpleQueue()
        self._started = [started for _ in range(processes) if (started := _start()) is not None]
        for process in self._started:
            self._idle.put(process)
        if not self._started:
            self._idle.put(None)
        self._pool = ThreadPoolExecutor(max(1, len(self._started)))
        for _ in self._started:
            self.svg(_FIRST)

    def __enter__(self) -> Drawer:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def svg(self, spec: dict[str, Any]) -> Future[str]:
        """The SVG of a Vega-Lite specification, in time."""
        return self._pool.submit(self._draw, spec)

    def close(self) -> None:
        """Ends the processes; pictures asked for are drawn before."""
        self._pool.shutdown()
        for process in self._started:
            if process.stdin is not None:
                process.stdin.close()
            process.wait()
            if process.stdout is not None:
                process.stdout.close()

    def _draw(self, spec: dict[str, Any]) -> str:
        process = self._idle.get()
        try:
            answer = _asked(process, spec) if process is not None else {}
        finally:
            self._idle.put(process)
        # what a process could not draw is drawn here, where its error is raised
        return renumbered(answer["svg"]) if "svg" in answer else svg_of(spec)


def _start() -> subprocess.Popen[bytes] | None:
    try:
        return subprocess.Popen(
            [sys.executable, "-P", str(_PROGRAM)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
        )
    except OSError:
        return None


def _asked(process: subprocess.Popen[bytes], spec: dict[str, Any]) -> dict[str, str]:
    """What the process answers; nothing where it has ended."""
    if process.stdin is None or process.stdout is None:
        return {}
    try:
        process.stdin.write(json.dumps([spec, GRAMMAR]).encode() + b"\n")
        process.stdin.flush()
        answer: dict[str, str] = json.loads(process.stdout.readline() or b"{}")
    except (OSError, ValueError):
        return {}
    return answer
