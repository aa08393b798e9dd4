"""How large can the ratio of a level be in which nothing failed?

The chance that none of the failures came from the level, given who was at risk at each, is the partial likelihood at
that ratio over the one at ratio 0. The upper limit is the ratio at which this chance has come down to 1 in 20 (one
minus the confidence): a one-sided limit, exact where lives are independent and the other ratios are as estimated.

Source: Cox 1975, Partial likelihood (what the chance is); for a single comparison it is the limit of Clopper & Pearson
1934 for no success.
"""

from __future__ import annotations

import numpy as np
import polars as pl

from fleetlog.stats.arrays import Floats, Ints
from fleetlog.stats.cox import CoxFit
from fleetlog.stats.silence import silent_limit

#: Fewer failures than this, which only shares of cases can be, are as good as none: an error by machine, which rests on
#: what failed, would take their ratio for sure. Ours.
LEAST_FAILURES = 0.5


def with_limits(
    levels: pl.DataFrame, counted: pl.DataFrame, fit: CoxFit, strata: tuple[str, ...], chance: float
) -> pl.DataFrame:
    """The levels with a column `limit`: upper limit of the ratio where nothing failed, else null.

    Args:
        levels: term, level, failures, ….
        counted: counts by strata and all factors, levels without failures among them.
        fit: of the others.
        strata: columns with baselines of their own.
        chance: that such a silence may have at the limit.
    """
    log_ratio = dict(zip(fit.names, fit.coefficients.tolist(), strict=True))
    terms = tuple(dict.fromkeys(levels["term"].to_list()))
    score = pl.sum_horizontal(
        pl.concat_str(pl.lit(f"{term}="), term).replace_strict(
            log_ratio, default=0.0, return_dtype=pl.Float64
        )
        for term in terms
    )
    silent = levels.filter(pl.col("failures") < LEAST_FAILURES).select("term", "level").rows()
    weighed = counted.with_columns(
        risk=score.exp(), stratum=pl.struct(strata).rank("dense") if strata else pl.lit(1)
    )
    limits: list[float | None] = []
    for term, level, failures in levels.select("term", "level", "failures").iter_rows():
        if failures >= LEAST_FAILURES:
            limits.append(None)
            continue
        others = [pl.col(one) != value for one, value in silent if (one, value) != (term, level)]
        rows = weighed.filter(*others) if others else weighed
        mine, rest = rows.filter(pl.col(term) == level), rows.filter(pl.col(term) != level)
        parts = [
            _at_failures(own, mine.filter(pl.col("stratum") == key[0]))
            for key, own in rest.group_by("stratum", maintain_order=True)
        ]
        deaths, at_risk, silent_risk = (np.concatenate(columns) for columns in zip(*parts, strict=True))
        limits.append(silent_limit(deaths, at_risk, silent_risk, chance))
    return levels.with_columns(limit=pl.Series(limits, dtype=pl.Float64))


def _at_failures(rest: pl.DataFrame, mine: pl.DataFrame) -> tuple[Floats, Floats, Floats]:
    """At each failure age of a stratum: failures, summed risk of the others, and of the level."""
    failing = rest.group_by("hours").agg(pl.col("failed").sum()).filter(pl.col("failed") > 0).sort("hours")
    ages = failing["hours"].to_numpy()
    return failing["failed"].to_numpy().astype(np.float64), _risk(rest, ages), _risk(mine, ages)


def _risk(rows: pl.DataFrame, ages: Ints) -> Floats:
    """Summed risk just before each age."""
    change = (rows["risk"] * (rows["entering"] - rows["leaving"])).to_numpy()
    place = np.searchsorted(ages, rows["hours"].to_numpy(), side="right")
    return np.asarray(np.cumsum(np.bincount(place, change, ages.size + 1))[: ages.size], dtype=np.float64)
