"""The sides of the fleet as they are today, whether or not they have a case, and which of them to watch."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from datetime import date

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetlog.belief.evidence_words import voltage_words
from fleetlog.belief.reason import Reason
from fleetlog.belief.weighing import WeighedCases
from fleetlog.causes.case import Suspect
from fleetlog.causes.holds import register_hold_words
from fleetlog.causes.rules import WatchRules
from fleetlog.faults import FaultFamily, Step
from fleetlog.history import History
from fleetlog.session.fleet import Fleet, selection
from fleetlog.session.scope import Scope
from fleetlog.stats.arrays import Floats, Ints
from fleetlog.stats.early_signs import SignOdds, sign_odds
from fleetlog.stats.posterior import posterior

POINT = ["machine_id", "side", "tenths", "is_now"]


#: Signs are looked for over so many times the hours that are looked ahead. Ours, from memory.
LOOK_BACK = 2.0
#: Stretches from which the worth of signs is learnt, of all sides together: of a large fleet the latest. Ours.
MOST_STRETCHES = 200_000
#: A machine sends codes often from so many times the fleet's mean number on. Ours, from memory.
OFTEN = 2.0

SIGNS: dict[str, tuple[str, pl.Expr]] = {
    "voltage": ("the measured voltage off its target, or wandering", pl.col("off")),
    "words": ("words of orders that tell of the danger", pl.col("words") > 0),
    "unsided": ("reports of the fault that tell no side", pl.col("unsided") > 0),
    "codes": (
        "codes of any kind at more than twice the fleet's rate",
        pl.col("codes") > OFTEN * pl.col("codes").filter(~pl.col("is_now")).mean(),
    ),
}
"""What may announce a case: in words, and where a row of sql/cases/signs.sql shows it."""


@dataclass(frozen=True, eq=False)
class WatchedSides:
    """The sides of the fleet as they stand today, whether or not they have a case.

    Attributes:
        sides: one row a machine and side, from sql/cases/standing.sql and signs.sql.
        hours, variants: age and variant of each cause's part.
        hazard: which hazard each is at, shape (sides, causes).
        ahead_hours: running hours that are looked ahead over: the family's confirmation window.
        signs: which of SIGNS each side shows, shape (sides, signs).
        learnt: what each sign is worth, from the stretches of the whole fleet that have gone by.
    """

    as_of: date
    family: FaultFamily
    rules: WatchRules
    sides: pl.DataFrame
    hours: Floats
    variants: tuple[pl.Series, ...]
    hazard: Ints
    ahead_hours: float
    signs: npt.NDArray[np.bool_]
    learnt: SignOdds

    @staticmethod
    def of(
        fleet: Fleet, history: History, weighed: WeighedCases, scope: Scope, rules: WatchRules
    ) -> WatchedSides:
        """The sides of this part of the fleet that are in sight at the end of the history."""
        family = weighed.layout.family
        ahead = family.windows.confirmation_hours
        register_hold_words(fleet.store, family)
        exposed = fleet.store.run("cases/side_hours", fault=family.name)
        longest = int(exposed["end_tenths"].max() or 0)  # type: ignore[arg-type]
        step = round(10 * ahead)
        fleet.store.register(
            "landmark", pl.DataFrame({"tenths": range(step, longest + 1, step)}, schema={"tenths": pl.Int64})
        )
        asked = {
            "fault": family.name,
            "as_of_end": history.as_of_end,
            "ahead": step,
            "back": round(LOOK_BACK * step),
            "latest": max(1, MOST_STRETCHES // max(exposed.height, 1)),
            **selection(scope),
        }
        parts = fleet.store.run("cases/standing", **asked)
        rows = parts.drop("component", "variant", "age_tenths").unique(
            POINT, keep="first", maintain_order=True
        )
        shown = fleet.store.run("cases/signs", **asked)
        rows = rows.join(shown, on=POINT, how="left", maintain_order="left").join(
            exposed, on=["machine_id", "side"], how="left", maintain_order="left"
        )
        ages, variants = [], []
        for cause in family.causes:
            followed = parts if family.part(cause.component) else parts.clear()
            own = followed.filter(pl.col("component") == cause.component).unique(POINT)
            joined = rows.select(*POINT).join(
                own.select(*POINT, "variant", "age_tenths"), on=POINT, how="left", maintain_order="left"
            )
            age = joined.select(pl.coalesce("age_tenths", "tenths") / 10)["age_tenths"]
            ages.append(age.to_numpy().astype(np.float64))
            variants.append(joined["variant"].fill_null(""))
        hours = np.column_stack(ages)
        hazard = np.column_stack([weighed.layout.hazards(k, variants[k]) for k in range(len(variants))])
        signs = rows.select(**{name: where for name, (_, where) in SIGNS.items()}).fill_null(False).to_numpy()
        past = (~rows["is_now"] & ~rows["under_way"]).to_numpy()
        learnt = sign_odds(
            signs[past],
            any_of(chance_within(weighed, hazard[past], hours[past], ahead)),
            rows["came"].to_numpy()[past],
            (rows["tenths"] - rows["end_tenths"])
            .to_numpy()[past]
            .astype(np.float64),  # the nearest to today come last
            level=fleet.settings.survival.confidence,
        )
        today = int(rows["is_now"].sum())
        return WatchedSides(
            as_of=history.as_of,
            family=family,
            rules=rules,
            sides=rows[:today].with_row_index("row"),
            hours=hours[:today],
            variants=tuple(each[:today] for each in variants),
            hazard=hazard[:today],
            ahead_hours=ahead,
            signs=signs[:today],
            learnt=learnt,
        )

    def chance_within(self, weighed: WeighedCases, hours: float) -> Floats:
        """Chance that each cause sets in within so many running hours, shape (sides, causes)."""
        return chance_within(weighed, self.hazard, self.hours, hours)

    def place(self, machine: str, side: str) -> int | None:
        """The row of a machine's side, if it is still watched."""
        rows_found = self.sides.filter((pl.col("machine_id") == machine) & (pl.col("side") == side))
        return int(rows_found["row"][0]) if rows_found.height else None

    def watch_list(
        self, weighed: WeighedCases, taken: Collection[tuple[str, str]]
    ) -> tuple[list[Suspect], int]:
        """Sides without a case under way that show a sign which has announced cases in this fleet, or whose
        voltage wanders, which is told as it was measured and raises no chance unless it has.

        Args:
            taken: machines and sides that are listed already, since their fault is likely to stand.

        Returns:
            Those most likely to get a case first, and how many there are.
        """
        family, helps = self.family, self.learnt.helps
        known = [place in taken for place in self.sides.select("machine_id", "side").iter_rows()]
        free = ~(self.sides["under_way"].to_numpy() | np.array(known, dtype=bool))
        rows = np.flatnonzero(free & ((self.signs & helps).any(axis=1) | self._wanders()))
        total = rows.size
        base = any_of(self.chance_within(weighed, self.ahead_hours)[rows])
        chance = self.learnt.chance(base, self.signs[rows])
        without = self.learnt.chance(base, np.zeros_like(self.signs[rows]))
        raised = np.array((self.signs[rows] & helps).any(axis=1))
        order = np.lexsort((rows, -chance, ~raised))[: self.rules.most]
        rows, chance, without, raised = rows[order], chance[order], without[order], raised[order]
        prior = weighed.model.log_hazard(self.hazard[rows], np.log(np.maximum(self.hours[rows], 1.0)))
        seen, pieces, texts = self._voltage(weighed, rows)
        judged = posterior(prior, pieces, seen)
        tracked, look = followed_cause(family), first_look(family)
        listed = []
        for j, i in enumerate(rows):
            row = self.sides.row(int(i), named=True)
            told = np.searchsorted(seen, j)
            measured = told < seen.size and seen[told] == j
            reasons = [Reason(self._stated(int(i)), float(judged.prior_weight[j]))]
            if measured:
                reasons.append(Reason(texts[told], float(judged.weight[told])))
            likeliest = family.causes[int(judged.top[j])]
            title = likeliest.title[:1].lower() + likeliest.title[1:]
            sure = float(judged.probability[j, int(judged.top[j])])
            notes = [
                f"No fault is on record now; if one came, it would most likely be: {title} ({sure:.0%}).",
                f"A case within {self.ahead_hours:,.0f} h has a chance of {chance[j]:.0%}, without the signs "
                f"{without[j]:.0%}."
                if raised[j]
                else f"{row['readings']} measured values wander. That this announces a case is not shown in this "
                "fleet: it raises no chance.",
                *(self._worth(int(k)) for k in np.flatnonzero(self.signs[i] & helps)),
            ]
            soon = f" (a case within {self.ahead_hours:,.0f} h: {chance[j]:.0%})" if raised[j] else ""
            listed.append(
                Suspect(
                    machine_id=row["machine_id"],
                    side=row["side"],
                    state="watch",
                    since=row["first_reading_at"].date() if measured else self.as_of,
                    age_hours=float(self.hours[i, tracked]),
                    variant=self.variants[tracked][int(i)] or "unknown",
                    causes={name: float(judged.probability[j, k]) for k, name in enumerate(weighed.causes)},
                    top_cause=weighed.causes[int(judged.top[j])],
                    next_step=f"Watch{soon}; at the next service: {said_within(look)}",
                    step=look.name,
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

    def learning(self) -> tuple[str, ...]:
        """Which signs are used, and which were looked at and are not, in one sentence each; () where none was seen."""
        titles = [title for title, _ in SIGNS.values()]
        met = self.learnt.stretches > 0
        used = [titles[k] for k in np.flatnonzero(self.learnt.helps)]
        idle = [titles[k] for k in np.flatnonzero(met & ~self.learnt.helps)]
        said = [
            f"Signs that have announced cases in this fleet's own past, and raise a side's chance: {'; '.join(used)}."
        ] * bool(used)
        if idle:
            said.append(f"Looked at, but not shown to announce a case here, so not used: {'; '.join(idle)}.")
        return tuple(said)

    def _wanders(self) -> npt.NDArray[np.bool_]:
        """Which sides' voltages wander, over enough readings, shape (sides,)."""
        if self.family.voltage is None:
            return np.zeros(self.sides.height, dtype=bool)
        span = pl.col("high") - pl.col("low") > self.family.voltage.wander
        wanders = self.sides.select((span & (pl.col("readings") >= self.rules.readings)).fill_null(False))
        return wanders.to_series().to_numpy()

    def _worth(self, k: int) -> str:
        """What the stretches that have gone by say of a sign."""
        learnt, title = self.learnt, list(SIGNS.values())[k][0]
        others = 100.0 * learnt.other_events[k] / max(int(learnt.other_stretches[k]), 1)
        return (
            f"{title[:1].upper()}{title[1:]}: of {learnt.stretches[k]:,} stretches of {self.ahead_hours:,.0f} h that "
            f"began so {learnt.events[k]:,} had a case, of the others {others:.0f} in 100."
        )

    def _voltage(self, weighed: WeighedCases, rows: Ints) -> tuple[Ints, Floats, list[str]]:
        """Which of the rows show a voltage that counts, what it says of each cause (log), and in words."""
        voltage, evidence = self.family.voltage, self.family.evidence_table("voltage")
        k = list(SIGNS).index("voltage")
        seen = np.flatnonzero(self.signs[rows, k] & self.learnt.helps[k] | self._wanders()[rows])
        pieces, texts = np.zeros((seen.size, len(weighed.causes))), []
        for j, i in enumerate(rows[seen]):
            assert voltage is not None
            low, high = self.sides.row(int(i), named=True)["low"], self.sides.row(int(i), named=True)["high"]
            outcome = "wanders" if high - low > voltage.wander else "steady_offset"
            if evidence is not None:
                table = weighed.layout.tables["voltage"]
                pieces[j] = weighed.model.log_outcome[table, evidence.outcomes.index(outcome)]
            texts.append(voltage_words(self.family, outcome, low, high))
        return seen, pieces, texts

    def _stated(self, i: int) -> str:
        part = self.family.causes[0].component.replace("_", " ") or "machine"
        return f"{self.variants[0][i]} {part} with {self.hours[i, 0]:,.0f} h".strip()


def chance_within(weighed: WeighedCases, hazard: Ints, age_hours: Floats, hours: float) -> Floats:
    """Chance that each cause sets in within so many running hours at these ages, shape (N, causes)."""
    shape, scale = weighed.model.shape[hazard], weighed.model.scale_hours[hazard]
    now, then = age_hours / scale, (age_hours + hours) / scale
    chance: Floats = -np.expm1(now**shape - then**shape)
    return chance


def any_of(chance: Floats) -> Floats:
    """Chance that at least one of the causes sets in, each by itself, shape (N,)."""
    together: Floats = np.clip(1.0 - np.prod(1.0 - chance, axis=1), 1e-9, 1.0 - 1e-9)
    return together


def first_look(family: FaultFamily) -> Step:
    """What a watched side is looked over by: the measuring step, else the first inspection."""
    looks = [step for step in family.steps if step.kind != "cure"]
    measuring = [step for step in looks if family.evidence_table(step.name) is None]
    return (measuring or looks or list(family.steps))[0]


def said_within(step: Step) -> str:
    """What a step does, within a sentence."""
    return step.title[:1].lower() + step.title[1:]


def followed_cause(family: FaultFamily) -> int:
    """The first cause whose part's lives are followed: its age is the one shown."""
    for k, cause in enumerate(family.causes):
        if family.part(cause.component):
            return k
    return 0
