"""Weighs the evidence of cases: from what was observed to the probability of each cause.

The weights are the fault family's: hazards by age and variant before any evidence, the shares with which each
cause shows each outcome, and how soon a fault that was not cured comes back.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetlog.faults import FaultFamily, Step
from fleetlog.stats.posterior import Posterior, posterior

CASE = ("machine_id", "side", "case_no")
HELD = "held:"


@dataclass(frozen=True)
class WeighedCases:
    """Cases with the probability of each cause.

    Attributes:
        causes: names, in the order of the columns of `posterior.probability`.
        cases: one row a case, in the order of its rows.
        evidence: one row a piece of evidence with `case_id` and `wording`, in the order of
            `posterior.weight`.
        ages: one row a case: running hours of each cause's part, shape (cases, causes); NaN = not known.
        variants: the variant of each cause's part, "" = not known.
        prior_wording: what is known before any evidence, in words, one text a case.
    """

    causes: tuple[str, ...]
    cases: pl.DataFrame
    evidence: pl.DataFrame
    ages: npt.NDArray[np.float64]
    variants: list[list[str]]
    prior_wording: tuple[str, ...]
    posterior: Posterior


def weigh(
    family: FaultFamily, cases: pl.DataFrame, parts: pl.DataFrame, evidence: pl.DataFrame
) -> WeighedCases:
    """The posterior of every case.

    Args:
        family: whose causes and evidence tables to use.
        cases: the rows of sql/cases/list.sql.
        parts: the rows of sql/cases/parts.sql.
        evidence: the rows of sql/cases/evidence.sql; evidence the family has no table for is left out.
    """
    causes = tuple(cause.name for cause in family.causes)
    ages, variants = _parts_of_causes(family, cases, parts)
    known = cases.select("case_id", *CASE).join(evidence, on=CASE).sort("case_id", "position", "evidence")
    pieces, kept = _likelihoods(family, known, variants)
    known = known.filter(pl.Series(kept, dtype=pl.Boolean))
    log_prior = _log_prior(family, ages, variants)
    judged = posterior(log_prior, pieces[kept], known["case_id"].to_numpy())
    wording = [_wording(family, row) for row in known.iter_rows(named=True)]
    return WeighedCases(
        causes=causes,
        cases=cases,
        evidence=known.with_columns(pl.Series("wording", wording, dtype=pl.String)),
        ages=ages,
        variants=variants,
        prior_wording=tuple(_prior_wording(family, ages[i], variants[i]) for i in range(len(variants))),
        posterior=judged,
    )


def _parts_of_causes(
    family: FaultFamily, cases: pl.DataFrame, parts: pl.DataFrame
) -> tuple[npt.NDArray[np.float64], list[list[str]]]:
    """Age (hours) and variant of each cause's part; the machine's hours where it is not followed."""
    keyed = cases.select("case_id", *CASE, "last_tenths")
    age_columns, variant_columns = [], []
    for cause in family.causes:
        own = parts.filter(pl.col("component") == cause.component).select(*CASE, "variant", "age_tenths")
        joined = keyed.join(own, on=CASE, how="left").sort("case_id")
        age_columns.append(
            joined.select(pl.coalesce("age_tenths", "last_tenths") / 10)["age_tenths"].to_numpy()
        )
        variant_columns.append(joined["variant"].fill_null("").to_list())
    ages = (
        np.column_stack(age_columns).astype(np.float64) if len(cases) else np.empty((0, len(family.causes)))
    )
    return ages, [list(row) for row in zip(*variant_columns, strict=True)]


def _log_prior(
    family: FaultFamily, ages: npt.NDArray[np.float64], variants: list[list[str]]
) -> npt.NDArray[np.float64]:
    """Logarithm of each cause's hazard at its part's age; of its plain weight where no age is known."""
    prior = np.empty(ages.shape)
    for k, cause in enumerate(family.causes):
        for variant in {row[k] for row in variants}:
            rows = np.array([row[k] == variant for row in variants])
            hazard = family.hazard(cause.name, variant)
            age = np.maximum(ages[rows, k], 1.0)
            rate = hazard.shape / hazard.scale_hours * (age / hazard.scale_hours) ** (hazard.shape - 1.0)
            prior[rows, k] = rate
    unknown = np.isnan(ages).any(axis=1)
    for i in np.flatnonzero(unknown):
        prior[i] = [cause.prior_for(variants[i][k]) for k, cause in enumerate(family.causes)]
    return np.log(prior)


def _likelihoods(
    family: FaultFamily, evidence: pl.DataFrame, variants: list[list[str]]
) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.bool_]]:
    """Log-likelihood of each piece under each cause, and which pieces say anything."""
    logs = np.zeros((len(evidence), len(family.causes)))
    kept = np.zeros(len(evidence), dtype=bool)
    owner = evidence["case_id"].to_numpy()
    hours = evidence["tenths"].fill_null(0).to_numpy() / 10
    names = evidence["evidence"].to_numpy()
    outcomes = evidence["outcome"].to_numpy()
    for name, outcome in evidence.select("evidence", "outcome").unique(maintain_order=True).iter_rows():
        rows = np.flatnonzero((names == name) & (outcomes == outcome))
        if name.startswith(HELD):
            step = family.step(name.removeprefix(HELD))
            logs[rows] = _log_held(family, step, hours[rows], outcome == "came_back")
            kept[rows] = True
            continue
        table = family.evidence_table(name)
        word = table.outcome(outcome) if table else ""
        if not table or not word:
            continue
        kept[rows] = True
        for k, cause in enumerate(family.causes):
            for row in rows:
                logs[row, k] = np.log(table.probability(word, cause.name, variants[owner[row]][k]))
    return logs, kept


def _log_held(
    family: FaultFamily, step: Step, hours: npt.NDArray[np.float64], came_back: bool
) -> npt.NDArray[np.float64]:
    """Log-chance, by cause, that a cure was followed so long and the fault then came back, or not."""
    model = family.comeback
    fast, slow = 1.0 / model.mean_hours, 1.0 / model.background_mean_hours
    columns = []
    for cause in family.causes:
        cured = max(step.cures.get(cause.name, 0.0), model.quiet_chance)
        if came_back:
            chance = (1 - cured) * fast * np.exp(-fast * hours) + cured * slow * np.exp(-slow * hours)
        else:
            chance = (1 - cured) * np.exp(-fast * hours) + cured * np.exp(-slow * hours)
        columns.append(np.log(chance))
    return np.column_stack(columns)


def _prior_wording(family: FaultFamily, ages: npt.NDArray[np.float64], variants: list[str]) -> str:
    first = family.causes[0]
    part = first.component.replace("_", " ")
    if np.isnan(ages[0]):
        return f"how common each cause is ({part} of unknown age)"
    variant = f"{variants[0]} " if variants[0] else ""
    return f"{variant}{part} with {ages[0]:,.0f} h"


_VOLTAGE_WORDS = {
    "near_zero_or_supply": "at zero or supply",
    "wanders": "wanders from visit to visit",
    "steady_offset": "steadily off target",
    "normal": "on target",
}


def _wording(family: FaultFamily, row: dict[str, object]) -> str:
    """One piece of evidence in words."""
    name, outcome = str(row["evidence"]), str(row["outcome"])
    if name == "failure_mode":
        return f"codes mostly of failure mode '{outcome}' ({row['count']} of {row['total']})"
    if name == "sides":
        return "both sides at once" if outcome == "both" else "one side only"
    if name == "voltage":
        low, high = row["low"], row["high"]
        assert isinstance(low, float)
        assert isinstance(high, float)
        span = f"{low:.2f} V" if low == high else f"{low:.2f} to {high:.2f} V"
        return f"neutral voltage {_VOLTAGE_WORDS.get(outcome, outcome)} ({span})"
    if name.startswith(HELD):
        tenths = row["tenths"]
        assert isinstance(tenths, int)
        title = _lower_first(family.step(name.removeprefix(HELD)).title)
        if outcome == "came_back":
            return f"back {tenths / 10:,.0f} h after: {title}"
        return f"quiet for {tenths / 10:,.0f} h since: {title}"
    return f"{_lower_first(family.step(name).title)}: {outcome}"


def _lower_first(text: str) -> str:
    return text[:1].lower() + text[1:]
