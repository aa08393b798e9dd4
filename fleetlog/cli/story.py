"""Answers that a table cannot tell, as text for the terminal: a machine's story, what the store holds."""

from __future__ import annotations

from typing import TYPE_CHECKING

from fleetlog.cli.output import with_safety
from fleetlog.cli.table import Wording, screen_table, wrapped
from fleetlog.cli.terminal import screen_width
from fleetlog.phrasing import NO_WORDS, Words, money, number, percent, said

if TYPE_CHECKING:
    import polars as pl

    from fleetlog.causes.case import Suspect
    from fleetlog.causes.unit import UnitFinding
    from fleetlog.session.status import StatusFinding


def machine_story(answer: UnitFinding, words: Words = NO_WORDS) -> str:
    """Head, cases with reasons and next step, repairs and how they held, parts, and what happened last."""
    machine = answer.machine
    what = " ".join(str(machine[key]) for key in ("make", "model") if machine[key])
    built = machine["build_date"] or "at an unknown date"
    hours = machine["running_hours"]
    run = "running hours unknown" if hours is None else f"{hours:,.0f} running hours"
    if machine["hours_estimated"]:
        run += " (carried on from the last reading)"
    site = machine["site"] or "no site"
    parts = [f"Machine {machine['machine_id']}: {what or 'unknown make'}, built {built}, {site}, {run}"]
    parts.append(f"As of {answer.as_of}, fault family {answer.fault}. Times are local ({answer.time_zone}).")
    parts += [f"Note: {note}" for note in answer.notes]
    for case in answer.cases:
        parts.append(_case(case, answer.currency, words))
    if not answer.cases:
        parts.append("\nNo open or doubtful case.")
    if not answer.attempts.is_empty():
        shown = answer.attempts.select("at", "hours", "side", "step", "finding", "outcome", "held_hours")
        parts.append("\nRepairs and how they held\n" + _table("unit.attempts", shown, words))
    followed = answer.components.filter(answer.components["side"] != "")
    if not followed.is_empty():
        shown = followed.select("component", "side", "variant", "fitted_at", "age_hours", "end_reason", "how")
        parts.append("\nParts\n" + _table("unit.components", shown, words))
    parts.append("\nWhat happened last\n" + _table("unit.frame", answer.frame.tail(_LATEST), words))
    aside = answer.readings.filter(~answer.readings["kept"]).height
    if aside:
        parts.append(f"\n{aside} readings of the hour meter are not believed; --format json lists them.")
    width = screen_width()
    return with_safety(wrapped("\n".join(parts) + "\n", width), answer, width)


_LATEST = 25


def _table(name: str, rows: pl.DataFrame, words: Words) -> str:
    """A table of the story in the page's words, its times to the minute, as the clocks of the yard showed them."""
    return screen_table(rows, Wording(name, words), screen_width()).rstrip()


def _case(case: Suspect, currency: str, words: Words) -> str:
    side = f"{case.side} side" if case.side else "side unknown"
    head = f"\n{case.state.capitalize()} case, {side}, since {case.since}, {case.episodes} episodes"
    causes = sorted(case.causes.items(), key=lambda item: -item[1])
    odds = ", ".join(f"{said(name, words)} {percent(share)}" for name, share in causes if share >= 0.005)
    if case.standing is None:
        return "\n".join([head, f"  {case.note}", f"  Next step: {case.next_step}"])
    waiting = f"a day of waiting costs {money(case.waiting_per_day, currency)}"
    lines = [head, f"  Chance that the fault stands now: {percent(case.standing)}; {waiting}"]
    lines += [f"  Likely cause: {odds}", f"  Next step: {case.next_step}"]
    if case.expected_cost is not None:
        cost, labour = money(case.expected_cost, currency), number(case.labour_hours or 0.0)
        lines.append(f"  Expected until cured: {cost}, {labour} h of labour")
    lines += [f"  Note: {case.note}"] if case.note else []
    if case.ask:
        lines.append(f"  Ask: {case.ask} Knowing is expected to save {money(case.ask_saving, currency)}.")
    lines.append(
        "  Why (before each, how strongly it speaks for the likeliest cause; 'fleetlog explain suspects'):"
    )
    lines += [f"    {reason.weight:+6.2f}  {reason.evidence}" for reason in case.reasons]
    return "\n".join(lines)


def store_contents(answer: StatusFinding, words: Words = NO_WORDS) -> str:
    """How much is on record, over which time, and the doubts about it."""
    import polars as pl

    head = (
        f"{answer.machines} machines, {answer.first} to {answer.last}; as of {answer.as_of}.\n"
        f"{answer.rejected} rejected rows, {answer.waiting} waiting rows.\n"
        + "".join(f"Note: {note}\n" for note in answer.notes)
        + "\n"
    )
    rows = pl.DataFrame({"table": list(answer.tables), "rows": list(answer.tables.values())})
    width = screen_width()
    return (
        wrapped(head, width)
        + screen_table(rows, Wording(), width)
        + "\n"
        + screen_table(answer.quality, Wording("status.quality"), width)
    )
