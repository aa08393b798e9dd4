"""The sides of the fleet as they are today, whether or not they have a case, and which of them to watch."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import polars as pl

from fleetlog.causes.case import Reason, Suspect
from fleetlog.causes.rules import WatchRules
from fleetlog.causes.weighing import WeighedCases
from fleetlog.faults import FaultFamily
from fleetlog.history import History
from fleetlog.session.fleet import Fleet, selection
from fleetlog.session.scope import Scope
from fleetlog.stats.arrays import Floats, Ints
from fleetlog.stats.posterior import posterior


@dataclass(frozen=True, eq=False)
class WatchedSides:
    """The sides of the fleet as they stand today, whether or not they have a case.

    Attributes:
        sides: one row a machine and side, from sql/cases/standing.sql.
        hours, variants: age and variant of each cause's part.
        hazard: which hazard each is at, shape (sides, causes).
    """

    as_of: date
    family: FaultFamily
    rules: WatchRules
    sides: pl.DataFrame
    hours: Floats
    variants: tuple[pl.Series, ...]
    hazard: Ints

    @staticmethod
    def of(
        fleet: Fleet, history: History, weighed: WeighedCases, scope: Scope, rules: WatchRules
    ) -> WatchedSides:
        """The sides of this part of the fleet that are in sight at the end of the history."""
        family = weighed.layout.family
        parts = fleet.store.run(
            "cases/standing", fault=family.name, as_of_end=history.as_of_end, **selection(scope)
        )
        sides = parts.drop("component", "variant", "age_tenths").unique(["machine_id", "side"], keep="first")
        sides = sides.sort("machine_id", "side").with_row_index("row")
        ages, variants = [], []
        for cause in family.causes:
            followed = parts if family.part(cause.component) else parts.clear()
            own = followed.filter(pl.col("component") == cause.component).unique(["machine_id", "side"])
            joined = sides.join(
                own.select("machine_id", "side", "variant", "age_tenths"),
                on=["machine_id", "side"],
                how="left",
                maintain_order="left",
            )
            hours = joined.select(pl.coalesce("age_tenths", "machine_tenths") / 10)["age_tenths"]
            ages.append(hours.to_numpy().astype(np.float64))
            variants.append(joined["variant"].fill_null(""))
        return WatchedSides(
            as_of=history.as_of,
            family=family,
            rules=rules,
            sides=sides,
            hours=np.column_stack(ages),
            variants=tuple(variants),
            hazard=np.column_stack([weighed.layout.hazards(k, variants[k]) for k in range(len(variants))]),
        )

    def chance_within(self, weighed: WeighedCases, hours: float) -> Floats:
        """Chance that each cause sets in within so many running hours, shape (sides, causes)."""
        shape, scale = weighed.model.shape[self.hazard], weighed.model.scale_hours[self.hazard]
        now, then = self.hours / scale, (self.hours + hours) / scale
        chance: Floats = -np.expm1(now**shape - then**shape)
        return chance

    def place(self, machine: str, side: str) -> int | None:
        """The row of a machine's side, if it is still watched."""
        rows_found = self.sides.filter((pl.col("machine_id") == machine) & (pl.col("side") == side))
        return int(rows_found["row"][0]) if rows_found.height else None

    def watch_list(self, weighed: WeighedCases) -> tuple[list[Suspect], int]:
        """Sides without a case under way that show a wandering voltage or more and more episodes.

        Returns:
            The most urgent of them, and how many there are.
        """
        family, rules = self.family, self.rules
        voltage = family.voltage
        wanders = (
            ((pl.col("readings") >= rules.readings) & (pl.col("high") - pl.col("low") > voltage.wander))
            if voltage
            else pl.lit(False)
        )
        signs = self.sides.select(
            free=~pl.col("under_way"),
            wanders=pl.when(wanders).then(True).otherwise(False),
            rises=(pl.col("recent_episodes") >= rules.episodes)
            & (pl.col("recent_episodes") > 2 * pl.col("earlier_episodes")),
        )
        drifting, rising = signs["wanders"].to_numpy(), signs["rises"].to_numpy()
        rows = np.flatnonzero(signs["free"].to_numpy() & (drifting | rising))
        total = rows.size
        recent = self.sides["recent_episodes"].fill_null(0).to_numpy()
        rows = rows[np.lexsort((rows, -recent[rows], ~drifting[rows]))][: rules.most]
        log_age = np.log(np.maximum(self.hours[rows], 1.0))
        prior = weighed.model.log_hazard(self.hazard[rows], log_age)
        seen = np.flatnonzero(drifting[rows])
        table = weighed.layout.tables.get("voltage")
        pieces = np.zeros((seen.size, prior.shape[1]))
        if table is not None and voltage is not None:
            evidence = family.evidence_table("voltage")
            assert evidence is not None
            pieces += weighed.model.log_outcome[table, evidence.outcomes.index("wanders")]
        judged = posterior(prior, pieces, seen)
        listed = []
        for j, i in enumerate(rows):
            row = self.sides.row(int(i), named=True)
            reasons = [Reason(self._stated(int(i)), float(judged.prior_weight[j]))]
            likeliest = family.causes[int(judged.top[j])]
            title = likeliest.title[:1].lower() + likeliest.title[1:]
            sure = float(judged.probability[j, int(judged.top[j])])
            notes = [
                f"No fault is on record now; if one came, it would most likely be: {title} ({sure:.0%})."
            ]
            if drifting[i]:
                unit = voltage.unit if voltage else ""
                quantity = voltage.quantity.replace("_", " ") if voltage else "voltage"
                span = f"{row['low']:.2f} to {row['high']:.2f} {unit}"
                text = f"{quantity} wanders from visit to visit ({span})"
                reasons.append(Reason(text, float(judged.weight[np.searchsorted(seen, j)])))
                notes.append(f"{row['readings']} readings of the last year wander.")
            if rising[i]:
                before = f"{row['earlier_episodes']} in the one before"
                notes.append(f"{row['recent_episodes']} episodes in the last year, {before}.")
            tracked = followed_cause(family)
            listed.append(
                Suspect(
                    machine_id=row["machine_id"],
                    side=row["side"],
                    state="watch",
                    since=row["first_reading_at"].date() if drifting[i] else self.as_of,
                    age_hours=float(self.hours[i, tracked]),
                    variant=self.variants[tracked][int(i)] or "unknown",
                    causes={name: float(judged.probability[j, k]) for k, name in enumerate(weighed.causes)},
                    top_cause=weighed.causes[int(judged.top[j])],
                    next_step=f"Watch; at the next service: {first_look(family)}",
                    expected_cost=None,
                    reasons=tuple(reasons),
                    site=row["site"] or "",
                    model=row["model"] or "",
                    build_year=row["build_year"],
                    note=" ".join(notes),
                    cautions=bool(family.cautions),
                )
            )
        return listed, total

    def _stated(self, i: int) -> str:
        part = self.family.causes[0].component.replace("_", " ") or "machine"
        return f"{self.variants[0][i]} {part} with {self.hours[i, 0]:,.0f} h".strip()


def first_look(family: FaultFamily) -> str:
    """What a watched side is looked over by: the measuring step, else the first inspection."""
    looks = [step for step in family.steps if step.kind != "cure"]
    measuring = [step for step in looks if family.evidence_table(step.name) is None]
    title = (measuring or looks or list(family.steps))[0].title
    return title[:1].lower() + title[1:]


def followed_cause(family: FaultFamily) -> int:
    """The first cause whose part's lives are followed: its age is the one shown."""
    for k, cause in enumerate(family.causes):
        if family.part(cause.component):
            return k
    return 0
