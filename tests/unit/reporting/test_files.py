"""File names that are safe anywhere, CSVs that a spreadsheet cannot run."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleetlog.errors import UsageError
from fleetlog.reporting.files import safe_names, write_csv, write_text


def test_plain_names_stay_as_they_are() -> None:
    assert safe_names(["SK-104", "unit_7", "CTL.3"]) == {
        "SK-104": "SK-104",
        "unit_7": "unit_7",
        "CTL.3": "CTL.3",
    }


@pytest.mark.parametrize(
    "name",
    [
        "../x",
        "..",
        "/etc/passwd",
        "C:\\x",
        "<script>alert(1)</script>",
        "a/b",
        "CON",
        "nul.html",
        "x" * 300,
        ".hidden",
        "Größe 7",
        "",
        "a\x00b",
        "\ud800",
        "trailing. ",
    ],
)
def test_odd_names_cannot_leave_the_folder(name: str) -> None:
    (safe,) = safe_names([name]).values()
    assert re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]*-[0-9a-f]{8}", safe)
    assert len(safe) <= 60
    assert safe.split(".")[0].casefold() not in ("con", "nul")


def test_names_that_differ_in_case_only_get_files_of_their_own() -> None:
    safe = safe_names(["a1", "A1", "b"])
    assert safe["b"] == "b"
    assert len({name.casefold() for name in safe.values()}) == 3


@given(st.lists(st.text(max_size=70), max_size=12))
def test_no_two_names_meet_on_any_disk(names: list[str]) -> None:
    safe = safe_names(names)
    assert set(safe) == set(names)
    assert len({name.casefold() for name in safe.values()}) == len(safe)
    assert all(re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9._-]*", name) for name in safe.values())


def test_formulas_become_text_and_numbers_stay_numbers(tmp_path: Path) -> None:
    frame = pl.DataFrame(
        {
            "text": ["=1+1", "+49 30", "-2", "@SUM(A1)", "\tx", "＝1", "plain", None, 'say "no"'],
            "number": [-1.5, 2.0, -3.0, 4.0, 5.0, 6.0, 7.0, None, 9.0],
        }
    )
    path = write_csv(frame, tmp_path / "deep" / "t.csv")
    with path.open(encoding="utf-8-sig", newline="") as lines:
        rows = list(csv.DictReader(lines))
    assert [row["text"] for row in rows] == [
        "'=1+1",
        "'+49 30",
        "-2",  # a number written as text runs nothing
        "'@SUM(A1)",
        "'\tx",
        "'＝1",
        "plain",
        "",
        'say "no"',
    ]
    assert rows[0]["number"] == "-1.5"


def test_a_folder_that_cannot_be_written_is_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "taken").write_text("")
    with pytest.raises(UsageError, match=r"cannot be written: .*; name another folder"):
        write_text(tmp_path / "taken" / "x.html", "")
