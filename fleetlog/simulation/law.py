"""The law of nature of an invented fleet as arrays: hazards, what inspections show, what cures end."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from fleetlog.faults import Evidence, FaultFamily, Step
from fleetlog.faults.failure_modes import MODES
from fleetlog.simulation.arrays import Floats, Ints, days_since_epoch
from fleetlog.simulation.options import Disorder, FleetPlan


@dataclass(frozen=True, eq=False)
class Inspection:
    """An inspection: what it shows under each cause (rows), and whether it measures the voltage."""

    step: Step
    chance: Floats
    outcomes: tuple[str, ...]
    voltage: bool


@dataclass(frozen=True, eq=False)
class Cure:
    """A cure: its chance by cause, and what it leaves on record.

    Attributes:
        step: of the family.
        chance: that it ends the fault, by cause.
        passes: chance by cause that its own test passes, for an adjustment with a table; else None.
        confirms: chance by cause that what was taken out is found to be the trouble, else None.
        finding: the word for it.
        need: the look (position) that must have shown trouble first, or -1.
        renews, renews_both: positions of the causes whose part is new afterwards, on this side or on both.
    """

    step: Step
    chance: Floats
    passes: Floats | None
    confirms: Floats | None
    finding: str
    need: int
    renews: tuple[int, ...]
    renews_both: tuple[int, ...]


@dataclass(frozen=True, eq=False)
class World:
    """The law of nature, the fleet's plan and the calendar.

    Attributes:
        law, disorder, plan: as asked for.
        causes: of the law, by position.
        shape, scale: of each hazard of the law.
        general: the hazard of each cause where no variant is known.
        modes, mode_fmi: chances of each failure mode by cause, and the FMI of each.
        both: chance by cause that it takes the other side too.
        voltage: chances of each pattern of the voltage by cause, or None.
        looks, cures: what a shop can do.
        begin_day, end_day: days since 1970 between which records are kept.
        reading_days: days between two meter readings.
    """

    law: FaultFamily
    disorder: Disorder
    plan: FleetPlan
    causes: tuple[str, ...]
    shape: Floats
    scale: Floats
    general: Ints
    modes: Floats
    mode_fmi: Ints
    both: Floats
    voltage: Floats | None
    looks: tuple[Inspection, ...]
    cures: tuple[Cure, ...]
    begin_day: float
    end_day: float
    reading_days: float

    @staticmethod
    def of(
        law: FaultFamily, disorder: Disorder, plan: FleetPlan, years: float, until: date, reading_days: float
    ) -> World:
        """The world by a law, until the end of a day."""
        causes = tuple(cause.name for cause in law.causes)
        rows = {(hazard.cause, hazard.variant): i for i, hazard in enumerate(law.hazards)}
        modes, sides = law.evidence_table("failure_mode"), law.evidence_table("sides")
        looks = tuple(_look(law, step) for step in law.steps if step.kind != "cure" and not step.deeper_than)
        share = _chances(sides, causes)[:, sides.outcomes.index("both")] if sides else np.zeros(len(causes))
        end_day = float(days_since_epoch(until) + 1)
        return World(
            law=law,
            disorder=disorder,
            plan=plan,
            causes=causes,
            shape=np.array([hazard.shape for hazard in law.hazards]),
            scale=np.array([hazard.scale_hours for hazard in law.hazards]),
            general=np.array([rows[cause, ""] for cause in causes]),
            modes=_chances(modes, causes) if modes else np.ones((len(causes), 1)),
            mode_fmi=_fmi_of(modes),
            # Of cases with one of their own on the other side, half were there first.
            both=share / (2.0 - share),
            voltage=_patterns(law.evidence_table("voltage"), causes),
            looks=looks,
            cures=tuple(_cure(law, step, looks, causes) for step in law.steps if step.kind == "cure"),
            begin_day=end_day - years * 365.25,
            end_day=end_day,
            reading_days=reading_days,
        )

    def hazard_built(self, k: int, built: Floats, make: Ints, serial: Sequence[str]) -> Ints:
        """The hazard of a cause in machines of these makes whose pumps were built on these days."""
        rows = np.full(built.size, self.general[k], dtype=np.int64)
        part = self.law.part(self.law.causes[k].component)
        changes = [change for change in self.plan.changes if part and change.component == part.component]
        if part and part.known_variants and changes:
            rows[:] = self.hazard_row(k, part.known_variants[0])
        makes = np.array([one.name for one in self.plan.makes] or [""])[make]
        for change in changes:
            fits = np.isin(makes, change.make) | (not change.make)
            if change.built_from is not None:
                fits &= built >= days_since_epoch(change.built_from)
            if change.built_to is not None:
                fits &= built < days_since_epoch(change.built_to) + 1
            if change.serial_from:
                fits &= np.array([text >= change.serial_from for text in serial])
            if change.serial_to:
                fits &= np.array([text <= change.serial_to for text in serial])
            rows[fits] = self.hazard_row(k, change.variant)
        return rows

    def hazard_row(self, k: int, variant: str) -> int:
        """The hazard of a cause for a variant of its part."""
        for i, hazard in enumerate(self.law.hazards):
            if hazard.cause == self.causes[k] and hazard.variant == variant:
                return i
        return int(self.general[k])

    def service_variant(self, k: int) -> str:
        """The variant of a part that was replaced, "" where it is not followed or not known."""
        part = self.law.part(self.law.causes[k].component)
        return part.service_variant if part else ""


def another_law(family: FaultFamily, seed: int, spread: float = 0.3) -> FaultFamily:
    """A family like this one with other true figures, as far off as the family's own pseudo-counts allow.

    Args:
        family: whose defaults are the middle.
        seed: of the draw.
        spread: standard deviation of the logarithm of hazards and of the mean comeback time.
    """
    rng = np.random.default_rng(seed)
    hazards = tuple(
        replace(
            hazard,
            scale_hours=hazard.scale_hours * float(np.exp(rng.normal(0, spread))),
            shape=hazard.shape if hazard.shape == 1.0 else hazard.shape * float(np.exp(rng.normal(0, 0.12))),
        )
        for hazard in family.hazards
    )
    evidence = tuple(
        replace(
            table,
            counts={cause: _drawn(rng, counts) for cause, counts in table.counts.items()},
            by_variant={key: _drawn(rng, counts) for key, counts in table.by_variant.items()},
        )
        for table in family.evidence
    )
    steps = tuple(
        replace(
            step,
            cures={
                cause: float(rng.beta(20 * p + 0.5, 20 * (1 - p) + 0.5)) for cause, p in step.cures.items()
            },
        )
        for step in family.steps
    )
    comeback = replace(
        family.comeback, mean_hours=family.comeback.mean_hours * float(np.exp(rng.normal(0, spread)))
    )
    return replace(family, hazards=hazards, evidence=evidence, steps=steps, comeback=comeback)


def _drawn(rng: np.random.Generator, counts: tuple[float, ...]) -> tuple[float, ...]:
    shares = rng.dirichlet(np.asarray(counts)) + 1e-3
    return tuple(float(share) for share in shares / shares.sum() * sum(counts))


def _chances(table: Evidence, causes: Sequence[str]) -> Floats:
    return np.array([[table.probability(outcome, cause) for outcome in table.outcomes] for cause in causes])


def _patterns(table: Evidence | None, causes: Sequence[str]) -> Floats | None:
    """Chances of the patterns that two readings can show."""
    if table is None:
        return None
    chance = _chances(table, causes)
    if "cannot_be_centred" in table.outcomes:
        chance[:, table.outcomes.index("cannot_be_centred")] = 0.0
        chance /= chance.sum(axis=1, keepdims=True)
    return chance


def _fmi_of(table: Evidence | None) -> Ints:
    """A failure mode for each outcome; `other` takes one that no outcome names."""
    if table is None:
        return np.array([31])
    by_group = {mode.group: mode.fmi for mode in reversed(MODES)}
    rest = [fmi for group, fmi in by_group.items() if group not in table.outcomes]
    return np.array([by_group.get(outcome, rest[0] if rest else 31) for outcome in table.outcomes])


def _look(law: FaultFamily, step: Step) -> Inspection:
    causes = [cause.name for cause in law.causes]
    table = law.evidence_table(step.name)
    if table is None:
        measures = law.voltage is not None and law.evidence_table("voltage") is not None
        return Inspection(step, np.ones((len(causes), 1)), ("",), measures)
    return Inspection(step, _chances(table, causes), table.outcomes, False)


def _cure(law: FaultFamily, step: Step, looks: tuple[Inspection, ...], causes: tuple[str, ...]) -> Cure:
    quiet, wrong = law.comeback.quiet_chance, law.comeback.mislabelled
    table = law.evidence_table(step.name)
    adjusts = step.action in ("adjust", "calibrate")
    passes = confirms = None
    if table is not None and "passed" in table.outcomes:
        passed = _chances(table, causes)[:, table.outcomes.index("passed")]
        passes, confirms = (passed, None) if adjusts else (None, 1.0 - passed)
    elif step.confirms and not adjusts:
        own = set(step.confirms.values())
        confirms = np.array([1.0 - wrong if cause in own else wrong for cause in causes])
    names = [look.step.name for look in looks]
    renewed: list[int] = []
    inside: list[int] = []
    for k, cause in enumerate(law.causes if step.action in ("replace", "overhaul") else ()):
        part = law.part(cause.component)
        if part is not None and cause.component == step.component:
            renewed.append(k)
        if part is not None and part.part_of == step.component:
            inside.append(k)
    return Cure(
        step=step,
        chance=np.array([max(step.cures.get(cause, 0.0), quiet) for cause in causes]),
        passes=passes,
        confirms=confirms,
        finding=next(iter(step.confirms), ""),
        need=names.index(step.after) if step.after and step.after_result else -1,
        renews=tuple(renewed),
        renews_both=tuple(inside),
    )
