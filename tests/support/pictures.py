"""Draws what is drawn often once."""

from __future__ import annotations

import json
from collections.abc import Callable
from concurrent.futures import Future
from pathlib import Path
from typing import Any

from fleetlog.charts.drawer import Drawer

Write = Callable[..., list[Path]]
"""The fixture `write`: findings, folder and, if need be, clock -> the files of a report."""


class DrawnOnce(Drawer):
    """A drawer that keeps every picture: most reports that the tests write differ in a name or two."""

    def __init__(self) -> None:
        self._drawn: dict[str, Future[str]] = {}
        super().__init__()

    def svg(self, spec: dict[str, Any]) -> Future[str]:
        key = json.dumps(spec, sort_keys=True)
        if key not in self._drawn:
            self._drawn[key] = super().svg(spec)
        return self._drawn[key]
