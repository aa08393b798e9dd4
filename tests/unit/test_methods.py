"""Every method is explained: formula, assumptions, when not to trust it, source."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from fleetlog.errors import UsageError
from fleetlog.methods import ORDER, SECTIONS, Topic, read_topic, topic, topics

ALL = topics()


def test_all_topics_are_there_in_reading_order() -> None:
    assert tuple(one.name for one in ALL) == ORDER


@pytest.mark.parametrize("one", ALL, ids=lambda one: one.name)
def test_a_topic_is_complete(one: Topic) -> None:
    assert one.title
    assert one.summary.endswith((".", "?"))
    assert tuple(section.title for section in one.sections) == SECTIONS
    assert all(section.blocks for section in one.sections)
    assert any(block.kind == "formula" for block in one.sections[1].blocks)
    for section in one.sections[2:]:
        assert [block.kind for block in section.blocks] == ["items"]
    assert one.sources
    assert set(one.see_also) <= set(ORDER) - {one.name}


@pytest.mark.parametrize("one", ALL, ids=lambda one: one.name)
def test_the_markup_is_only_what_every_reader_understands(one: Topic) -> None:
    for section in one.sections:
        for block in section.blocks:
            for text in block.texts:
                assert not text.startswith(("#", "*", "|", ">", "```"))
                assert "`" not in text
                assert "](" not in text
                if block.kind != "formula":
                    assert "\n" not in text
                    assert "  " not in text
    assert "\t" not in one.text
    assert one.text.endswith("\n")
    assert max(len(line) for line in one.text.splitlines()) <= 118


@pytest.mark.parametrize("one", ALL, ids=lambda one: one.name)
def test_a_topic_names_a_published_source_or_says_that_there_is_none(one: Topic) -> None:
    sources = " ".join(one.sources)
    published = any(f"({year})" in sources for year in range(1900, 2027)) or "IEC" in sources
    assert published or "no source" in sources


@pytest.mark.parametrize(
    ("name", "author"),
    [
        ("survival", "Kaplan"),
        ("survival", "Greenwood"),
        ("delayed-entry", "Klein"),
        ("cumulative-hazard", "Aalen"),
        ("competing-causes", "Johansen"),
        ("log-rank", "Mantel"),
        ("log-rank", "Holm"),
        ("weibull", "IEC 61649"),
        ("cox", "Efron"),
        ("cox", "Lin"),
        ("cox", "Grambsch"),
        ("small-groups", "Gaver"),
        ("mean-cumulative-count", "Nelson"),
        ("mean-cumulative-count", "Nadeau"),
        ("trend", "MIL-HDBK-189C"),
        ("comeback-rate", "Wilson"),
        ("comeback-rate", "Newcombe"),
        ("comeback-rate", "Rothman"),
        ("trend", "Robinson"),
        ("life-regression", "Lawless"),
        ("repeat-models", "Prentice"),
        ("repeat-models", "Andersen"),
        ("design-changes", "Worsley"),
        ("design-changes", "Siegmund"),
    ],
)
def test_the_source_of_each_method_is_named(name: str, author: str) -> None:
    assert author in " ".join(topic(name).sources)


def test_a_topic_is_found_however_it_is_written() -> None:
    assert topic("Log Rank").name == "log-rank"
    assert topic(" mean_cumulative_count ").name == "mean-cumulative-count"


def test_an_unknown_topic_proposes_the_nearest() -> None:
    with pytest.raises(UsageError, match=r'there is no topic "survivl" to explain; did you mean survival\?'):
        topic("survivl")
    with pytest.raises(UsageError, match="known are as-of, "):
        topic("zzzzzz")


def test_a_topic_becomes_json() -> None:
    data = json.loads(json.dumps(topic("weibull").to_dict()))
    assert data["name"] == "weibull"
    assert [section["title"] for section in data["sections"]] == list(SECTIONS)
    assert data["sources"][0].startswith("IEC 61649")


def test_blocks_are_read_as_they_stand(tmp_path: Path) -> None:
    path = tmp_path / "made-up.md"
    path.write_text(
        "# Made up\nSummary: One sentence.\nUsed by: a, b\nSee also: survival\n\n"
        "## What it answers\nFirst line\nsecond line.\n\nNext paragraph.\n\n"
        "## Formula\n    a = 1\n      b = 2\n\n    c = 3\n\n"
        "## Assumptions\n- one\n  goes on\n- two\n\n## When not to trust it\n- never\n\n## Source\n- none\n",
        encoding="utf-8",
    )
    one = read_topic(path)
    assert one.commands == ("a", "b")
    assert one.body.startswith("## What it answers\nFirst line")
    assert [block.texts for block in one.sections[0].blocks] == [
        ("First line second line.",),
        ("Next paragraph.",),
    ]
    assert one.sections[1].blocks[0].texts == ("a = 1", "  b = 2", "", "c = 3")
    assert one.sections[2].blocks[0].texts == ("one goes on", "two")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("Summary: x\n", "first line"),
        ("# Title\nSummery: x\n", "none of Summary"),
        ("# Title\nSummary: x\n\n## Formula\n    a\n", "the sections must be"),
    ],
)
def test_a_file_out_of_form_is_refused(tmp_path: Path, text: str, words: str) -> None:
    path = tmp_path / "bad.md"
    path.write_text(text, encoding="utf-8")
    with pytest.raises(ValueError, match=words) as error:
        read_topic(path)
    assert "bad.md" in str(error.value)
