"""The JSON Schemas that editors get hold to what the readers take, by another reader of such schemas."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator
from typer.testing import CliRunner

from fleetlog.cli.main import app
from fleetlog.faults.loader import SHIPPED
from fleetlog.resources import folder


def schema(command: str) -> dict[str, Any]:
    done = CliRunner().invoke(app, [command, "--schema"])
    assert done.exit_code == 0, done.output
    found: dict[str, Any] = json.loads(done.output)
    Draft202012Validator.check_schema(found)
    return found


def problems(found: dict[str, Any], path: Path, **instead: Any) -> list[str]:
    """What the schema has against a file; dates are texts there."""
    document = json.loads(json.dumps(tomllib.loads(path.read_text(encoding="utf-8")) | instead, default=str))
    return [error.message for error in Draft202012Validator(found).iter_errors(document)]


@pytest.mark.parametrize("path", sorted(SHIPPED.glob("*.toml")), ids=lambda path: path.stem)
def test_the_shipped_families_fit(path: Path) -> None:
    found = schema("faults")
    assert problems(found, path) == []
    assert problems(found, path, titel="x")
    assert problems(found, path, comeback={"mean_hours": -1})


def test_the_settings_of_the_demo_fit() -> None:
    found, path = schema("settings"), folder("demo_data") / "fleetlog.toml"
    assert problems(found, path) == []
    assert problems(found, path, costs={"labor_rate": 1})
    assert problems(found, path, costs={"parts": {"drive_pump": -1}})
    assert problems(found, path, faults={"neutral-return": {"windows": {"episode_hour": 1}}})
    assert problems(found, path, faults={"folders": ["ours"]}) == []


def test_every_setting_says_what_it_means() -> None:
    tables = schema("settings")["$defs"]
    assert tables["Costs"]["properties"]["labour_rate"]["description"] == "What an hour of a mechanic costs"
