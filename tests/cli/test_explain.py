"""Methods on a screen: no line wider than the window, every word there, formulas as they stand."""

from __future__ import annotations

import re
from itertools import pairwise

import pytest
from calls import Command

from fleetlog.cli.reading import MOST, topic_text
from fleetlog.methods import Topic, topic, topics


@pytest.mark.parametrize("width", [40, 80, 100, 160])
@pytest.mark.parametrize("one", topics(), ids=lambda one: one.name)
def test_no_line_is_wider_than_the_window_and_no_word_is_lost(one: Topic, width: int) -> None:
    text = topic_text(one, width)
    lines = text.splitlines()
    assert max(map(len, lines)) <= min(width, MOST)
    assert text.split() == topic_text(one, None).split()
    formulas = [line for block in one.sections[1].blocks if block.kind == "formula" for line in block.texts]
    assert all(f"    {line}".rstrip() in lines for line in formulas if len(line) + 4 <= width)


def test_sentences_are_broken_anew_and_not_only_cut() -> None:
    """Every line is filled: the next one's first word would not have found room on it."""
    one = topic("weibull")
    paragraph = one.sections[1].blocks[1].texts[0]
    assert len(paragraph) > 80
    start = topic_text(one, 80).index(paragraph[:40])
    lines = topic_text(one, 80)[start:].split("\n\n")[0].split("\n")
    assert len(lines) > 1
    for line, after in pairwise(lines):
        assert len(f"{line} {after.split()[0]}") > 80


def test_a_long_formula_and_a_long_item_go_on_set_in() -> None:
    lines = topic_text(topic("weibull"), 60).splitlines()
    at = next(place for place, line in enumerate(lines) if line.startswith("    B life: "))
    assert re.match(r" {8}\S", lines[at + 1])
    at = next(place for place, line in enumerate(lines) if line.startswith("    failed: "))
    assert lines[at + 1].startswith("    censored: ")  # what stands apart in a line gets one of its own
    items = [place for place, line in enumerate(lines) if line.startswith("- ")]
    assert any(re.match(r"  \S", lines[place + 1]) for place in items if place + 1 < len(lines))


@pytest.mark.parametrize("width", [80, 100])
def test_the_command_asks_the_window(fleetlog: Command, monkeypatch: pytest.MonkeyPatch, width: int) -> None:
    monkeypatch.setenv("COLUMNS", str(width))
    done = fleetlog("explain", "survival")
    assert done.out == topic_text(topic("survival"), width)


def test_a_pipe_gets_the_lines_of_the_file(fleetlog: Command) -> None:
    one = topic("survival")
    assert fleetlog("explain", "survival").out == f"# {one.title}\n\n{one.summary}\n\n{one.body}\n"
