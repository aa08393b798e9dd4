"""How well notes are read: those of the people who wrote the dictionary, and those of hands that had not seen it.

The rules of labelling stand in LABELS.md. The figures are printed with `pytest -s`, or by running scoring.py.
"""

from __future__ import annotations

import importlib.util
import sys
from functools import cache
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from fleetlog.wording import FIELDS, Dictionary


def _beside(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(name, Path(__file__).with_name(f"{name}.py"))
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    spec.loader.exec_module(module)
    return module


scoring = _beside("scoring")

OWN, OTHERS = "notes.csv", "notes_by_others.csv"


@cache
def notes(file: str) -> list[Any]:
    return list(scoring.notes_of(Path(__file__).with_name(file)))


def test_the_notes_are_many_and_varied() -> None:
    for file, least in ((OWN, 500), (OTHERS, 430)):
        read = notes(file)
        assert len({(note.field, note.text) for note in read}) == len(read) >= least
        assert {note.field for note in read} == set(FIELDS)


@pytest.mark.parametrize(
    ("file", "kind", "least_precision", "least_recall"),
    [
        (OWN, "triple", 0.92, 0.89),
        (OWN, "finding", 0.90, 0.90),
        (OWN, "result", 0.86, 0.81),
        (OTHERS, "triple", 0.86, 0.84),
        (OTHERS, "finding", 0.82, 0.82),
        (OTHERS, "result", 0.86, 0.74),
    ],
)
def test_notes_are_read_as_labelled(
    file: str, kind: str, least_precision: float, least_recall: float, dictionary: Dictionary
) -> None:
    score = scoring.score(notes(file), dictionary, getattr(scoring, kind))
    print(f"\n{file}, {kind}: {score}")
    assert score.precision >= least_precision
    assert score.recall >= least_recall


@pytest.mark.parametrize(("file", "most"), [(OWN, 0.01), (OTHERS, 0.01)])
def test_a_followed_part_is_seldom_named_wrongly(file: str, most: float, dictionary: Dictionary) -> None:
    wrong, read = scoring.wrong_parts(notes(file), dictionary)
    print(f"\n{file}: {wrong} of {read} readings on followed parts name a part that is not labelled")
    assert wrong / read <= most


def test_what_is_said_is_right_as_often(dictionary: Dictionary) -> None:
    """Right at least as often, less five points; more often, as these notes have been worked on, and unseen ones not."""
    pairs = scoring.judged([*notes(OWN), *notes(OTHERS)], dictionary)
    for said, right, count in scoring.by_tenth(pairs):
        print(f"\nsaid {said:.2f}, right {right:.2f} of {count}")
        if count >= 40:
            assert -0.05 <= right - said <= 0.17


def test_hours_to_recurrence_are_read_as_labelled(dictionary: Dictionary) -> None:
    score = scoring.hours_score([*notes(OWN), *notes(OTHERS)], dictionary)
    print(f"\nall notes, hours to recurrence: {score}")
    assert score.precision >= 0.9
    assert score.recall >= 0.85
