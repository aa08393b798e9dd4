"""What others have printed of the cases is compared with what is computed, digit by digit.

The comparison itself is part of `Case.check`, by which every test of this folder hands over its results, and the
fixture `case` fails where a published value was never handed over (test_completeness.py: every case goes to some
test). Here all that is tried on every case that has a published value.
"""

from __future__ import annotations

import math
import re
from decimal import Decimal
from typing import Any

import pytest
from published import Case, all_cases, by_path, compare_printed, half_unit

PUBLISHED = [case_id for case_id, record in all_cases().items() if "published" in record]


def printed_values(case_id: str) -> dict[str, list[str | None]]:
    """By path, the values printed at the path, of all prints one after the other."""
    values: dict[str, list[str | None]] = {}
    for entry in all_cases()[case_id]["published"]:
        for path, printed in by_path(entry["value"]).items():
            values.setdefault(path, []).extend(printed if isinstance(printed, list) else [printed])
    return values


@pytest.mark.parametrize("case_id", PUBLISHED)
def test_every_print_says_where_and_how_it_is_known(case_id: str) -> None:
    for entry in all_cases()[case_id]["published"]:
        assert len(entry["where"]) > 5
        assert by_path(entry["value"])
        if entry["verified"] == "R":
            assert re.fullmatch(r"R \d+\.\d+\.\d+(, [A-Za-z]+ [\d.-]+)*", entry["program"])
            assert entry["call"]
        else:
            assert entry["verified"] == "read"
            assert "call" not in entry


@pytest.mark.parametrize("case_id", PUBLISHED)
def test_a_published_value_left_out_is_missed(case_id: str) -> None:
    assert set(printed_values(case_id)) <= set(Case(case_id).unchecked())


@pytest.mark.parametrize("case_id", PUBLISHED)
def test_a_result_one_digit_off_is_refused(case_id: str) -> None:
    """The last digit printed counts: a result that lies one unit of it beside the print is another result."""
    for path, values in printed_values(case_id).items():
        for text in values:
            if text is None:
                with pytest.raises(AssertionError):
                    compare_printed(path, [1.0], [text])
                continue
            unit = 2 * float(half_unit(text))
            compare_printed(path, [float(text)], [text])
            for wrong in (float(text) + unit, float(text) - unit, math.nan):
                with pytest.raises((AssertionError, ArithmeticError)):
                    compare_printed(path, [wrong], [text])


@pytest.mark.parametrize("case_id", PUBLISHED)
def test_print_and_expected_value_agree(case_id: str) -> None:
    """Where a case gives a figure twice, the longer number rounds to the printed one."""
    record = all_cases()[case_id]
    expected = by_path(record["expected"])
    for entry in record["published"]:
        for path, printed in by_path(entry["value"]).items():
            if path in expected:
                compare_printed(f"{case_id} {path}", as_list(expected[path]), as_list(printed))


def as_list(value: Any) -> list[Any]:
    return value if isinstance(value, list) else [value]


@pytest.mark.parametrize(
    ("printed", "half"),
    [("0.690", "0.0005"), ("3.4", "0.05"), ("2094", "0.5"), ("4.5e-05", "5e-7"), ("-97.2", "0.05")],
)
def test_zeros_at_the_end_are_digits_too(printed: str, half: str) -> None:
    assert half_unit(printed) == Decimal(half)


def test_the_field_provenance_follows_from_the_prints() -> None:
    for case_id, record in all_cases().items():
        assert record["provenance"] in ("published", "R", "computed"), case_id
        assert (record["provenance"] != "computed") == ("published" in record), case_id


def test_no_source_is_a_memory() -> None:
    for case_id, record in all_cases().items():
        for text in (record["source"], *(entry["where"] for entry in record.get("published", []))):
            assert not re.search(r"memory|remembered|repository", text), f"{case_id}: {text}"
