"""How long parts really lived, and whether the one in place stands broken: every case counts by its probability.

Books tell of a failure only where somebody wrote the finding down. A case whose repair nobody recorded, one that a
new pump ended without a look inside, and one that is still open, are failures too, as surely as the case is the
part's. So a life is followed from case to case: the part failed at the first report of each with the probability
that it was behind it. After a repair the part that the books name goes on. Where a case that was most likely the
part's fell silent without any repair on record, somebody replaced it: a new life begins there.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import polars as pl

from fleetlog.belief.weighing import WeighedCases
from fleetlog.store import Store

PLACE = ("machine_id", "component", "side")
_LIFE = (*PLACE, "fit")
#: Shares of a life below this are left out: they change no figure and would double the rows.
_LEAST_SHARE = 1e-3
#: A case whose chance lies further than this from 0 and from 1 is in doubt: the bounds take it for either.
IN_DOUBT = 0.05


@dataclass(frozen=True, eq=False)
class PartLives:
    """Lives of the followed parts by everything on record.

    Attributes:
        lives: machine_id, component, side, fit, variant, entry, hours (tenths of an hour of the part's age; at risk
            on (entry, hours]), failed (0 or 1), to_end (whether the stretch goes on to what the books name as the
            life's end), weight (how surely it was so), case (row of the weighed cases that decides it, null if
            none), was (whether it was so if that case was the part's; null where no case decides).
        best: the same if no case in doubt was the part's; weights are 0 or 1.
        worst: the same if every case in doubt was.
        now: one row a place with a case on record: machine_id, component, side, standing (chance that the part
            in place has failed and stands so), new_for_hours (age of the part where it is most likely one that took
            the place of the old one without a note; else null).
    """

    lives: pl.DataFrame
    now: pl.DataFrame
    best: pl.DataFrame
    worst: pl.DataFrame


def part_lives(store: Store, weighed: WeighedCases) -> PartLives:
    """The lives of a family's followed parts, from its cases as they are weighed.

    Args:
        store: whose table weighed_case is that of `weighed`.
        weighed: the cases as of the day.
    """
    family = weighed.layout.family
    fresh = {part.component: family.fresh_variant(part.component) for part in family.parts}
    settling = weighed.layout.settling_tenths
    rows = store.run("cases/part_lives", fault=family.name, settling=settling).join(
        _chances(weighed),
        on=["machine_id", "case_side", "case_no", "component"],
        how="left",
        maintain_order="left",
    )
    chance, stands = pl.col("chance").fill_null(0.0), pl.col("stands").fill_null(0.0)
    renews = ~pl.col("answered") & (chance - stands > 0.5 * (1.0 - stands))
    # the age at which a new part took the place of the old one without a note
    began_anew = pl.when(renews.fill_null(False)).then("last_tenths").forward_fill().over(_LIFE)
    # a part that serves both sides has cases of both, which may overlap
    until = pl.col("last_tenths").cum_max().over(_LIFE)
    rows = rows.with_columns(chance=chance, stands=stands, anew=began_anew, until=until).with_columns(
        before=pl.col("anew").shift(1).over(_LIFE), seen=pl.col("until").shift(1).over(_LIFE)
    )
    # a side's own case and one of unknown side can both be this part's
    standing = 1.0 - (1.0 - pl.col("stands")).product().over(_LIFE)
    place = (
        rows.with_columns(standing=standing)
        .group_by("component", "machine_id", "side", maintain_order=True)
        .last()
    )
    sure = 1.0 - IN_DOUBT
    return PartLives(
        lives=_lives(rows, fresh),
        best=_lives(rows.with_columns((pl.col("chance", "stands") >= sure).cast(pl.Float64)), fresh),
        worst=_lives(rows.with_columns((pl.col("chance", "stands") > IN_DOUBT).cast(pl.Float64)), fresh),
        now=place.filter(pl.col("case_no").is_not_null()).select(
            *PLACE, "standing", new_for_hours=(pl.col("hours") - pl.col("anew")).clip(0) / 10
        ),
    )


def _lives(rows: pl.DataFrame, fresh: Mapping[str, str]) -> pl.DataFrame:
    """The stretches of all lives, by the chance of each case."""
    cases = rows.filter(pl.col("case_no").is_not_null())
    until_case = [
        _stretch(
            cases, "before", pl.max_horizontal("seen", "entry"), "onset_tenths", failed, weight, was, fresh
        )
        for failed, weight, was in (
            (1, pl.col("chance"), pl.lit(True)),
            (0, 1.0 - pl.col("chance"), pl.lit(False)),
        )
    ]
    last = rows.filter((pl.int_range(pl.len()) + 1 == pl.len()).over(_LIFE))
    ends_failed = pl.col("failed").cast(pl.Int64)
    # what was taken out has failed already as surely as its last case was its failure, and was not at risk since
    taken_out = pl.col("ended") & pl.col("anew").is_null()
    left = 1.0 - pl.when(taken_out).then("chance").otherwise("stands")
    counted = pl.when(taken_out & pl.col("case").is_not_null()).then(pl.lit(False))
    until_end = _stretch(
        last, "anew", pl.max_horizontal("until", "entry"), "hours", ends_failed, left, counted, fresh
    )
    return (
        pl.concat([*until_case, until_end])
        .filter(pl.col("entry") < pl.col("hours"), pl.col("weight") >= _LEAST_SHARE)
        .sort("component", "variant", "machine_id", maintain_order=True)
    )


def _stretch(
    rows: pl.DataFrame,
    anew: str,
    entry: pl.Expr,
    until: str,
    failed: pl.Expr | int,
    weight: pl.Expr,
    was: pl.Expr,
    fresh: Mapping[str, str],
) -> pl.DataFrame:
    """Stretches of lives: from one age to another, counted from the unrecorded new part where there is one."""
    origin = pl.col(anew).fill_null(0)
    replacing = pl.col("component").replace_strict(fresh, return_dtype=pl.String)
    return rows.select(
        *_LIFE,
        variant=pl.when(pl.col(anew).is_null()).then("variant").otherwise(replacing),
        entry=pl.max_horizontal(0, entry - origin).cast(pl.Int64),
        hours=(pl.col(until) - origin).cast(pl.Int64),
        failed=(pl.lit(failed) if isinstance(failed, int) else failed).cast(pl.Int64),
        to_end=pl.lit(until == "hours"),
        weight=weight.cast(pl.Float64),
        case=pl.when(was.is_not_null()).then("case"),
        was=was,
    )


def _chances(weighed: WeighedCases) -> pl.DataFrame:
    """Of each case and followed part: the chance that the part was behind it, and that it stands so now."""
    family = weighed.layout.family
    keys = weighed.cases.select(
        "machine_id", "case_no", "answered", case_side="side", case=pl.int_range(pl.len(), dtype=pl.Int64)
    )
    of_part = [
        keys.with_columns(
            component=pl.lit(part.component),
            chance=pl.Series(weighed.of_case[:, mine].sum(axis=1)),
            stands=pl.Series(weighed.stands[:, mine].sum(axis=1)).fill_nan(None),
        )
        for part in family.parts
        if (mine := [k for k, cause in enumerate(family.causes) if cause.component == part.component])
    ]
    schema = {"component": pl.String, "chance": pl.Float64, "stands": pl.Float64}
    return (
        pl.concat(of_part)
        if of_part
        else keys.clear().with_columns(pl.lit(None, kind).alias(name) for name, kind in schema.items())
    )
