"""The figures of a family learnt from all cases of a fleet, and held to the parts that were found failed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl

from fleetlog.belief.case_records import Observations
from fleetlog.belief.family_arrays import Layout
from fleetlog.session.fleet import selection
from fleetlog.session.scope import WHOLE_FLEET
from fleetlog.stats.arrays import Floats, Ints
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

#: How much more a family's figures weigh, try by try, where what was learnt foretells the parts found failed worse than
#: they do; and how many such parts there must be to say so. Ours.
STEADY, LEAST_WITNESSES = (1.0, 8.0, 64.0), 8


def held_to_findings(layout: Layout, observations: Observations, exposure: Exposure) -> CauseFit | None:
    """The figures learnt from all cases, so far as they foretell the parts found failed no worse than the family's own.

    Most cases are only probable, and learning from them can swap one cause for another. A part that was taken out and
    found failed is a witness: the learnt figures are asked for its cause without being told of the finding. Where they
    foretell these worse than the family's own do, beyond chance, the family's figures are given more weight, and in the
    end are used as they are (None). Without witnesses nothing holds the learning to the truth, and it weighs less.
    """
    witness, cause = _witnesses(layout, observations)
    asked = _without_findings(observations)
    own = _foretold(layout.defaults.model, asked)[witness, cause]
    few = witness.size < LEAST_WITNESSES
    for weight in STEADY[few:]:
        fit = fit_causes(observations.cases, exposure, layout.defaults.weighing(weight))
        if few:
            return fit
        worse = own - _foretold(fit.model, asked)[witness, cause]
        if worse.mean() <= 2.0 * float(worse.std()) / np.sqrt(worse.size):
            return fit
    return None


def _witnesses(layout: Layout, observations: Observations) -> tuple[Ints, Ints]:
    """Cases in which a part was taken out and found failed: their rows and causes."""
    parts = [
        step.name
        for step in layout.family.steps
        if step.kind == "cure" and step.action not in ("adjust", "calibrate")
    ]
    found = observations.pieces.filter(
        pl.col("label") != "", pl.col("position") == 0, pl.col("evidence").is_in(parts)
    ).unique("case_id", keep="last", maintain_order=True)
    causes = [layout.causes.index(name) for name in found["label"]]
    return found["case_id"].to_numpy().astype(np.int64), np.array(causes, dtype=np.int64)


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


def _foretold(model: CauseModel, cases: Cases) -> Floats:
    """Logarithm of the probability of each cause, shape (N, K)."""
    likelihood = np.concatenate((piece_likelihood(model, cases), follow_ups(model, cases).gain))
    owner = np.concatenate((cases.piece_case, cases.visit_case))
    order = np.argsort(owner, kind="stable")
    judged = posterior(log_prior(model, cases), likelihood[order], owner[order])
    return np.log(np.maximum(judged.probability, 1e-6))


def exposure_of(store: Store, layout: Layout) -> Exposure:
    """The hours over which each cause could have set in, by the age of its part."""
    hours = store.run("cases/exposure", fault=layout.family.name, **selection(WHOLE_FLEET))
    hazards, ages, nets = [], [], []
    for k, cause in enumerate(layout.family.causes):
        followed = cause.component if layout.family.part(cause.component) else ""
        own = hours.filter(pl.col("component") == followed)
        hazards.append(layout.hazards(k, own["variant"]))
        ages.append(own["age_hours"].to_numpy().astype(np.float64))
        nets.append(own["net"].to_numpy().astype(np.float64))
    return Exposure(np.concatenate(hazards), np.concatenate(ages), np.concatenate(nets))
