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
    failing = weighed.filter(*(pl.col(one) != value for one, value in silent))
    watched = [(key[0], *_at_failures(own)) for key, own in failing.group_by("stratum", maintain_order=True)]
    limits: list[float | None] = []
    for term in terms:
        # a life that is silent by another factor too is not at risk at all
        others = [pl.col(one) != value for one, value in silent if one != term]
        own = weighed.filter(*others).partition_by(term, as_dict=True)
        for level, failures in levels.filter(pl.col("term") == term).select("level", "failures").iter_rows():
            mine = own.get((level,))
            if failures >= LEAST_FAILURES or mine is None:
                limits.append(None)
                continue
            risks = [
                _risk(mine.filter(pl.col("stratum") == stratum), ages) for stratum, ages, _, _ in watched
            ]
            deaths, at_risk = (np.concatenate([one[k] for one in watched]) for k in (2, 3))
            limits.append(silent_limit(deaths, at_risk, np.concatenate(risks), chance))
    return levels.with_columns(limit=pl.Series(limits, dtype=pl.Float64))


def _at_failures(rest: pl.DataFrame) -> tuple[Ints, Floats, Floats]:
    """The failure ages of a stratum, and at each the failures and the summed risk of those at risk."""
    failing = rest.group_by("hours").agg(pl.col("failed").sum()).filter(pl.col("failed") > 0).sort("hours")
    ages = failing["hours"].to_numpy()
    return ages, failing["failed"].to_numpy().astype(np.float64), _risk(rest, ages)


def _risk(rows: pl.DataFrame, ages: Ints) -> Floats:
    """Summed risk just before each age."""
    change = (rows["risk"] * (rows["entering"] - rows["leaving"])).to_numpy()
    place = np.searchsorted(ages, rows["hours"].to_numpy(), side="right")
    return np.asarray(np.cumsum(np.bincount(place, change, ages.size + 1))[: ages.size], dtype=np.float64)
