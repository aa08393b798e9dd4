"""The labelled notes, and the half of them that is held out."""

from __future__ import annotations

import csv
import hashlib
from dataclasses import dataclass
from pathlib import Path

FILE = Path(__file__).with_name("notes.csv")


@dataclass(frozen=True)
class Step:
    component: str
    action: str
    side: str
    finding: str = ""
    result: str = ""

    @property
    def triple(self) -> tuple[str, str, str]:
        return self.component, self.action, self.side


@dataclass(frozen=True)
class Note:
    number: int
    field: str
    text: str
    steps: tuple[Step, ...]
    recurrence_hours: float | None

    @property
    def held_out(self) -> bool:
        return hashlib.sha256(self.text.encode()).digest()[0] % 2 == 1


def notes() -> list[Note]:
    with FILE.open(encoding="utf-8", newline="") as file:
        return [
            Note(
                int(row["note"]),
                row["field"],
                row["text"],
                tuple(Step(*step.split("/")) for step in row["steps"].split("; ") if step),
                float(row["recurrence_hours"]) if row["recurrence_hours"] else None,
            )
            for row in csv.DictReader(file)
        ]
