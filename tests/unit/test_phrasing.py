from __future__ import annotations

import math

import pytest

from fleetlog import phrasing as words


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (5139.2, "5,100\u00a0h"),
        (5150.0, "5,200\u00a0h"),
        (999.6, "1,000\u00a0h"),
        (487.0, "490\u00a0h"),
        (84.4, "84\u00a0h"),
        (0.0, "0\u00a0h"),
        (None, "–"),
        (math.nan, "–"),
    ],
)
def test_hours(value: float | None, said: str) -> None:
    assert words.hours(value) == said


@pytest.mark.parametrize(
    ("share", "said"),
    [
        (0.0, "0%"),
        (0.004, "<1%"),
        (0.055, "6%"),
        (0.5, "50%"),
        (0.996, ">99%"),
        (1.0, "100%"),
        (None, "–"),
        (math.nan, "–"),
    ],
)
def test_percent_never_rounds_to_never_or_always(share: float | None, said: str) -> None:
    assert words.percent(share) == said


def test_money_names_its_currency() -> None:
    assert words.money(1239.5, "EUR") == "EUR\u00a01,240"
    assert words.money(None, "EUR") == "–"


def test_lists_and_plurals() -> None:
    assert words.listed([]) == ""
    assert words.listed(["a"]) == "a"
    assert words.listed(["a", "b", "c"]) == "a, b and c"
    assert [words.plural(count, "life", "lives") for count in (0, 1, 2)] == ["no lives", "1 life", "2 lives"]
    assert words.plural_part("wiring") == "wiring"
    assert words.plural_part("internal_bushing") == "internal bushings"


def test_a_value_in_words() -> None:
    assert words.said("position_sensor") == "position sensor"
    assert words.said("original", {"original": "Built before 2017"}) == "built before 2017"
    assert words.said("spn", {"spn": "SPN of the signal"}) == "SPN of the signal"
    assert words.said("Alder Cross", {"original": "Built before 2017"}) == "Alder Cross"


def test_groups_of_one_split_share_its_name() -> None:
    years = [{"build_year": "2019"}, {"build_year": "2021"}, {"build_year": "2022"}]
    assert words.group_names(years) == "build years 2019, 2021 and 2022"
    assert words.group_names(years[:1]) == words.group_name(years[0]) == "build year 2019"
    both = [{"variant": "original", "side": "left"}, {"variant": "improved", "side": "left"}]
    assert words.group_names(both) == "original, left and improved, left"
    assert words.group_names([{"variant": "original"}, {"variant": "improved"}]) == "original and improved"


def test_counts_by_their_chance_show_no_more_digits_than_say_something() -> None:
    assert [words.counted(count) for count in (0, 0.00718, 0.533, 9.3138, 12.0, 1234.5)] == [
        "0",
        "<0.1",
        "0.533",
        "9.31",
        "12",
        "1,234",
    ]


def test_a_range_of_one_value_is_that_value() -> None:
    assert [words.between(0, 0), words.between(0, 3), words.between(2, 1200)] == ["0", "0 to 3", "2 to 1,200"]
