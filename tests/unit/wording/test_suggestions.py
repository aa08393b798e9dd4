"""Suggestions in the store: read after loads, judged, counted beside what is typed."""

from __future__ import annotations

import json
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from fleetlog.errors import UsageError
from fleetlog.intake import load_paths
from fleetlog.intake.suggestions import judge, refresh_suggestions, suggestions_frame
from fleetlog.store import Store, open_store
from fleetlog.wording import load_dictionary

MACHINES = "machine_id\nL1\n"
ORDERS = """work_order_id,machine_id,opened_at,complaint,cause,correction
W1,L1,2026-01-05,RH neutral code,bushing worn,"pump apart, bushing replaced, calibrated"
W2,L1,2026-02-05,service due,,
W3,L1,2026-03-05,"RH neutral code again after 40 hrs",,"replaced sensor rh"
"""
LINES = """work_order_id,line_no,component,side,action,result,finding,note
W1,1,drive_pump,right,calibrate,passed,,"pump apart, bushing replaced, calibrated"
W2,1,engine,,inspect,passed,,tighten belt
"""


class Yard:
    def __init__(self, store: Store, folder: Path) -> None:
        self.store = store
        self.folder = folder
        self.files = 0

    def load(self, text: str) -> None:
        self.files += 1
        path = self.folder / f"{self.files}.csv"
        path.write_text(text, encoding="utf-8")
        (result,) = load_paths(self.store, [path], now=datetime(2026, 8, 1)).files
        assert result.refused is None
        assert result.rejected == 0

    def found(self, state: str | None = None, **only: Any) -> list[tuple[Any, ...]]:
        frame = suggestions_frame(self.store, state, **only)
        return frame.select("work_order_id", "field", "component", "action", "side", "finding").rows()

    def ids(self, *wanted: str) -> list[int]:
        """Suggestions of a work order, component and action."""
        rows = suggestions_frame(self.store, work_order_id=wanted[0]).to_dicts()
        return [r["suggestion_id"] for r in rows if (r["component"], r["action"]) == wanted[1:]]

    def told(self, count_unjudged: bool = False, least: float = 0.0) -> list[tuple[Any, ...]]:
        frame = self.store.run(
            "history/095_text_step", count_unjudged=count_unjudged, least_confidence=least
        ).sort("work_order_id", "line_no")
        return frame.select("work_order_id", "line_no", "component", "action", "side").rows()


@pytest.fixture
def yard(tmp_path: Path) -> Iterator[Yard]:
    with open_store(None) as store:
        made = Yard(store, tmp_path)
        for text in (MACHINES, ORDERS, LINES):
            made.load(text)
        yield made


def test_texts_become_suggestions(yard: Yard) -> None:
    new = refresh_suggestions(yard.store)
    assert new == len(yard.found()) == len(yard.found("open"))
    assert yard.found(work_order_id="W1") == [
        ("W1", "cause", "internal_bushing", None, None, "worn"),
        ("W1", "correction", "internal_bushing", "replace", None, None),
        ("W1", "correction", "drive_pump", "calibrate", None, None),
        ("W1", "note", "internal_bushing", "replace", None, None),
        ("W1", "note", "drive_pump", "calibrate", None, None),
    ]
    (back,) = [r for r in suggestions_frame(yard.store, machine_id="L1").to_dicts() if r["again"]]
    assert (back["work_order_id"], back["side"], back["recurrence_hours"]) == ("W3", "right", 40.0)


def test_the_words_it_rests_on_are_shown(yard: Yard) -> None:
    refresh_suggestions(yard.store)
    for row in suggestions_frame(yard.store).to_dicts():
        spans = json.loads(row["spans"])
        assert " … ".join(row["text"][start:end] for start, end in spans) == row["words"]
        assert row["dictionary_version"] == load_dictionary().version


def test_reading_again_changes_nothing(yard: Yard) -> None:
    refresh_suggestions(yard.store)
    before = suggestions_frame(yard.store).to_dicts()
    assert refresh_suggestions(yard.store) == 0
    assert suggestions_frame(yard.store).to_dicts() == before


def test_only_what_came_since_is_read(yard: Yard) -> None:
    refresh_suggestions(yard.store)
    yard.load("work_order_id,machine_id,opened_at,correction\nW4,L1,2026-04-05,new battery\n")
    assert refresh_suggestions(yard.store) == 1
    assert yard.found(work_order_id="W4") == [("W4", "correction", "battery", "replace", None, None)]


def test_a_judgement_stays_while_its_text_does(yard: Yard) -> None:
    refresh_suggestions(yard.store)
    (bushing,) = yard.store.execute(
        "SELECT suggestion_id FROM suggestion WHERE work_order_id = 'W1' AND field = 'correction' "
        "AND component = 'internal_bushing'"
    )
    judge(yard.store, bushing, accepted=True)
    yard.load("work_order_id,machine_id,opened_at,status\nW1,L1,2026-01-05,closed\n")
    refresh_suggestions(yard.store)
    assert suggestions_frame(yard.store, "accepted")["suggestion_id"].to_list() == list(bushing)
    assert len([row for row in yard.found(work_order_id="W1") if row[1] == "correction"]) == 2
    yard.load("work_order_id,machine_id,opened_at,correction\nW1,L1,2026-01-05,new battery\n")
    refresh_suggestions(yard.store)
    assert suggestions_frame(yard.store, "accepted").is_empty()
    corrections = [row for row in yard.found(work_order_id="W1") if row[1] == "correction"]
    assert corrections == [("W1", "correction", "battery", "replace", None, None)]


