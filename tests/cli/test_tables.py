"""Tables on a screen: no wider than it, numbers flush right and alike, the page's words; files keep their own names."""

from __future__ import annotations

from datetime import UTC, date, datetime

import polars as pl
import pytest

from fleetlog.cli.table import Wording, screen_table, wrapped

ROWS = pl.DataFrame(
    {
        "machine_id": ["37", "SK-104"],
        "side": ["left", "right"],
        "standing": [0.998, 0.5],
        "since": [date(2026, 3, 13), None],
        "age_hours": [4712.4, 99.0],
        "top_cause": ["internal_bushing", "wiring"],
        "next_step": ["Take the engine out, split the pump and put right what is found", "Look"],
        "expected_cost": [1807.5, 12345.0],
        "extra": [0.004, 1.5],
    }
)
WORDING = Wording("suspects.summary", {"internal_bushing": "Worn bushing inside the pump"}, "USD")


@pytest.mark.parametrize("width", [40, 60, 80, 100, 160])
def test_no_line_is_longer_than_the_screen(width: int) -> None:
    text = screen_table(ROWS, WORDING, width)
    assert max(map(len, text.splitlines())) <= width
    assert "Unit" in text
    assert "Next" in text  # what to do is kept, whatever else finds no room
    left_out = "Left out for want of room" in text
    assert left_out == (width < 100)


def test_words_and_numbers_are_the_pages() -> None:
    lines = screen_table(ROWS, WORDING, None).splitlines()
    assert lines[0].split("  ")[0] == "Unit"
    assert "Expected cost, USD" in lines[0]
    assert "Worn bushing inside the pump" in lines[2]
    assert ">99%" in lines[2]
    assert "50%" in lines[3]
    ends = [line.index(figure) + len(figure) for line, figure in ((lines[2], "1,808"), (lines[3], "12,345"))]
    assert ends[0] == ends[1] == lines[0].index("Expected cost, USD") + len("Expected cost, USD")
    assert lines[2].rstrip().endswith("<0.01")
    assert lines[3].rstrip().endswith("1.50")


def test_a_small_number_is_not_called_none() -> None:
    text = screen_table(pl.DataFrame({"p": [0.00004, 0.25]}), Wording(), None)
    assert "<0.001" in text
    assert "0.250" in text


def test_times_are_told_to_the_minute_and_nothing_is_told_of_nothing() -> None:
    seen = datetime(2026, 3, 13, 11, 37, 42, tzinfo=UTC)
    text = screen_table(pl.DataFrame({"at": [seen, None], "note": ["", None], "n": [1, 2]}), None, 80)
    assert "2026-03-13 11:37  1\n" in text
    assert "note" not in text
    assert screen_table(ROWS.clear(), WORDING, 80).splitlines()[0].startswith("Unit")


def test_sentences_are_broken_at_spaces_and_items_set_in() -> None:
    text = wrapped("- " + "word " * 30 + "\nshort", 40)
    assert all(len(line) <= 40 for line in text.splitlines())
    assert text.splitlines()[1].startswith("  word")
    assert text.endswith("\nshort")
    assert wrapped("x" * 90, None) == "x" * 90


def test_help_is_short_to_ask_for_whole_and_as_wide_as_the_window() -> None:
    from typer.testing import CliRunner

    from fleetlog.cli.main import app

    for width in (80, 110):
        told = CliRunner().invoke(app, ["-h"], terminal_width=width).output
        assert max(map(len, told.splitlines())) <= width
        commands = told.partition("Commands:")[2]
        assert "..." not in commands
        assert "Open and doubtful cases: which cause, how sure, why, what to do next." in " ".join(
            commands.split()
        )
    assert "Example: fleetlog jobcard" in CliRunner().invoke(app, ["jobcard", "-h"]).output


@pytest.mark.parametrize(
    ("call", "near"),
    [
        ("suspects --format tabel", "table"),
        ("drivers --scale tme", "time"),
        ("survival --interval loglog", "log-log"),
    ],
)
def test_a_mistyped_word_is_told_with_the_nearest(call: str, near: str) -> None:
    from typer.testing import CliRunner

    from fleetlog.cli.main import app

    done = CliRunner().invoke(app, call.split())
    assert done.exit_code == 2
    assert f"did you mean '{near}'?" in " ".join(done.output.split())
