"""A component's lives as every question about them counts them: by what is believed of their cases.

A new pump that ended a life while its bushing was probably gone is neither a failure nor a sound ending: it is a
failure with the probability of that case, the same one that `suspects` shows and `forecast` counts by. The books alone
(`recorded`) are read on request, where one finding alone is to count as failure, and from a lake, which holds no
weighed cases.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from typing import Any, Literal, get_args

import polars as pl

from fleetlog.belief.part_lives import part_lives
from fleetlog.belief.weighing import WeighedCases, weighed_now
from fleetlog.errors import UsageError
from fleetlog.faults import FaultFamily
from fleetlog.history import History
from fleetlog.lives.splits import UNKNOWN, counted_lives
from fleetlog.phrasing import plural
from fleetlog.questions import proposal
from fleetlog.session.fleet import Fleet
from fleetlog.stats.by_machine import numbered
from fleetlog.stats.risk_table import in_grains
from fleetlog.stats.weighted_lives import ObservedLives

Endings = Literal["believed", "recorded"]
"""How lives that may have ended by failure count: by the chance of their case, or by the findings on record alone."""

_LIFE = ("of_machine", "of_side", "of_fit")
#: A case that last reported so long before a part was taken out is another story. From memory.
LATELY = timedelta(days=90)


@dataclass(frozen=True, eq=False)
class Stretches:
    """Stretches of lives, each of which counts by a share.

    Attributes:
        rows: the columns asked for, of_machine, of_side, of_fit, watched_from, entry, hours, failed, to_end, weight,
            beside (whether the failure was only seen since the machine was open for its other side: it lies somewhere
            in the stretch).
    """

    rows: pl.DataFrame

    def counts(self, by: tuple[str, ...], *, from_new: bool = False) -> pl.DataFrame:
        """Their risk tables by columns, as `counted_lives` gives them; `from_new`: as if all were watched from new."""
        late = pl.lit(from_new) & (pl.col("entry") == pl.col("watched_from"))
        begin = pl.when(late).then(0).otherwise("entry")
        none = pl.lit(0.0)
        boundaries = pl.concat(
            [
                self.rows.select(
                    *by, hours=begin.cast(pl.Int64), entering="weight", failed=none, leaving=none
                ),
                self.rows.select(
                    *by,
                    hours=pl.col("hours").cast(pl.Int64),
                    entering=none,
                    failed=pl.col("weight") * pl.col("failed"),
                    leaving="weight",
                ),
            ]
        )
        keys = (*by, "hours")
        return (
            boundaries.group_by(keys)
            .agg(pl.col("entering", "failed", "leaving").sum())
            .sort(keys, nulls_last=True)
        )

    def in_words(self, columns: tuple[str, ...]) -> Stretches:
        """The same with the values of these columns as text, "unknown" where not on record."""
        return Stretches(
            self.rows.with_columns(pl.col(one).cast(pl.String).fill_null(UNKNOWN) for one in columns)
        )

    def without(self, column: str, value: str) -> Stretches:
        """The same less those with a value in a column."""
        return Stretches(self.rows.filter(pl.col(column) != value))

    @property
    def ordered(self) -> pl.DataFrame:
        """The rows in an order that does not depend on the columns asked for."""
        return self.rows.sort(*_LIFE, "entry", "hours", "failed")

    def lives(self) -> ObservedLives:
        """The stretches for the estimators, in the order of `ordered`."""
        of = self.ordered
        return ObservedLives(
            entry=of["entry"].to_numpy(),
            exit=of["hours"].to_numpy(),
            failed=of["failed"].to_numpy(),
            machine=numbered(of["of_machine"].to_list()),
            share=of["weight"].to_numpy(),
        )


@dataclass(frozen=True, eq=False)
class ComponentLives:
    """One component's lives, split as asked.

    Attributes:
        counts: their risk tables below each other: the columns, hours, entering, failed, leaving.
        believed: the stretches behind it where some ending is in doubt, else None: then all is as the books say.
        best, worst: stretches if no case in doubt was the part's, or all were.
        recorded: risk tables as the books say.
        note: why the books alone are read although belief was asked for, or what is left out of it; or "".
    """

    counts: pl.DataFrame
    recorded: pl.DataFrame
    believed: Stretches | None = None
    best: Stretches | None = None
    worst: Stretches | None = None
    note: str = ""


def lives_of(
    fleet: Fleet,
    history: History,
    family: FaultFamily,
    component: str,
    columns: tuple[str, ...],
    chosen: Mapping[str, Any],
    *,
    cause: str | None = None,
    endings: Endings = "believed",
) -> ComponentLives:
    """One component's lives in a part of the fleet.

    Args:
        family: the family asked about; where it does not follow the component, the first that does is believed.
        columns: to split by.
        chosen: the part of the fleet (`selection`).
        cause: a finding that alone counts as failure; the books are then read as they stand.
        endings: how lives count that may have ended by failure.
    """
    recorded = counted_lives(fleet.store, columns, component=component, cause=cause, **chosen)
    plain = ComponentLives(recorded, recorded)
    if endings == "recorded" or cause is not None or recorded.is_empty():
        return plain
    if not fleet.store.local:
        return ComponentLives(recorded, recorded, note=_OF_A_LAKE)
    knowing = _knowing(fleet, family, component)
    if knowing is None:
        return plain
    weighed = weighed_now(fleet, history, knowing)
    known = part_lives(fleet.store, weighed)
    lives = known.lives.filter(pl.col("component") == component)
    own = tuple(column for column in columns if column != "variant")
    facts = fleet.store.run("risk/life_columns", own, component=component, **chosen)
    beside = _seen_beside(weighed, facts)
    found = lives.filter(pl.col("failed") == 1, pl.col("to_end"))
    seen = found.join(beside, left_on=["machine_id", "side", "fit"], right_on=_LIFE, how="semi")
    predating = int(weighed.cases["may_predate"].sum())
    if lives.filter(pl.col("weight") < 1.0).is_empty() and seen.is_empty() and not predating:
        return plain
    facts = facts.join(beside, on=_LIFE, how="left", maintain_order="left")
    believed, best, worst = (
        _placed(frame.filter(pl.col("component") == component), facts, columns)
        for frame in (known.lives, known.best, known.worst)
    )
    note = _predating(weighed, predating) if predating else ""
    return ComponentLives(believed.counts(columns), recorded, believed, best, worst, note)


def _predating(weighed: WeighedCases, cases: int) -> str:
    hours = weighed.layout.settling_hours
    return (
        f"Parts that were in when the records began count from {hours:,.0f} h later: {plural(cases, 'case')} of the "
        "fleet showed sooner, and may be older than the records."
    )


_OF_A_LAKE = "Endings count as the books say: the chance that a part had failed unseen is known to a store, not a lake."


def _knowing(fleet: Fleet, family: FaultFamily, component: str) -> FaultFamily | None:
    """The family whose cases can be this part's fault: the one asked about, else the first by name."""
    others = [fleet.families[name] for name in sorted(fleet.families) if name != family.name]
    for one in (family, *others):
        if one.part(component) and any(cause.component == component for cause in one.causes):
            return one
    return None


