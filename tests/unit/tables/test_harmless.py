"""What leaves for a spreadsheet runs nothing there: one rule for rejects, exports and the report's tables."""

from __future__ import annotations

import polars as pl
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fleetlog.tables import FORMULA_STARTS, harmless, harmless_text


@pytest.mark.parametrize(
    "text", ["=1+1", "+A1", "-A1", "@SUM(A1)", "\tx", "\r=1", "\n=1", "＝1", "-2+3", "'=1"]
)
def test_a_formula_becomes_a_text(text: str) -> None:
    assert harmless_text(text) == "'" + text


@pytest.mark.parametrize("text", ["", "plain", "12/17", "-1.5", "-1,5", "+3", "'s", "it's =1"])
def test_other_texts_stay(text: str) -> None:
    assert harmless_text(text) == text


def test_headings_too() -> None:
    assert harmless(pl.DataFrame({"=x": ["a"], "n": [-1.5]})).to_dict(as_series=False) == {
        "'=x": ["a"],
        "n": [-1.5],
    }


@given(
    st.lists(
        st.one_of(st.text(max_size=12), st.sampled_from(FORMULA_STARTS).map(lambda s: s + "1+1")), max_size=20
    )
)
def test_both_roads_agree_on_texts_that_are_no_numbers(texts: list[str]) -> None:
    words = [text for text in texts if not any(c.isdigit() for c in text) or "+1" in text]
    frame = harmless(pl.DataFrame({"t": words}, schema={"t": pl.String}))
    safe = frame["t"].to_list()
    assert all(new in (old, "'" + old) for new, old in zip(safe, words, strict=True))
    assert not any(text.startswith("=") for text in safe)
