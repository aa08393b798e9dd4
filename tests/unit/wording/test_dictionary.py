from __future__ import annotations

from pathlib import Path

import pytest

from fleetlog.errors import SettingsError
from fleetlog.store.dictionary import ACTIONS, COMPONENTS, FINDINGS
from fleetlog.wording import Dictionary, load_dictionary, read_note
from fleetlog.wording.spelling import changed_letters


def written(folder: Path, text: str) -> Path:
    path = folder / "words.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_the_shipped_dictionary_speaks_the_store_s_words(dictionary: Dictionary) -> None:
    tables = dictionary.tables
    assert set(tables["component"]) == set(COMPONENTS)
    assert set(tables["action"]) == set(ACTIONS)
    assert set(tables["finding"]) - set(tables["told_only"]["findings"]) == set(FINDINGS)
    assert not set(tables["told_only"]["findings"]) & set(FINDINGS)


def test_a_fleet_adds_words_and_takes_some_away(tmp_path: Path) -> None:
    own = written(
        tmp_path,
        """
        [component.internal_bushing]
        words = ["glide ring"]
        remove = ["bush"]
        [side.right]
        words = ["rechts"]
        [component.seat_belt]
        words = ["belt retractor"]
        """,
    )
    theirs = load_dictionary([own])
    (found,) = read_note("glide ring rechts worn", "cause", theirs)
    assert (found.component, found.side, found.finding) == ("internal_bushing", "right", "worn")
    (found,) = read_note("replaced belt retractor", "correction", theirs)
    assert found.component == "seat_belt"
    assert not read_note("bush worn", "cause", theirs)
    assert theirs.version != load_dictionary().version
    assert read_note("bush worn", "cause", load_dictionary())


def test_the_version_follows_the_content(tmp_path: Path) -> None:
    own = written(tmp_path, '[component.tire]\nwords = ["donut"]\n')
    first = load_dictionary([own]).version
    assert load_dictionary([own]).version == first
    import os

    own.write_text('[component.tire]\nwords = ["balloon"]\n', encoding="utf-8")
    os.utime(own, ns=(1, 1))
    assert load_dictionary([own]).version != first


@pytest.mark.parametrize(
    ("text", "message"),
    [
        (
            '[componet.x]\nwords = ["a"]',
            r"\[componet\] is no table of a dictionary; did you mean component\?",
        ),
        ('[component.x]\nword = ["a"]', r"component\.x\.word is not known; did you mean words\?"),
        ('[component]\nx = "a"', r"component\.x must be a table"),
        ('[side.lefft]\nwords = ["a"]', r"\[side\.lefft\] is not known; did you mean left\?"),
        ("[component.x]\nwords = [1]", r"component\.x\.words must be a list of texts"),
        ("[voltage]\nmost = -1", r"voltage\.most must be a number above 0"),
        ('[action.adjust]\non = "wiring"', r"action\.adjust\.on must be a table"),
        ("[action.adjust]\nimplies = 3", r"action\.adjust\.implies must be a text"),
        ("words = 1", r"\[words\] is no table"),
        ("component = 1", r"component must be a table"),
        ("[component.x", r"not valid TOML"),
    ],
)
def test_mistakes_are_told_in_one_sentence(text: str, message: str, tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=message) as caught:
        load_dictionary([written(tmp_path, text)])
    assert str(tmp_path) in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_missing_dictionary_is_told(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="there is no such dictionary"):
        load_dictionary([tmp_path / "none.toml"])


def test_meaning_of_a_whole_text(dictionary: Dictionary) -> None:
    assert dictionary.meaning("action", "R&R") == "replace"
    assert dictionary.meaning("action", "Repalced") == "replace"
    assert dictionary.meaning("side", "L/H") == "left"
    assert dictionary.meaning("component", "the pos. sensor") is None
    assert dictionary.meaning("component", "Pos Sensor") == "position_sensor"
    assert dictionary.meaning("action", "sensor") is None


@pytest.mark.parametrize(
    ("left", "right", "changes"),
    [("sensor", "sensor", 0), ("snesor", "sensor", 1), ("sensr", "sensor", 1), ("kitten", "sitting", 3)],
)
def test_changed_letters(left: str, right: str, changes: int) -> None:
    assert changed_letters(left, right, 5) == changes == changed_letters(right, left, 5)


def test_counting_stops_above_the_bound() -> None:
    assert changed_letters("sensor", "bushing", 2) == 3


@pytest.mark.parametrize("word", ["sender", "charging", "wording", "seat", "weekly", "green"])
def test_ordinary_words_are_left_alone(word: str, dictionary: Dictionary) -> None:
    assert dictionary.speller.nearest(word) is None
