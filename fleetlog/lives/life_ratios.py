"""By what factor does each property stretch a part's life? Life regressions beside the ratios of hazards."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, NamedTuple, get_args

import numpy as np
import polars as pl

from fleetlog.lives.counting import Stretches
from fleetlog.lives.cox_by_machine import summed_by_machine
from fleetlog.lives.splits import UNKNOWN
from fleetlog.stats.accelerated import AcceleratedFit, Distribution, fit_accelerated
from fleetlog.stats.arrays import TICKS_PER_HOUR
from fleetlog.stats.by_machine import numbered
from fleetlog.stats.concordance import Concordance, pair_counts
from fleetlog.stats.cox import few_machines
from fleetlog.stats.cox_cells import CoxCells, design
from fleetlog.stats.errors import DidNotConverge
from fleetlog.stats.laws import chi2_above, normal_above
from fleetlog.stats.log_rank import quadratic_form


class FittedRatios(NamedTuple):
    """A fitted regression as `drivers` tells it.

    Attributes:
        ratios: one row an estimated level: name, term, level, the ratio, lower, upper, p, coefficient, std_error,
            robust_std_error.
        terms: one row a factor: term, chi2, df, p, and its test of ages where there is one.
        model: spells, failures, machines and what else `DriversFinding` says of its model.
        concordance: how well it orders failures.
        note: what a reader must be told, or "".
    """

    ratios: pl.DataFrame
    terms: pl.DataFrame
    model: dict[str, Any]
    concordance: Concordance
    note: str = ""


def recorded_stretches(lives: pl.DataFrame, columns: tuple[str, ...]) -> Stretches:
    """Lives as the books have them, each of which counts whole.

    Args:
        lives: as `observed_lives` gives them.
        columns: whose values stand in words.
    """
    ticks = {"entry": "entry_hours", "watched_from": "entry_hours", "hours": "exit_hours"}
    return Stretches(
        lives.select(
            *(pl.col(one).cast(pl.String).fill_null(UNKNOWN) for one in columns),
            *(
                (pl.col(name) * TICKS_PER_HOUR).round().cast(pl.Int64).alias(tick)
                for tick, name in ticks.items()
            ),
            of_machine="machine_id",
            of_side="side",
            of_fit="fit",
            failed=pl.col("failed").cast(pl.Int64),
            weight=pl.lit(1.0),
        )
    )


def fit_life_ratios(
    stretches: Stretches, factors: tuple[str, ...], reference: Mapping[str, str], *, level: float
) -> FittedRatios:
    """The life regression of the law that fits best by Akaike's criterion, its errors robust by machine.

    Args:
        stretches: split by factors, their values as text; each level has a failure.
        factors: columns that explain the life.
        reference: factor -> the level that the others are compared with.
        level: confidence level.

    Raises:
        StatsError: in one of its named kinds, when the lives cannot carry the model.
    """
    rows = stretches.ordered
    x, names, terms = design(rows, factors, reference)
    machine = numbered(rows["of_machine"].to_list())
    fits: list[tuple[float, AcceleratedFit]] = []
    failed_to = None
    for law in get_args(Distribution):
        try:
            fit = fit_accelerated(
                rows["hours"].to_numpy() / TICKS_PER_HOUR,
                rows["failed"].to_numpy(),
                x,
                names=names,
                entry_hours=rows["entry"].to_numpy() / TICKS_PER_HOUR,
                weights=rows["weight"].to_numpy(),
                distribution=law,
                machine=machine,
                level=level,
            )
        except DidNotConverge as error:
            failed_to = error
            continue
        fits.append((2.0 * (len(fit.covariance) - fit.log_likelihood), fit))
    if not fits:
        assert failed_to is not None
        raise failed_to
    fits.sort(key=lambda one: one[0])
    return _told(stretches, factors, reference, terms, fits, level)


def _told(
    stretches: Stretches,
    factors: tuple[str, ...],
    reference: Mapping[str, str],
    terms: tuple[str, ...],
    fits: list[tuple[float, AcceleratedFit]],
    level: float,
) -> FittedRatios:
    best = fits[0][1]
    assert best.robust_covariance is not None
    coefficients = best.coefficients[1:]
    robust = best.std_errors[1:]
    ratios = pl.DataFrame(
        {
            "name": best.names[1:],
            "term": terms,
            "life_ratio": np.exp(coefficients),
            "lower": np.exp(best.lower[1:]),
            "upper": np.exp(best.upper[1:]),
            "p": 2.0 * normal_above(np.abs(coefficients / robust)),
            "coefficient": coefficients,
            "std_error": np.sqrt(np.diag(best.covariance))[1 : coefficients.size + 1],
            "robust_std_error": robust,
        }
    ).with_columns(level=pl.col("name").str.slice(pl.col("term").str.len_chars() + 1))
    tests = []
    for term in dict.fromkeys(terms):
        own = np.flatnonzero(np.array(terms) == term)
        chi2, df = quadratic_form(coefficients[own], best.robust_covariance[np.ix_(own + 1, own + 1)])
        tests.append({"term": term, "chi2": chi2, "df": df, "p": chi2_above(chi2, df)})
    counted = stretches.counts(factors)
    cells = CoxCells.from_frame(counted, factors, reference=reference)
    ordered = pair_counts(cells, -cells.x @ coefficients)
    sums = summed_by_machine(
        stretches, counted, factors, cells, ordered.leave[:, None], ordered.fail[:, None]
    )
    rows = stretches.rows
    model = {
        "spells": rows.select("of_machine", "of_side", "of_fit").n_unique(),
        "failures": float((rows["weight"] * rows["failed"]).sum()),
        "machines": rows["of_machine"].n_unique(),
        "distribution": best.distribution,
        "spread": best.scale,
        "log_likelihood": best.log_likelihood,
        "likelihood_ratio": {"chi2": best.chi2, "df": best.df, "p": best.p},
        "laws": [{"distribution": fit.distribution, "aic": aic} for aic, fit in fits],
    }
    return FittedRatios(
        ratios.select("name", "term", "level", pl.exclude("name", "term", "level")),
        pl.DataFrame(tests),
        model,
        ordered.by_machine(sums[:, 0], level=level),
        few_machines(rows["of_machine"].n_unique()) or "",
    )
