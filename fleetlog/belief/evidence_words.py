"""One piece of evidence in words."""

from __future__ import annotations

from fleetlog.belief.case_records import HELD
from fleetlog.faults import FaultFamily

NEW_FAULT, STILL_THERE, UNRECORDED = "new_fault", "still_there", "unrecorded"


_VOLTAGE_WORDS = {
    "near_zero_or_supply": "at zero or supply",
    "wanders": "wanders from visit to visit",
    "steady_offset": "steadily off target",
    "normal": "on target",
}


def evidence_words(family: FaultFamily, row: dict[str, object]) -> str:
    """One piece of evidence in words."""
    name, outcome = str(row["evidence"]), str(row["outcome"])
    if name == NEW_FAULT:
        return f"another fault may have taken the place of the first since (chance {row['chance']:.1%})"
    if name == STILL_THERE:
        return (
            "if nobody has mended it since" if outcome == "unanswered" else "if the repair since has failed"
        )
    if name == UNRECORDED:
        return unrecorded_words(int(row["waits"]), float(row["hours"]))  # type: ignore[call-overload,arg-type]
    if name == "failure_mode":
        episodes = f" in {row['votes']:.3g} of {row['total']} episodes" if row["total"] != 1 else ""
        return f"codes of failure mode '{outcome}'{episodes}"
    if name == "sides":
        return "both sides at once" if outcome == "both" else "one side only"
    if name == "voltage":
        return voltage_words(family, outcome, row["low"], row["high"])  # type: ignore[arg-type]
    if name.startswith(HELD):
        title = _lower_first(family.step(name.removeprefix(HELD)).title)
        if outcome == "came_back":
            return f"back {row['hours']:,.0f} h after: {title}"
        return f"quiet for {row['hours']:,.0f} h since: {title}"
    title = _lower_first(family.step(name).title)
    if row["label"]:
        cause = _lower_first(family.cause(str(row["label"])).title)
        return f"{title}: {'confirmed' if row['position'] == 0 else 'not confirmed'}, {cause}"
    return f"{title}: {outcome}"


def unrecorded_words(waits: int, quiet_hours: float) -> str:
    """What came without a repair on record: how often the fault showed again, and how long it has kept quiet."""
    times = "once" if waits == 1 else f"{waits} times"
    parts = [f"back {times}"] if waits else []
    parts += [f"quiet for {quiet_hours:,.0f} h"] if quiet_hours > 0 else []
    return f"{' and '.join(parts) or 'no time yet'} without a repair on record"


def voltage_words(family: FaultFamily, outcome: str, low: float, high: float) -> str:
    """A pattern of the measured voltage in words, with its least and greatest reading."""
    unit = family.voltage.unit if family.voltage else ""
    span = f"{low:.2f} {unit}" if low == high else f"{low:.2f} to {high:.2f} {unit}"
    quantity = family.voltage.quantity.replace("_", " ") if family.voltage else "voltage"
    return f"{quantity} {_VOLTAGE_WORDS.get(outcome, outcome)} ({span})"


def _lower_first(text: str) -> str:
    return text[:1].lower() + text[1:]
