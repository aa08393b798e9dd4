"""How codes and complaints are recognised, with SQL's own LIKE on the shipped rules."""

from __future__ import annotations

import duckdb
import pytest

from fleetlog.faults import FaultFamily, load_families

FAMILIES = load_families()

# Which family a text belongs to, "" for none, and the side it names. The phrases are invented.
DESCRIPTIONS = [
    ("Left drive does not return to neutral", "neutral-return", "left"),
    ("RIGHT DRIVE DOES NOT RETURN TO NEUTRAL", "neutral-return", "right"),
    ("Drive pump RH not returning to neutral", "neutral-return", "right"),
    ("L/H swashplate not in neutral", "neutral-return", "left"),
    ("Drive not in neutral", "neutral-return", ""),
    ("Pump fails to return to center", "neutral-return", ""),
    ("Left pump returns to neutral ok", "", "left"),
    ("Joystick does not return to center", "", ""),
    ("Will not start: drive not in neutral", "", ""),
    ("Hydraulic oil temperature too high", "oil-overheating", ""),
    ("High hydraulic oil temperature", "oil-overheating", ""),
    ("Hydraulic oil temperature above normal range", "oil-overheating", ""),
    ("Engine oil overheating", "", ""),
    ("Engine coolant temperature high", "", ""),
    ("Start interlock not satisfied", "start-interlock", ""),
    ("Cranking inhibited", "start-interlock", ""),
    ("Seat switch circuit open", "start-interlock", ""),
    ("Alternator voltage low", "", ""),
]
COMPLAINTS = [
    ("Machine stopped, code says left side will not return to neutral", "neutral-return", "left"),
    ("return to neutral code again, RH", "neutral-return", "right"),
    ("drive wont return to neutral", "neutral-return", ""),
    ("Track changed, no neutral code since", "", ""),
    ("Unit left at site, creeps", "", ""),
    ("Hyd oil overheats after an hour", "oil-overheating", ""),
    ("hydraulic temp high in the sun", "oil-overheating", ""),
    ("Engine won't crank, seat down", "start-interlock", ""),
    ("no crank", "start-interlock", ""),
    ("500 hour service", "", ""),
]


def like(text: str, pattern: str) -> bool:
    row = duckdb.execute(
        "SELECT ' ' || lower($text) || ' ' LIKE $pattern", {"text": text, "pattern": pattern}
    )
    found = row.fetchone()
    assert found is not None
    return bool(found[0])


def recognised(family: FaultFamily, field: str, text: str) -> bool:
    return any(
        like(text, rule.words) and not any(like(text, pattern) for pattern in rule.unless)
        for rule in family.recognise
        if rule.field == field
    )


def side(family: FaultFamily, text: str) -> str:
    sides = {word.side for word in family.side_words if like(text, word.pattern)}
    return sides.pop() if len(sides) == 1 else ""


@pytest.mark.parametrize(("text", "name", "of_side"), DESCRIPTIONS)
def test_descriptions(text: str, name: str, of_side: str) -> None:
    found = [family.name for family in FAMILIES.values() if recognised(family, "description", text)]
    assert found == ([name] if name else [])
    assert side(FAMILIES["neutral-return"], text) == of_side


@pytest.mark.parametrize(("text", "name", "of_side"), COMPLAINTS)
def test_complaints(text: str, name: str, of_side: str) -> None:
    found = [family.name for family in FAMILIES.values() if recognised(family, "complaint", text)]
    assert found == ([name] if name else [])
    assert side(FAMILIES["neutral-return"], text) == of_side


def test_a_text_that_names_both_sides_names_neither() -> None:
    assert side(FAMILIES["neutral-return"], "left side and right side not in neutral") == ""


@pytest.mark.parametrize("name", sorted(FAMILIES))
def test_shipped_families_hold_nobodys_codes(name: str) -> None:
    family = FAMILIES[name]
    assert {rule.field for rule in family.recognise} <= {"description", "complaint"}
    assert all(rule.spn is None and rule.fmi is None for rule in family.recognise)
    assert all(rule.source == f"{name}.toml" for rule in family.recognise)
