"""How well the dictionary reads notes: the half it was tuned on, and the half that nobody looked at.

The rules of labelling and of the split stand in LABELS.md. The figures are printed with `pytest -s`.
"""

from __future__ import annotations

import importlib.util
import sys
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from fleetlog.wording import FIELDS, Dictionary, Suggestion, read_note


def _beside(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


labelled = _beside("labelled")


@dataclass(frozen=True)
class Score:
    right: int
    read: int
    labelled: int

    @property
    def precision(self) -> float:
        return self.right / self.read

    @property
    def recall(self) -> float:
        return self.right / self.labelled


def scored(
    notes: Iterable[Any],
    dictionary: Dictionary,
    told: Callable[[Suggestion], object],
    meant: Callable[[Any], object],
) -> Score:
    right = read = expected = 0
    for note in notes:
        found = {told(s) for s in read_note(note.text, note.field, dictionary) if told(s) is not None}
        wanted = {meant(step) for step in note.steps if meant(step) is not None}
        right += len(found & wanted)
        read += len(found)
        expected += len(wanted)
    return Score(right, read, expected)


def triple(suggestion: Suggestion) -> object:
    found = (suggestion.component, suggestion.action, suggestion.side)
    return found if any(found) else None


def with_finding(one: Any) -> object:
    return (one.component, one.side, one.finding) if one.finding else None


def half(held_out: bool) -> list[Any]:
    return [note for note in labelled.notes() if note.held_out is held_out]


def test_the_notes_are_many_varied_and_split_by_their_hash() -> None:
    notes = labelled.notes()
    assert len({(note.field, note.text) for note in notes}) == len(notes) >= 500
    assert {note.field for note in notes} == set(FIELDS)
    assert len(half(held_out=True)) >= 200
    assert len(half(held_out=False)) >= 200


@pytest.mark.parametrize(
    ("held_out", "least_precision", "least_recall"), [(True, 0.90, 0.85), (False, 0.95, 0.93)]
)
def test_steps_are_read_as_labelled(
    held_out: bool, least_precision: float, least_recall: float, dictionary: Dictionary
) -> None:
    score = scored(half(held_out), dictionary, triple, lambda step: step.triple)
    print(
        f"\n{'held-out' if held_out else 'tuning'} half, component+action+side: "
        f"precision {score.precision:.3f} ({score.right}/{score.read}), "
        f"recall {score.recall:.3f} ({score.right}/{score.labelled})"
    )
    assert score.precision >= least_precision
    assert score.recall >= least_recall


def test_findings_are_read_as_labelled(dictionary: Dictionary) -> None:
    score = scored(half(held_out=True), dictionary, with_finding, with_finding)
    print(f"\nheld-out half, finding: precision {score.precision:.3f}, recall {score.recall:.3f}")
    assert score.precision >= 0.75
    assert score.recall >= 0.75


def test_hours_to_recurrence_are_read_as_labelled(dictionary: Dictionary) -> None:
    right = read = told = 0
    for note in labelled.notes():
        found = {s.recurrence_hours for s in read_note(note.text, note.field, dictionary)} - {None}
        wanted = {note.recurrence_hours} - {None}
        right, read, told = right + len(found & wanted), read + len(found), told + len(wanted)
    print(f"\nall notes, hours to recurrence: {right} right of {read} read and {told} labelled")
    assert right / read >= 0.9
    assert right / told >= 0.9