def _placed(stretches: pl.DataFrame, facts: pl.DataFrame, columns: tuple[str, ...]) -> Stretches:
    """The stretches with the columns to split by; a new part that nobody wrote down is of the newer variant."""
    rows = (
        stretches.rename({"machine_id": "of_machine", "side": "of_side", "fit": "of_fit"})
        .join(facts, on=_LIFE, how="inner", maintain_order="left")
        .with_columns(
            pl.col("weight").map_batches(_in_grains, pl.Float64),
            beside=pl.col("beside").fill_null(False) & pl.col("to_end") & (pl.col("failed") == 1),
        )
        .filter(pl.col("weight") > 0)
    )
    return Stretches(
        rows.select(
            *columns, *_LIFE, "watched_from", "entry", "hours", "failed", "to_end", "weight", "beside"
        ).sort(*columns, *_LIFE, "entry", "hours", "failed", nulls_last=True)
    )


def _seen_beside(weighed: WeighedCases, facts: pl.DataFrame) -> pl.DataFrame:
    """Lives that ended while the other side had a case and their own had none: what was found then was found by chance.

    Returns:
        of_machine, of_side, of_fit, beside (TRUE).
    """
    cases = weighed.cases.select(of_machine="machine_id", case_side="side", first="first_at", last="last_at")
    lately = (pl.col("first") <= pl.col("ended_at")) & (pl.col("last") >= pl.col("ended_at") - LATELY)
    near = (
        facts.filter(pl.col("of_side") != "")
        .select(*_LIFE, "ended_at")
        .join(cases, on="of_machine")
        .filter(lately)
    )
    own = (pl.col("case_side") == pl.col("of_side")) | (pl.col("case_side") == "")
    return near.group_by(_LIFE).agg(beside=~own.any()).filter("beside").sort(_LIFE)


def _in_grains(weights: pl.Series) -> pl.Series:
    return pl.Series(in_grains(weights.to_numpy()))


def endings_of(name: str) -> Endings:
    """The way of counting of that name.

    Raises:
        UsageError: there is none.
    """
    known: tuple[Endings, ...] = get_args(Endings)
    for one in known:
        if name == one:
            return one
    raise UsageError(f"Endings cannot count as {name!r}; {proposal(name, known)}")
