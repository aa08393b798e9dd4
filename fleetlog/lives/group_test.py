"""The test between groups of lives: any difference, a trend along groups with an order, and both by machine."""

from __future__ import annotations

import numpy as np
import polars as pl

from fleetlog.lives.counting import ComponentLives
from fleetlog.lives.splits import UNKNOWN, Weighting, split
from fleetlog.stats.arrays import Floats
from fleetlog.stats.by_machine import log_rank_by_machine, numbered
from fleetlog.stats.log_rank import LogRank, log_rank
from fleetlog.stats.risk_table import RiskTable

DESIGN = "variant"
"""The column that tells the design of a part."""

ORDERED = ("build_year",)
"""Columns whose groups have an order of their own, that of time; a change of design falls between two of them."""


def within_designs(by: tuple[str, ...]) -> tuple[str, ...]:
    """The strata of a comparison over time where none are asked for: no year is blamed for a change of the part."""
    return (DESIGN,) if set(by) & set(ORDERED) and DESIGN not in by else ()


def compared(
    lives: ComponentLives, by: tuple[str, ...], strata: tuple[str, ...], weights: Weighting
) -> dict[str, float] | None:
    """The test that no group differs, within strata; None where there are not two.

    Returns:
        chi2, df, p; trend_z and trend_p where the groups have an order; chi2_by_machine, p_by_machine and
        trend_p_by_machine where the lives are at hand one by one.
    """
    parts = split(lives.counts, (*by, *strata))
    groups = [key[: len(by)] for key, _ in parts]
    if len(set(groups)) < 2:
        return None
    tables = [RiskTable.from_frame(rows) for _, rows in parts]
    test = log_rank(tables, groups=groups, strata=[key[len(by) :] for key, _ in parts], weights=weights)
    result: dict[str, float] = {"chi2": test.chi2, "df": test.df, "p": test.p}
    order = _order(test, by)
    if order is not None:
        result["trend_z"], result["trend_p"] = test.trend(order)
    return result | _by_machine(lives, by, strata, weights, order, test)


def _order(test: LogRank, by: tuple[str, ...]) -> Floats | None:
    """The groups' places in their order; those of unknown place stand in its middle and say nothing."""
    if len(by) != 1 or by[0] not in ORDERED:
        return None
    values = [None if one[0] == UNKNOWN else float(one[0]) for one in test.groups]  # type: ignore[index]
    known = [value for value in values if value is not None]
    if len(known) < 3:
        return None
    middle = float(np.mean(known))
    return np.array([middle if value is None else value for value in values]) - middle


def _by_machine(
    lives: ComponentLives,
    by: tuple[str, ...],
    strata: tuple[str, ...],
    weights: Weighting,
    order: Floats | None,
    test: LogRank,
) -> dict[str, float]:
    if lives.believed is None:
        return {}
    rows = lives.believed.ordered
    said = rows.select(pl.col(column).cast(pl.String).fill_null(UNKNOWN) for column in by).rows()
    place = {name: number for number, name in enumerate(test.groups)}
    group = np.array([place[name] for name in said], dtype=np.int64)
    stratum = numbered(rows.select(strata).rows()) if strata else None
    watched = lives.believed.lives()
    found: dict[str, float] = {}
    for name, along in (("", None), ("trend_", order)):
        robust = log_rank_by_machine(watched, group, stratum, weights, along)
        if robust is not None and (along is not None or not name):
            found |= {f"{name}chi2_by_machine": robust.chi2, f"{name}p_by_machine": robust.p}
    return found
