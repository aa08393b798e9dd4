"""How far the reader agrees with labelled notes: steps, findings, results, wrong parts, and what its confidence is worth.

`python tests/unit/wording/scoring.py FILE…` prints the figures of files with the columns of notes.csv.
"""

from __future__ import annotations

import csv
import hashlib
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from fleetlog.wording import Dictionary, Suggestion, all_told, load_dictionary

FOLLOWED = frozenset(
    {"internal_bushing", "position_sensor", "drive_pump", "servo", "rotating_group", "wiring", "controller"}
)
"""The components on which causes are judged."""


@dataclass(frozen=True)
class Step:
    component: str
    action: str = ""
    side: str = ""
    finding: str = ""
    result: str = ""

    @property
    def triple(self) -> tuple[str, str, str]:
        return self.component, self.action, self.side


@dataclass(frozen=True)
class Note:
    number: str
    field: str
    text: str
    steps: tuple[Step, ...]
    recurrence_hours: float | None

    def parity(self, byte: int) -> int:
        """0 or 1 by a byte of the text's hash: by which notes are split into parts."""
        return hashlib.sha256(self.text.encode()).digest()[byte] % 2


def notes_of(path: Path) -> list[Note]:
    """The notes of a file; a step on both sides is two."""
    with path.open(encoding="utf-8", newline="") as file:
        return [
            Note(
                row["note"],
                row["field"],
                row["text"],
                tuple(
                    one for step in row["steps"].split("; ") if step for one in spread(Step(*step.split("/")))
                ),
                float(row["recurrence_hours"]) if row.get("recurrence_hours") else None,
            )
            for row in csv.DictReader(file)
        ]


def spread(step: Step) -> tuple[Step, ...]:
    """ "both" as left and right."""
    return (replace(step, side="left"), replace(step, side="right")) if step.side == "both" else (step,)


_READ: dict[tuple[str, str, str], list[Suggestion]] = {}


def told_by(note: Note, dictionary: Dictionary) -> list[Suggestion]:
    """All that the reader says, kept, since every score asks for it."""
    key = dictionary.version, note.field, note.text
    if key not in _READ:
        _READ[key] = all_told(note.text, note.field, dictionary)
    return _READ[key]


def readings(note: Note, dictionary: Dictionary) -> list[Suggestion]:
    """What the reader says of parts, earlier visits' work included, as the labels do."""
    return [one for one in told_by(note, dictionary) if one.component]


# What is compared; None = says nothing of this kind.


def triple(one: Step | Suggestion) -> object:
    return one.component, one.action, one.side


def finding(one: Step | Suggestion) -> object:
    return (one.component, one.side, one.finding) if one.finding else None


def result(one: Step | Suggestion) -> object:
    return (one.component, one.action, one.side, one.result) if one.result else None


Told = Callable[[Step | Suggestion], object]


@dataclass(frozen=True)
class Score:
    right: int
    read: int
    labelled: int

    @property
    def precision(self) -> float:
        return self.right / max(1, self.read)

    @property
    def recall(self) -> float:
        return self.right / max(1, self.labelled)

    def __str__(self) -> str:
        return (
            f"precision {self.precision:.3f} ({self.right}/{self.read}), "
            f"recall {self.recall:.3f} ({self.right}/{self.labelled})"
        )


def score(notes: Iterable[Note], dictionary: Dictionary, told: Told) -> Score:
    """How many different things are told rightly, told at all, and labelled, note by note."""
    right = read = labelled = 0
    for note in notes:
        found = {told(one) for one in readings(note, dictionary)} - {None}
        wanted = {told(step) for step in note.steps} - {None}
        right, read, labelled = right + len(found & wanted), read + len(found), labelled + len(wanted)
    return Score(right, read, labelled)


def wrong_parts(notes: Iterable[Note], dictionary: Dictionary) -> tuple[int, int]:
    """Readings on a followed component that no label of the note names, and all readings on one."""
    wrong = read = 0
    for note in notes:
        named = {step.component for step in note.steps}
        on_followed = [one for one in readings(note, dictionary) if one.component in FOLLOWED]
        wrong += sum(one.component not in named for one in on_followed)
        read += len(on_followed)
    return wrong, read


def hours_score(notes: Iterable[Note], dictionary: Dictionary) -> Score:
    """Running hours until the fault came back."""
    right = read = labelled = 0
    for note in notes:
        found = {one.recurrence_hours for one in told_by(note, dictionary)} - {None}
        wanted = {note.recurrence_hours} - {None}
        right, read, labelled = right + len(found & wanted), read + len(found), labelled + len(wanted)
    return Score(right, read, labelled)


def judged(notes: Iterable[Note], dictionary: Dictionary) -> list[tuple[float, bool]]:
    """The confidence of every reading, and whether its component, action and side are labelled."""
    return [
        (one.confidence, triple(one) in {step.triple for step in note.steps})
        for note in notes
        for one in readings(note, dictionary)
    ]


def by_tenth(pairs: Sequence[tuple[float, bool]]) -> list[tuple[float, float, int]]:
    """Mean confidence, share right and number, for each tenth of confidence with readings."""
    found = []
    for tenth in range(10):
        held = [pair for pair in pairs if min(9, int(pair[0] * 10 + 1e-9)) == tenth]
        if held:
            said, right = (sum(pair[k] for pair in held) / len(held) for k in (0, 1))
            found.append((said, right, len(held)))
    return found


def report(name: str, notes: Sequence[Note], dictionary: Dictionary) -> str:
    wrong, read = wrong_parts(notes, dictionary)
    lines = [f"{name}, {len(notes)} notes"]
    lines += [f"  {told.__name__:8} {score(notes, dictionary, told)}" for told in (triple, finding, result)]
    lines.append(f"  wrong followed part {wrong} of {read}")
    lines += [
        f"  said {said:.2f}, right {right:.2f} ({count})"
        for said, right, count in by_tenth(judged(notes, dictionary))
    ]
    return "\n".join(lines)


if __name__ == "__main__":
    import sys

    for path in map(Path, sys.argv[1:]):
        read = notes_of(path)
        for byte in (0, 1):
            for parity in (0, 1):
                part = [note for note in read if note.parity(byte) == parity]
                print(
                    report(
                        f"{path.name}, byte {byte} of the hash {'odd' if parity else 'even'}",
                        part,
                        load_dictionary(),
                    )
                )
        print(report(f"{path.name}, all", read, load_dictionary()))
