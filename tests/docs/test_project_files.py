"""Change log, citation and package agree, and the glossary points to what is there."""

from __future__ import annotations

import re
import tomllib
from datetime import date
from pathlib import Path

import yaml

ROOT = Path(__file__).parents[2]
CHANGES = (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
RELEASE = re.compile(r"^## \[(\d+\.\d+\.\d+)\] - (\d{4}-\d{2}-\d{2})$", re.MULTILINE)


def test_the_log_of_changes_keeps_its_form() -> None:
    headings = re.findall(r"^## (.*)$", CHANGES, re.MULTILINE)
    releases = RELEASE.findall(CHANGES)
    assert len(headings) == len(releases) + headings.count("[Unreleased]")
    versions = [tuple(map(int, version.split("."))) for version, _ in releases]
    assert versions == sorted(versions, reverse=True)
    days = [date.fromisoformat(day) for _, day in releases]
    assert days == sorted(days, reverse=True)
    allowed = {"Added", "Changed", "Deprecated", "Removed", "Fixed", "Security"}
    assert set(re.findall(r"^### (.*)$", CHANGES, re.MULTILINE)) <= allowed


def test_all_name_the_same_version() -> None:
    version, day = RELEASE.findall(CHANGES)[0]
    citation = yaml.safe_load((ROOT / "CITATION.cff").read_text(encoding="utf-8"))
    assert PROJECT["version"] == version == citation["version"]
    assert citation["date-released"] == day
    assert citation["license"] == PROJECT["license"]


def test_the_citation_has_what_the_format_asks_for() -> None:
    citation = yaml.safe_load((ROOT / "CITATION.cff").read_text(encoding="utf-8"))
    assert {"cff-version", "message", "title", "authors"} <= set(citation)
    assert citation["type"] == "software"


def test_the_test_extra_builds_the_documentation() -> None:
    extras = PROJECT["optional-dependencies"]
    assert "fleetlog[docs]" in extras["test"]
    lock = (ROOT / "requirements.lock").read_text(encoding="utf-8").lower()
    for needed in extras["docs"]:
        name = re.match(r"[\w-]+", needed)
        assert name is not None
        assert re.search(rf"^{name[0].lower()}==", lock, re.MULTILINE), name[0]


def glossary() -> list[list[str]]:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = text.split("\n## Glossary\n", 1)[1].split("\n## ", 1)[0]
    rows = [line.strip("| ").split(" | ") for line in section.splitlines() if line.startswith("| ")]
    return rows[1:]


def test_the_glossary_points_to_what_is_there() -> None:
    rows = glossary()
    assert len(rows) > 20
    for term, meaning, where in rows:
        assert meaning, term
        places = re.findall(r"`([^`]+)`", where)
        assert places, term
        for place in places:
            assert (ROOT / place).exists(), f"{term}: {place}"


def test_the_glossary_is_in_order_and_names_a_term_once() -> None:
    terms = [term.split(",")[0] for term, *_ in glossary()]
    assert terms == sorted(set(terms), key=str.lower)
