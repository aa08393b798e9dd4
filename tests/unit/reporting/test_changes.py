"""What changed between two months."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hollow_lane import FORMULA, HOSTILE, PATH, HollowLane

from fleetlog.causes.case import Suspect
from fleetlog.reporting.changes import KINDS, MUCH, as_frame, changes


def judged(case: Suspect, shares: tuple[float, ...], side: str = "left") -> Suspect:
    """A case of machine A whose causes are so likely, in the family's order."""
    causes = dict(zip(case.causes, shares, strict=True))
    return replace(
        case, machine_id="A", side=side, causes=causes, top_cause=max(causes, key=lambda cause: causes[cause])
    )


def test_the_invented_month(hollow_lane: HollowLane) -> None:
    now, before = hollow_lane.month.suspects, hollow_lane.month.suspects_before
    found = changes(before, now)
    kinds = {(change.case.machine_id, change.case.side): change.kind for change in found}
    # What the stories of the yard bring.
    assert {(HOSTILE, "left"): "new case", (FORMULA, "right"): "now open"}.items() <= kinds.items()
    assert kinds[PATH, "left"] == "new on watch"
    was, is_now = (
        next(case.certainty for case in finding.cases if case.machine_id == "SK-131")
        for finding in (before, now)
    )
    assert is_now - was > 0.05  # wiring found sound, calibrated in vain
    assert kinds.get(("SK-131", "right"), "") == ("surer" if is_now - was >= MUCH else "")
    assert kinds["SK-122", "left"] == "no longer open"
    # And who came and went, told by the two lists.
    then, today = (
        {(case.machine_id, case.side): case.state for case in finding.cases} for finding in (before, now)
    )
    gone = {"open": "no longer open", "watch": "off watch"}
    come = {"open": "new case", "watch": "new on watch"}
    assert {key: kind for key, kind in kinds.items() if key not in today} == {
        key: gone[state] for key, state in then.items() if key not in today
    }
    assert {key: kind for key, kind in kinds.items() if key not in then} == {
        key: come[state] for key, state in today.items() if key not in then
    }
    assert "no longer open" in kinds.values()
    assert [change.kind for change in found] == sorted(kinds.values(), key=KINDS.index)
    (opened,) = (change for change in found if change.kind == "now open")
    # A side that was only watched had no fault, so no cause is named.
    assert [case.standing for case in before.cases if case.machine_id == FORMULA] == [None]
    assert opened.before == "watch: no fault on record"
    assert opened.now == f"calibration, {100 * opened.case.causes['calibration']:.0f}%"
    assert as_frame(found).columns == ["machine_id", "side", "change", "before", "now"]


def test_nothing_changed(hollow_lane: HollowLane) -> None:
    now = hollow_lane.month.suspects
    assert changes(now, now) == ()
    assert as_frame(()).height == 0


@pytest.mark.parametrize(
    ("before", "now", "kind"),
    [
        ((0.5, 0.1, 0.1, 0.2, 0.05, 0.05), (0.66, 0.1, 0.1, 0.1, 0.02, 0.02), "surer"),
        ((0.66, 0.1, 0.1, 0.1, 0.02, 0.02), (0.5, 0.1, 0.1, 0.2, 0.05, 0.05), "less sure"),
        ((0.5, 0.1, 0.1, 0.2, 0.05, 0.05), (0.2, 0.1, 0.5, 0.1, 0.05, 0.05), "now another cause"),
        ((0.5, 0.1, 0.1, 0.2, 0.05, 0.05), (0.6, 0.1, 0.1, 0.1, 0.05, 0.05), None),
    ],
)
def test_kinds(
    hollow_lane: HollowLane, before: tuple[float, ...], now: tuple[float, ...], kind: str | None
) -> None:
    finding = hollow_lane.month.suspects
    stood, stands = (replace(finding, cases=(judged(finding.cases[0], shares),)) for shares in (before, now))
    assert [change.kind for change in changes(stood, stands)] == ([kind] if kind else [])


@pytest.mark.parametrize(("state", "kind"), [("watch", "off watch"), ("open", "no longer open")])
def test_what_is_gone_is_said_by_what_it_was(hollow_lane: HollowLane, state: str, kind: str) -> None:
    finding = hollow_lane.month.suspects
    before = replace(finding, cases=(replace(finding.cases[0], state=state),))
    assert [change.kind for change in changes(before, replace(finding, cases=()))] == [kind]


def test_the_two_sides_of_a_machine_are_two_cases(hollow_lane: HollowLane) -> None:
    finding = hollow_lane.month.suspects
    left, right = (
        judged(finding.cases[0], (0.5, 0.1, 0.1, 0.2, 0.05, 0.05), side) for side in ("left", "right")
    )
    found = changes(replace(finding, cases=(left,)), replace(finding, cases=(right,)))
    assert [(change.kind, change.case.side) for change in found] == [
        ("new case", "right"),
        ("no longer open", "left"),
    ]
