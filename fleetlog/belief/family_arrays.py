"""A fault family as the arrays of `fleetlog.stats.latent_cause`: which cause, cure, hazard and outcome stands where."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import polars as pl

from fleetlog.faults import FaultFamily
from fleetlog.stats.arrays import Ints
from fleetlog.stats.hidden_repair import ReturnLaw
from fleetlog.stats.latent_cause import CauseModel, Defaults

FOUND = "found"
#: Trials that a family's chance to cure is worth against the fleet's own, findings that its share of wrong ones is,
#: and comebacks that its mean times are. Ours, from memory: as much as a row of the families' evidence tables, some 20
#: counts.
CURE_TRIALS = 20.0
FINDINGS = 20.0
COMEBACKS = 20.0
#: How many of the fleet's cases outweigh one that a family's figures are worth. Its figures speak of cases whose
#: cause is known; most of a fleet's are only probable, and judged by figures that they helped to make. Ours, by
#: invented fleets of 30 to 2,000 machines (tests/benchmarks/bench_causes.py, seeds 1 to 4): 2 to 4 are about equally
#: good, 1 says too much in fleets of 600 and less, 16 loses 7 % to 4 at 600; in fleets by others 4 to 16 are alike.
CAUTION = 4.0


@dataclass(frozen=True, eq=False)
class Layout:
    """Where everything of a family stands in the arrays.

    Attributes:
        causes: names of the causes.
        cures: names of the steps that change something.
        hazard_of: (cause, variant) -> hazard; the variant "" serves every one not named.
        tables: evidence -> row of its outcomes for each cause.
        by_variant: evidence -> (position of a cause, variant, row in place of that of `tables`).
        labels: (step, cause) -> row for each cause of "a finding of the step confirms the cause".
        settling_hours: a fault that shows within so many hours of the first record may have stood before.
    """

    family: FaultFamily
    causes: tuple[str, ...]
    cures: tuple[str, ...]
    hazard_of: Mapping[tuple[str, str], int]
    tables: Mapping[str, Ints]
    by_variant: Mapping[str, tuple[tuple[int, str, int], ...]]
    labels: Mapping[tuple[str, str], Ints]
    settling_hours: float
    defaults: Defaults

    @staticmethod
    def of(family: FaultFamily, returns: ReturnLaw) -> Layout:
        """The arrays of a family's own figures, and of how its faults show again in this fleet.

        Whatever was tried, some faults end at the same time by what nobody wrote down. How often a finding names the
        wrong cause is learnt step by step: some yards write "out of adjustment" of whatever they calibrate.
        """
        causes = tuple(cause.name for cause in family.causes)
        cures = tuple(step.name for step in family.steps if step.kind == "cure")
        rows: list[tuple[float, ...]] = []
        learnt: list[bool] = []

        def row(counts: tuple[float, ...], learn: bool) -> int:
            rows.append(counts)
            learnt.append(learn)
            return len(rows) - 1

        tables, by_variant = {}, {}
        for table in family.evidence:
            tables[table.name] = np.array([row(table.counts[cause], True) for cause in causes])
            by_variant[table.name] = tuple(
                (causes.index(cause), variant, row(counts, True))
                for (cause, variant), counts in table.by_variant.items()
            )
        wrong = family.comeback.mislabelled
        labels = {}
        for step in family.steps:
            for confirmed in dict.fromkeys(step.confirms.values()):
                right = row((FINDINGS * (1.0 - wrong), FINDINGS * wrong), True)
                mistaken = row((FINDINGS * wrong, FINDINGS * (1.0 - wrong)), True)
                labels[step.name, confirmed] = np.array(
                    [right if cause == confirmed else mistaken for cause in causes]
                )
        widest = max(len(counts) for counts in rows)
        counts = np.array([counts + (0.0,) * (widest - len(counts)) for counts in rows])
        hazards = {(hazard.cause, hazard.variant): i for i, hazard in enumerate(family.hazards)}
        chances = np.array([[family.step(s).cures.get(c, 0.0) for c in causes] for s in cures])
        quiet = chances < family.comeback.quiet_chance
        model = CauseModel(
            shape=np.array([hazard.shape for hazard in family.hazards]),
            scale_hours=np.array([hazard.scale_hours for hazard in family.hazards]),
            outcome=counts / counts.sum(axis=1, keepdims=True),
            cure=np.where(
                quiet, 1.0 - (1.0 - family.comeback.quiet_chance) * (1.0 - returns.ended_beyond), chances
            ),
            comeback_hours=returns.standing_hours,
            background_hours=returns.background_hours,
            repeat=family.comeback.repeat_share,
        )
        defaults = Defaults(
            model=model,
            failures=CAUTION * np.array([hazard.prior_failures for hazard in family.hazards]),
            wears=model.shape != 1.0,
            counts=CAUTION * counts,
            learnt=np.array(learnt),
            quiet=quiet,
            trials=CAUTION * CURE_TRIALS,
            comebacks=CAUTION * COMEBACKS,
        )
        settling = returns.settling_hours()
        return Layout(family, causes, cures, hazards, tables, by_variant, labels, settling, defaults)

    @property
    def settling_tenths(self) -> int:
        """The same in tenths of an hour."""
        return round(10 * self.settling_hours)

    def hazards(self, k: int, variants: pl.Series) -> Ints:
        """The hazard of a cause for each of these variants of its part."""
        cause = self.causes[k]
        found = np.full(len(variants), self.hazard_of[cause, ""], dtype=np.int64)
        for (name, variant), position in self.hazard_of.items():
            if name == cause and variant:
                found[(variants == variant).to_numpy()] = position
        return found

    def meaning(self, evidence: str, outcome: str, cause: str | None) -> tuple[str, str, int] | None:
        """What an observation is in the arrays: a table or label, and the position of the outcome."""
        table = self.family.evidence_table(evidence)
        if table and outcome != FOUND:
            word = table.outcome(outcome)
            return (evidence, "", table.outcomes.index(word)) if word else None
        if cause is not None and (evidence, cause) in self.labels:
            return evidence, cause, 0
        own = [confirmed for step, confirmed in self.labels if step == evidence]
        return (evidence, own[0], 1) if outcome == "passed" and own else None
