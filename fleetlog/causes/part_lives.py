"""How long parts really lived, and whether the one in place stands broken: every case counts by its probability.

Books tell of a failure only where somebody wrote the finding down. A case whose repair nobody recorded, one that a
new pump ended without a look inside, and one that is still open, are failures too, as surely as the case is the
part's. So a life counts as ended at the first report of each of its cases with the probability that the part was
behind it, and goes on with the rest. Where such a case has fallen silent without the part's replacement on record,
somebody has most likely replaced it: a new life begins then, as likely.
"""

from __future__ import annotations

from dataclasses import dataclass

import polars as pl

from fleetlog.causes.weighing import WeighedCases
from fleetlog.store import Store

PLACE = ("machine_id", "component", "side")
#: Shares of a life below this are left out: they change no figure and would double the rows.
_LEAST_SHARE = 1e-3
_WEIGHT = {"hours": pl.Int64, "failed": pl.Int64, "weight": pl.Float64}


@dataclass(frozen=True, eq=False)
class PartLives:
    """Lives of the followed parts by everything on record.

    Attributes:
        lives: machine_id, component, variant, entry, hours (tenths of an hour of the part's age; at risk on (entry,
            hours]), failed (0 or 1), weight (how surely it was so; those of one life sum to 1).
        now: one row a place with a case on record: machine_id, component, side, standing (chance that the part
            in place has failed and stands so), renewed (chance that it was replaced and nobody wrote it down),
            renewed_hours (age of the part then).
    """

    lives: pl.DataFrame
    now: pl.DataFrame


def part_lives(store: Store, weighed: WeighedCases) -> PartLives:
    """The lives of a family's followed parts, from its cases as they are weighed.

    Args:
        store: whose table weighed_case is that of `weighed`.
        weighed: the cases as of the day.
    """
    family = weighed.layout.family
    rows = store.run("cases/part_lives", fault=family.name).join(
        _chances(weighed),
        on=["machine_id", "case_side", "case_no", "component"],
        how="left",
        maintain_order="left",
    )
    life = ("component", "machine_id", "side", "fit")
    chance = pl.col("chance").fill_null(0.0)
    spared = (1.0 - chance).cum_prod().over(life)
    rows = rows.with_columns(share=chance * spared / (1.0 - chance).clip(1e-12, 1.0)).with_columns(
        renewed=pl.max_horizontal(0.0, pl.col("share") - pl.col("stands").fill_null(0.0))
    )
    whole = rows.group_by(life, maintain_order=True).agg(
        pl.col("variant", "entry", "hours", "failed").first(),
        left=1.0 - pl.col("share").sum(),
        standing=pl.col("stands").last().fill_null(0.0),
        renewed=pl.col("renewed").sum(),
        renewed_tenths=pl.col("hours").first() - pl.col("last_tenths").last(),
        cases=pl.col("case_no").count(),
        last=pl.col("fit").first(),
    )
    by_case = rows.filter(pl.col("share") >= _LEAST_SHARE)
    began = by_case.select(
        "machine_id", "component", "variant", "entry", hours="onset_tenths", failed=pl.lit(1), weight="share"
    )
    rest = whole.select(
        "machine_id",
        "component",
        "variant",
        "entry",
        "hours",
        failed=pl.col("failed").cast(pl.Int64),
        weight="left",
    )
    window = round(10 * family.windows.confirmation_hours)
    again = by_case.filter(
        ~pl.col("failed"),
        pl.col("renewed") >= _LEAST_SHARE,
        pl.col("hours") - pl.col("last_tenths") > window,
        pl.col("case_no") == pl.col("case_no").last().over(life),
    ).select(
        "machine_id",
        "component",
        variant=pl.col("component").replace_strict(
            {part.component: family.fresh_variant(part.component) for part in family.parts},
            return_dtype=pl.String,
        ),
        entry=pl.lit(0),
        hours=pl.col("hours") - pl.col("last_tenths"),
        failed=pl.lit(0),
        weight="renewed",
    )
    lives = pl.concat(
        [
            part.with_columns(
                pl.col("entry").cast(pl.Int64), *(pl.col(c).cast(t) for c, t in _WEIGHT.items())
            )
            for part in (rest, began, again)
        ]
    ).filter(pl.col("entry") < pl.col("hours"), pl.col("weight") >= _LEAST_SHARE)
    latest = whole.filter(pl.col("cases") > 0, pl.col("fit") == pl.col("fit").max().over(PLACE))
    return PartLives(
        lives=lives.sort("component", "variant", "machine_id", maintain_order=True),
        now=latest.select(*PLACE, "standing", "renewed", renewed_hours=pl.col("renewed_tenths") / 10),
    )


def _chances(weighed: WeighedCases) -> pl.DataFrame:
    """Of each case and followed part: the chance that the part was behind it, and that it stands so now."""
    family = weighed.layout.family
    keys = weighed.cases.select("machine_id", "case_no", case_side="side")
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
