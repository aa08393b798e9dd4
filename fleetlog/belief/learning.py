"""The figures of a family learnt from all cases of a fleet, held to what was found of parts taken out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import polars as pl

from fleetlog.belief.case_records import Observations
from fleetlog.belief.family_arrays import Layout
from fleetlog.session.fleet import selection
from fleetlog.session.scope import WHOLE_FLEET
from fleetlog.stats.arrays import Floats, Ints
from fleetlog.stats.evidence_power import evidence_power
from fleetlog.stats.latent_cause import (
    Cases,
    CauseFit,
    CauseModel,
    Exposure,
    fit_causes,
    follow_ups,
    log_prior,
    piece_likelihood,
)
from fleetlog.stats.posterior import posterior
from fleetlog.store import Store

#: Power of the evidence before any case, and its standard deviation. Ours, by eighteen invented fleets of other hands,
#: in which 0.5 to 0.6 was best, and by our own, in which 1 was.
POWER, POWER_SPREAD = 0.95, 0.15
#: How much more a family's figures weigh where what was learnt foretells the findings worse than they do; and how many
#: findings there must be to say so. Ours.
STEADY, LEAST_WITNESSES = 8.0, 8


@dataclass(frozen=True, eq=False)
class _Witnesses:
    """Parts that were taken out and found failed: the case, the cause found, and the rows of the finding, shape (W,).

    Attributes:
        right, mistaken: row of outcomes of the finding where its cause is the true one, and where another is.
    """

    case: Ints
    cause: Ints
    right: Ints
    mistaken: Ints

    @staticmethod
    def of(layout: Layout, observations: Observations) -> _Witnesses:
        parts = [
            step.name
            for step in layout.family.steps
            if step.kind == "cure" and step.action not in ("adjust", "calibrate")
        ]
        found = observations.pieces.filter(
            pl.col("label") != "", pl.col("position") == 0, pl.col("evidence").is_in(parts)
        ).unique("case_id", keep="last", maintain_order=True)
        cause = np.array([layout.causes.index(name) for name in found["label"]], dtype=np.int64)
        rows = [layout.labels[which] for which in found.select("evidence", "label").iter_rows()]
        return _Witnesses(
            case=found["case_id"].to_numpy().astype(np.int64),
            cause=cause,
            right=np.array([row[k] for row, k in zip(rows, cause, strict=True)], dtype=np.int64),
            mistaken=np.array([row[k - 1] for row, k in zip(rows, cause, strict=True)], dtype=np.int64),
        )

    def foretold(self, chance: Floats, model: CauseModel) -> Floats:
        """Log-chance of each finding where the causes have these chances, findings being as wrong as the model says."""
        own = chance[self.case, self.cause]
        found = model.outcome[:, 0]
        logs: Floats = np.log(own * found[self.right] + (1.0 - own) * found[self.mistaken])
        return logs


def learnt(layout: Layout, observations: Observations, exposure: Exposure) -> CauseFit:
    """The figures learnt from all cases; with more weight on the family's own where these foretell findings better.

    Most cases are only probable, and learning from them can swap one cause for another. A part that was taken out and
    found failed is a witness, as good as such findings are in this fleet: the learnt figures are asked for it without
    being told of it. Where they foretell these findings worse than the family's own, beyond chance, or where there are
    too few to hold the learning to, the family's figures are given more weight.
    """
    observations = replace(observations, cases=_begun_in_sight(observations))
    witnesses = _Witnesses.of(layout, observations)
    steady = layout.defaults.weighing(STEADY)
    if witnesses.case.size < LEAST_WITNESSES:
        return fit_causes(observations.cases, exposure, steady)
    fit = fit_causes(observations.cases, exposure, layout.defaults)
    asked = _without_findings(observations)
    own, now = (_chances(model, asked) for model in (layout.defaults.model, fit.model))
    worse = witnesses.foretold(own, fit.model) - witnesses.foretold(now, fit.model)
    if worse.mean() <= 2.0 * float(worse.std()) / np.sqrt(worse.size):
        return fit
    return fit_causes(observations.cases, exposure, steady)


def _begun_in_sight(observations: Observations) -> Cases:
    """The cases, without an age where the fault may have stood before the records began: it set in at none of the ages
    that were watched, so it is no failure of theirs. What its evidence tells of causes counts all the same.
    """
    before = observations.rows["may_predate"].to_numpy()
    ages = np.where(before[:, None], np.nan, observations.cases.age_hours)
    return replace(observations.cases, age_hours=ages)


def _without_findings(observations: Observations) -> Cases:
    """The cases with everything that is on record but the findings that confirm a cause."""
    cases = observations.cases
    kept = (observations.pieces["label"] == "").to_numpy()
    return replace(
        cases,
        piece_case=cases.piece_case[kept],
        piece_row=cases.piece_row[kept],
        piece_outcome=cases.piece_outcome[kept],
        piece_weight=cases.piece_weight[kept],
    )


def _chances(model: CauseModel, cases: Cases) -> Floats:
    """Probability of each cause, shape (N, K)."""
    likelihood = np.concatenate((piece_likelihood(model, cases), follow_ups(model, cases).gain))
    owner = np.concatenate((cases.piece_case, cases.visit_case))
    order = np.argsort(owner, kind="stable")
    return posterior(log_prior(model, cases), likelihood[order], owner[order]).probability


def power_of(model: CauseModel, observations: Observations) -> float:
    """How much of its face value a piece of evidence is worth in this fleet: see `fleetlog.stats.evidence_power`."""
    owner, likelihood, _ = observations.in_order(model)
    cases = observations.cases
    prior = log_prior(model, cases)
    return evidence_power(prior, likelihood, owner, cases.weight, default=POWER, spread=POWER_SPREAD)


def exposure_of(store: Store, layout: Layout) -> Exposure:
    """The hours over which each cause could have set in, by the age of its part."""
    hours = store.run(
        "cases/exposure",
        fault=layout.family.name,
        settling=layout.settling_tenths,
        **selection(WHOLE_FLEET),
    )
    hazards, ages, nets = [], [], []
    for k, cause in enumerate(layout.family.causes):
        followed = cause.component if layout.family.part(cause.component) else ""
        own = hours.filter(pl.col("component") == followed)
        hazards.append(layout.hazards(k, own["variant"]))
        ages.append(own["age_hours"].to_numpy().astype(np.float64))
        nets.append(own["net"].to_numpy().astype(np.float64))
    return Exposure(np.concatenate(hazards), np.concatenate(ages), np.concatenate(nets))
