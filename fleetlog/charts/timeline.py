"""One machine's story as events on its running hours: what a timeline shows, however it is drawn."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from fleetlog.causes.unit import UnitFinding
from fleetlog.phrasing import NO_WORDS, Words, hours, plural, said

MOST_EVENTS = 1500
LANES = ("fault, left", "fault, right", "fault", "repair step", "reading set aside")


@dataclass(frozen=True)
class Timeline:
    """What happened, on one axis.

    Attributes:
        title: the machine, its hours, its faults and repairs.
        notes: what is left out.
        start, top: the axis in running hours; it starts shortly before the first event, or at 0.
        lanes: the kinds of events there are, in the order of LANES.
        events: hours, day, lane, summary; one an event.
        values: hours, day, side, value; one a measurement of `quantity`.
        standing: hours, day, side, standing; how likely a fault stood then.
        unit: of the values, "" if there are none.
    """

    title: str
    notes: tuple[str, ...]
    start: float
    top: float
    lanes: tuple[str, ...]
    events: tuple[dict[str, Any], ...]
    values: tuple[dict[str, Any], ...]
    quantity: str
    unit: str
    standing: tuple[dict[str, Any], ...] = ()

    @property
    def sides(self) -> tuple[str, ...]:
        """The sides that were measured."""
        return _sides(self.values)

    @property
    def standing_sides(self) -> tuple[str, ...]:
        """The sides on which a fault was ever reported."""
        return _sides(self.standing)

    def reach(self, band: tuple[float, float] | None) -> tuple[float, float]:
        """The axis of the values, from and to, with room around them and the band."""
        seen = [row["value"] for row in self.values] + list(band or ())
        low, high = min(seen, default=0.0), max(seen, default=1.0)
        room = (high - low) * 0.1 or 0.1
        return low - room, high + room


def timeline(finding: UnitFinding, words: Words = NO_WORDS) -> Timeline:
    """Fault reports, repair steps, measured values and set-aside readings of one machine.

    The values are those of the quantity that the fault family follows, else of the one measured most; the
    others are in the tables.

    Args:
        finding: the machine's story.
        words: stored value -> what a reader would say.
    """
    quantity = finding.quantity or _measured_most(finding.measurements)
    reports = _latest(finding.reports)
    attempts = _latest(finding.attempts)
    values = _latest(finding.measurements.filter(pl.col("quantity") == quantity))
    aside = _latest(finding.readings.filter(~pl.col("kept")))
    start, top = _span([reports, attempts, values], finding.machine.get("running_hours"))
    within = aside.filter(pl.col("hours").is_between(start, top))
    events = (*_reports(reports), *_attempts(attempts, words), *_aside(within))
    measured = tuple(
        {
            "hours": row["hours"],
            "day": _day(row),
            "side": row["side"] or "not said",
            "value": row["value"],
        }
        for row in values.to_dicts()
    )
    believed = _latest(finding.standing) if finding.standing.width else finding.standing
    believed = believed.filter(pl.col("standing").is_not_null()) if believed.width else believed
    lanes = tuple(lane for lane in LANES if any(row["lane"] == lane for row in events))
    return Timeline(
        title=timeline_title(finding),
        notes=(*_left_out(finding), *finding.notes),
        start=start,
        top=top,
        lanes=lanes or LANES[:1],
        events=events,
        values=measured,
        quantity=quantity,
        unit=str(values["unit"][0] or "") if values.height else "",
        standing=tuple(
            {
                "hours": row["hours"],
                "day": _day(row),
                "side": row["side"] or "not said",
                "standing": row["standing"],
            }
            for row in believed.to_dicts()
        ),
    )


def _sides(rows: Sequence[Mapping[str, Any]]) -> tuple[str, ...]:
    return tuple(side for side in ("left", "right", "not said") if any(row["side"] == side for row in rows))


def _measured_most(measurements: pl.DataFrame) -> str:
    counts = measurements.group_by("quantity").len().sort(["len", "quantity"], descending=[True, False])
    return str(counts["quantity"][0]) if counts.height else ""


def timeline_title(finding: UnitFinding, _: Words = NO_WORDS) -> str:
    """The machine, its hours, its faults and repairs."""
    run = finding.machine.get("running_hours")
    ran = f" in {hours(float(run))}" if run is not None else ""
    reports = finding.reports.filter(pl.col("episode").is_not_null())
    episodes = reports.select("side", "episode").n_unique()  # each side counts its own from 1
    return (
        f"{finding.machine['machine_id']}: {plural(episodes, 'fault')} and "
        f"{plural(finding.attempts.height, 'repair step')}{ran}"
    )


def _latest(frame: pl.DataFrame) -> pl.DataFrame:
    return frame.filter(pl.col("hours").is_not_null()).sort("at", maintain_order=True).tail(MOST_EVENTS)


def _left_out(finding: UnitFinding) -> tuple[str, ...]:
    hidden = sum(
        max(0, frame.filter(pl.col("hours").is_not_null()).height - MOST_EVENTS)
        for frame in (finding.reports, finding.attempts)
    )
    if not hidden:
        return ()
    return (
        f"The latest {MOST_EVENTS:,} events of a kind are drawn; {hidden:,} older ones are in the table.",
    )


def _span(frames: list[pl.DataFrame], run: Any) -> tuple[float, float]:
    """From shortly before the first event, so that no blank years come first, to the machine's hours."""
    seen = [frame["hours"].to_numpy() for frame in frames if frame.height]
    top = max([*(float(ages.max()) for ages in seen), float(run) if run is not None else 0.0, 1.0])
    first = min((float(ages.min()) for ages in seen), default=0.0)
    return (0.0 if first < 0.3 * top else first - 0.08 * (top - first)), top


def _reports(reports: pl.DataFrame) -> list[dict[str, Any]]:
    rows = []
    for row in reports.to_dicts():
        lane = f"fault, {row['side']}" if row["side"] in ("left", "right") else "fault"
        summary = row["description"] or row["code"] or "fault report"
        if row["spn"] is not None:
            summary += f" (SPN {row['spn']} FMI {row['fmi']})"
        rows.append(_event(row, lane, summary))
    return rows


def _attempts(attempts: pl.DataFrame, words: Words) -> list[dict[str, Any]]:
    rows = []
    for row in attempts.to_dicts():
        summary = said(row["step"] or row["component"] or "repair step", words)
        if row["side"]:
            summary += f", {row['side']}"
        if row["outcome"]:
            summary += f": {said(row['outcome'], words)}"
            if row["held_hours"] is not None:
                summary += f" after {hours(row['held_hours'])}"
        rows.append(_event(row, "repair step", summary))
    return rows


def _aside(readings: pl.DataFrame) -> list[dict[str, Any]]:
    return [
        _event(row, "reading set aside", f"meter {row['meter_hours']:,.1f} h set aside: {row['reason']}")
        for row in readings.to_dicts()
    ]


def _event(row: Mapping[str, Any], lane: str, summary: str) -> dict[str, Any]:
    return {"hours": row["hours"], "day": _day(row), "lane": lane, "summary": summary}


def _day(row: Mapping[str, Any]) -> str:
    return str(row["at"].date().isoformat())
