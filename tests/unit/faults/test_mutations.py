"""Random damage to a family or a settings file is refused in one sentence or understood, never a crash."""

from __future__ import annotations

import copy
import tempfile
import tomllib
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.configuration import set_hypothesis_home_dir

from fleetlog.errors import FleetlogError
from fleetlog.faults import load_families, parse_family
from fleetlog.faults.loader import SHIPPED
from fleetlog.settings import families_for, load_settings

# Nothing is left in the working copy, where pytest would stumble over it.
set_hypothesis_home_dir(Path(tempfile.gettempdir()) / "fleetlog-hypothesis")

DOCUMENTS = {path.stem: tomllib.loads(path.read_text(encoding="utf-8")) for path in SHIPPED.glob("*.toml")}
SECTIONS = ("fleet", "costs", "shop", "meters", "survival", "vocabulary", "faults", "fault", "", "a.b")
KEYS = (
    *("name", "time_zone", "currency", "labour_rate", "day_hours", "parts", "weekly_hours", "confidence"),
    *(
        "component",
        "folders",
        "neutral-return",
        "windows",
        "codes",
        "spn",
        "fmi",
        "words",
        "steps",
        "voltage",
    ),
)

SCALARS = st.one_of(
    st.integers(-(2**40), 2**40),
    st.floats(allow_nan=True, allow_infinity=True),
    st.booleans(),
    st.text(alphabet="abcdefghijklmnopqrstuvwxyz%_ /-.\u00e9", max_size=12),
    st.sampled_from(["left", "wiring", "passed", "spn", "%neutral%", "2017-12-01", "Europe/Oslo", "EUR"]),
    st.just(date(2017, 12, 1)),
)
VALUES = st.recursive(
    SCALARS,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3), st.dictionaries(st.sampled_from(KEYS), inner, max_size=3)
    ),
    max_leaves=6,
)


def places(node: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Every place in a document, from the top."""
    found = [path] if path else []
    items = node.items() if isinstance(node, dict) else enumerate(node) if isinstance(node, list) else ()
    for key, value in items:
        found += places(value, (*path, key))
    return found


@pytest.mark.parametrize("name", sorted(DOCUMENTS))
@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_a_damaged_family(name: str, data: st.DataObject) -> None:
    document = copy.deepcopy(DOCUMENTS[name])
    for _ in range(data.draw(st.integers(1, 2))):
        *above, last = data.draw(st.sampled_from(places(document)))
        table: Any = document
        for key in above:
            table = table[key]
        if data.draw(st.booleans()):
            table[last] = data.draw(VALUES)
        elif isinstance(table, dict):
            table[data.draw(st.sampled_from(KEYS))] = table.pop(last)
        else:
            del table[last]
    refused = ""
    try:
        family = parse_family(document, "ours.toml")
        assert family.to_rows()
        assert len(family.fingerprint()) == 64
    except FleetlogError as error:
        refused = str(error)
    assert all(line.startswith("ours.toml: ") for line in refused.splitlines())


def toml(value: Any) -> str:
    """A value as TOML."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, list):
        return "[" + ", ".join(toml(item) for item in value) + "]"
    if isinstance(value, dict):
        return "{" + ", ".join(f'"{key}" = {toml(item)}' for key, item in value.items()) + "}"
    if isinstance(value, date):
        return value.isoformat()
    return repr(value) if isinstance(value, int | float) else str(value)


@pytest.mark.slow
@settings(max_examples=300, deadline=None)
@given(
    st.dictionaries(
        st.sampled_from(SECTIONS), st.one_of(VALUES, st.dictionaries(st.sampled_from(KEYS), VALUES))
    )
)
def test_damaged_settings(document: dict[str, Any]) -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "fleetlog.toml"
        text = "\n".join(f'"{key}" = {toml(value)}' for key, value in document.items())
        path.write_text(text, encoding="utf-8")
        refused = ""
        try:
            own = load_settings(path)
            assert set(families_for(own)) >= set(load_families())
            assert own.to_rows()
            assert len(own.fingerprint()) == 64
        except FleetlogError as error:
            refused = str(error)
        assert all(line.startswith(folder) for line in refused.splitlines())