def test_another_dictionary_reads_everything_anew(yard: Yard, tmp_path: Path) -> None:
    refresh_suggestions(yard.store)
    declined = yard.ids("W3", "position_sensor", "replace")
    judge(yard.store, declined, accepted=False)
    own = tmp_path / "own.toml"
    own.write_text('[component.cooling]\nremove = ["belt"]\n[component.other]\nwords = ["belt"]\n')
    theirs = load_dictionary([own])
    assert refresh_suggestions(yard.store, theirs) > 0
    versions = suggestions_frame(yard.store, "open")["dictionary_version"].unique().to_list()
    assert versions == [theirs.version]
    assert ("W2", "note", "other", "adjust", None, None) in yard.found()
    assert suggestions_frame(yard.store, "declined")["suggestion_id"].to_list() == declined
    assert yard.ids("W3", "position_sensor", "replace") == declined
    assert refresh_suggestions(yard.store, theirs) == 0


def test_all_judged_and_another_dictionary(yard: Yard, tmp_path: Path) -> None:
    refresh_suggestions(yard.store)
    everything = suggestions_frame(yard.store)["suggestion_id"].to_list()
    judge(yard.store, everything, accepted=True)
    own = tmp_path / "own.toml"
    own.write_text('[finding.dirty]\nwords = ["due"]\n[component.other]\nwords = ["service"]\n')
    assert refresh_suggestions(yard.store, load_dictionary([own])) == 1
    assert suggestions_frame(yard.store, "accepted")["suggestion_id"].to_list() == everything
    assert refresh_suggestions(yard.store) == 0
    assert suggestions_frame(yard.store, "open").is_empty()


def test_judging(yard: Yard) -> None:
    refresh_suggestions(yard.store)
    (one,) = yard.ids("W3", "position_sensor", "replace")
    assert judge(yard.store, [one, one], accepted=True) == 1
    assert judge(yard.store, [one], accepted=True) == 0
    assert judge(yard.store, [one], accepted=False) == 1
    assert judge(yard.store, [], accepted=False) == 0
    with pytest.raises(UsageError, match="There is no suggestion 9999"):
        judge(yard.store, [one, 9999], accepted=True)
    assert suggestions_frame(yard.store, "accepted").is_empty()
    with pytest.raises(UsageError, match="'yes' is no state"):
        suggestions_frame(yard.store, "yes")


def test_nothing_counts_until_it_is_accepted(yard: Yard) -> None:
    refresh_suggestions(yard.store)
    assert yard.told() == []
    judge(yard.store, yard.ids("W1", "internal_bushing", "replace"), accepted=True)
    assert yard.told() == [("W1", 1_000_001, "internal_bushing", "replace", None)]


def test_unjudged_ones_count_where_the_setting_says_so(yard: Yard) -> None:
    refresh_suggestions(yard.store)
    expected = [
        ("W1", 1_000_001, "internal_bushing", "replace", None),
        ("W2", 1_000_001, "cooling", "adjust", None),
        ("W3", 1_000_001, "position_sensor", "replace", "right"),
    ]
    assert yard.told(count_unjudged=True) == expected
    judge(yard.store, yard.ids("W3", "position_sensor", "replace"), accepted=False)
    assert yard.told(count_unjudged=True) == expected[:2]
    assert yard.told(count_unjudged=True, least=0.99) == []


def test_what_is_typed_goes_before_what_is_read(yard: Yard) -> None:
    refresh_suggestions(yard.store)
    judge(yard.store, yard.ids("W1", "drive_pump", "calibrate"), accepted=True)
    assert yard.told() == []
    lines = yard.store.select("SELECT * FROM work_lines ORDER BY work_order_id").to_dicts()
    assert lines[0]["result"] == "passed"
    yard.load("work_order_id,line_no,component,side,action\nW3,1,position_sensor,left,replace\n")
    assert yard.told(count_unjudged=True)[-1][0] == "W3"
    yard.load("work_order_id,line_no,component,side,action\nW3,1,position_sensor,right,replace\n")
    assert yard.told(count_unjudged=True)[-1][0] == "W2"


def test_empty_cells_of_a_typed_line_can_be_filled(yard: Yard) -> None:
    yard.load("work_order_id,line_no,component,action\nW1,2,internal_bushing,replace\n")
    yard.load("work_order_id,line_no,component,action\nW3,1,position_sensor,replace\n")
    refresh_suggestions(yard.store)

    def filled(count_unjudged: bool) -> list[tuple[Any, ...]]:
        frame = yard.store.run("history/096_filled_line", count_unjudged=count_unjudged, least_confidence=0.0)
        return sorted(frame.drop("machine_id").rows())

    assert filled(False) == []
    assert filled(True) == [("W1", 2, None, "worn", None), ("W3", 1, "right", None, None)]
    causes = yard.store.execute("SELECT suggestion_id FROM suggestion WHERE field = 'cause'")
    judge(yard.store, [one for (one,) in causes], accepted=True)
    assert filled(False) == [("W1", 2, None, "worn", None)]


def test_a_failure_leaves_the_suggestions_as_they_were(yard: Yard, monkeypatch: pytest.MonkeyPatch) -> None:
    refresh_suggestions(yard.store)
    before = suggestions_frame(yard.store).to_dicts()
    yard.load("work_order_id,machine_id,opened_at,correction\nW9,L1,2026-04-05,new battery\n")

    def broken(*_: object) -> None:
        raise RuntimeError

    monkeypatch.setattr("fleetlog.intake.suggestions.read_note", broken)
    with pytest.raises(RuntimeError):
        refresh_suggestions(yard.store)
    assert suggestions_frame(yard.store).to_dicts() == before
