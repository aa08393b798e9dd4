"""What the figures of a family are learnt from, and how much of its face value evidence is worth in a fleet."""

from __future__ import annotations

import numpy as np
import polars as pl

from fleetlog.belief.case_records import Observations
from fleetlog.belief.family_arrays import Layout
from fleetlog.session.fleet import selection
from fleetlog.session.scope import WHOLE_FLEET
from fleetlog.stats.evidence_power import evidence_power
from fleetlog.stats.latent_cause import CauseModel, Exposure, log_prior
from fleetlog.store import Store

#: Power of the evidence before any case, and its standard deviation. Ours, by eighteen invented fleets of other hands,
#: in which 0.6 was best on the whole, and by our own, in which 1 was.
POWER, POWER_SPREAD = 0.85, 0.15


def power_of(model: CauseModel, observations: Observations) -> float:
    """How much of its face value a piece of evidence is worth in this fleet: see `fleetlog.stats.evidence_power`."""
    owner, likelihood, _ = observations.in_order(model)
    cases = observations.cases
    prior = log_prior(model, cases)
    return evidence_power(prior, likelihood, owner, cases.weight, default=POWER, spread=POWER_SPREAD)


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
