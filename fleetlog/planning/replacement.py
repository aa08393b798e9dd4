"""From what age is a part better replaced before it fails? And what does that save against waiting?

The answer weighs a planned job against a breakdown: the hazard at an age, times what a breakdown costs more,
against what is gained by putting the job off: the machine may be sold first, money is worth less later, and
the new part would age too. Where the hazard does not rise, or is not known to, the answer is not to.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date
from typing import Any, ClassVar

import numpy as np
import polars as pl

from fleetlog.causes.suspects import suspects
from fleetlog.lives.splits import check_component
from fleetlog.planning.job_costs import (
    Assumption,
    JobCosts,
    costs_of,
    money_assumptions,
    sensitivity,
)
from fleetlog.planning.outlook import LifeModel, Outlook, lives_of, outlook_of
from fleetlog.session.finding import Finding
from fleetlog.session.fleet import Fleet
from fleetlog.session.randomness import DRAWS, SEED
from fleetlog.session.safety import Safety
from fleetlog.session.scope import WHOLE_FLEET, Scope
from fleetlog.stats.arrays import Floats, Ints
from fleetlog.stats.renewal_value import (
    Lives,
    Prices,
    best_policy,
    first_of,
    renewal_age,
    saving_now,
    saving_of_policy,
    waiting_rate,
)

#: The hazard is said to rise where a constant one would seem to as much with this chance at most.
RISE_LEVEL = 0.05
#: Machines that run less than this are taken to run so much: else nothing would ever wear.
_LEAST_HOURS_A_YEAR = 50.0
_CURVE_POINTS = 60


@dataclass(frozen=True, repr=False)
class ReplacementFinding(Finding):
    """Best replacement ages.

    Attributes:
        frame: one row a component and variant that is fitted somewhere: component, variant, successor,
            parts, failures, shape, shape_lower, shape_upper, scale_hours, form ("weibull", or "lognormal": told by the
            Weibull shape and scale of the same mean and spread of the logarithm), planned_cost, breakdown_cost,
            replace_ahead, reason, best_age_hours, lower, upper (95%), best_age_both_hours (both sides in one
            visit), past_best_age (parts), waiting_cost_per_1000h, saving_per_part (at the best age, against
            waiting), saving_per_part_lower, saving_per_part_upper, saving_now (all parts past it, at once).
        curves: component, variant, age_hours, saving (of replacing at that age against waiting), lower,
            upper.
        parts: the parts past their best age: machine_id, component, side, variant, age_hours,
            hours_a_year, saving.
        figures: where the money comes from: component, figure, value, unit, source.
        sensitivity: component, variant, figure, unit, source, value, low, high, saving_low, saving,
            saving_high, turns_at (the value at which replacing the reference part no longer pays, or begins
            to).
        currency: of the money.
        safety: holds, and the cautions for the work where it is advised.
    """

    question: ClassVar[str] = "replacement"
    answers = ("parts", "figures", "sensitivity", "seed", "draws", "currency")

    as_of: date
    fault: str
    frame: pl.DataFrame
    curves: pl.DataFrame
    parts: pl.DataFrame
    figures: pl.DataFrame
    sensitivity: pl.DataFrame
    seed: int
    draws: int
    currency: str
    notes: tuple[str, ...] = ()
    safety: Safety | None = None

    @property
    def summary(self) -> pl.DataFrame:
        """The table without the columns that only a program reads."""
        return self.frame.select(
            "component",
            "variant",
            "parts",
            "failures",
            "replace_ahead",
            "best_age_hours",
            "lower",
            "upper",
            "past_best_age",
            "saving_per_part",
            "saving_now",
            "reason",
        )


def replacement(
    fleet: Fleet,
    scope: Scope = WHOLE_FLEET,
    *,
    component: str | None = None,
    draws: int = DRAWS,
    seed: int = SEED,
) -> ReplacementFinding:
    """Best replacement age of each kind of part, with its interval and saving, or why there is none.

    Args:
        scope: which part of the fleet, as of when; laws are learnt from the whole fleet.
        component: only this component; None: all that the family follows.
        draws, seed: of the bootstrap over machines.

    Raises:
        UsageError: for an unknown family, or a component that it does not know.

    Examples:
        >>> june.replacement(component="internal_bushing", draws=20).frame["variant"].to_list()
        ['improved', 'original']
    """
    check_component(fleet.family(scope.fault), component)
    outlook = outlook_of(fleet, scope, months=12, draws=draws, seed=seed, component=component)
    safety = suspects(fleet, scope).safety
    level = fleet.settings.survival.confidence
    minimum = fleet.settings.survival.minimum_failures
    rows, curves, parts, figures, answers = [], [], [], [], []
    for name in dict.fromkeys(model.component for model in outlook.models):
        costs = costs_of(fleet, outlook.history, outlook.family, name)
        if costs is None:
            continue
        figures.extend(costs.trace())
        for number, model in enumerate(outlook.models):
            places = np.flatnonzero(outlook.model_no == number)
            if model.component != name or not places.size:
                continue
            question = AgeDecision.of(outlook, model, places, costs)
            rows.append(_answer(question, minimum, level))
            curves.append(_curve(question, level))
            if rows[-1]["replace_ahead"]:
                parts.append(_past(question, rows[-1]["best_age_hours"]))
            answers.extend(_sensitivity(question, rows[-1]["best_age_hours"], level))
    advised = any(row["replace_ahead"] for row in rows)
    safety = replace(safety, cautions=outlook.family.cautions if advised or safety.holds else ())
    return ReplacementFinding(
        as_of=outlook.history.as_of,
        fault=outlook.family.name,
        frame=safety.attach(pl.DataFrame(rows, schema=_SCHEMA)),
        curves=pl.concat(curves) if curves else pl.DataFrame(),
        parts=safety.attach(pl.concat(parts) if parts else pl.DataFrame(schema=_PARTS)),
        figures=pl.DataFrame(figures, infer_schema_length=None),
        sensitivity=pl.DataFrame(answers, infer_schema_length=None),
        seed=seed,
        draws=draws,
        currency=fleet.settings.fleet.currency,
        notes=(*_notes(rows), *outlook.notes),
        safety=safety,
    )


@dataclass(frozen=True, eq=False)
class AgeDecision:
    """One kind of part and all that the decision about it needs.

    Attributes:
        outlook, model, costs: whose, which law, which money.
        successor: law of what a replacement brings.
        places: rows of the outlook's places.
        age_hours, hours_a_year, leave_rate: of each place; the last a year.
    """

    outlook: Outlook
    model: LifeModel
    successor: LifeModel
    costs: JobCosts
    places: Ints
    age_hours: Floats
    hours_a_year: Floats
    leave_rate: Floats

    @staticmethod
    def of(outlook: Outlook, model: LifeModel, places: Ints, costs: JobCosts) -> AgeDecision:
        """The question about these places; the outlook must reach over twelve months."""
        variant = outlook.family.fresh_variant(model.component)
        successor = next(
            (one for one in outlook.models if (one.component, one.variant) == (model.component, variant)),
            model,
        )
        return AgeDecision(
            outlook=outlook,
            model=model,
            successor=successor,
            costs=costs,
            places=places,
            age_hours=outlook.age_hours[places],
            hours_a_year=np.maximum(outlook.hours_ahead()[places].sum(axis=1), _LEAST_HOURS_A_YEAR),
            leave_rate=outlook.leave_rate[outlook.places["age_class"].to_numpy()[places]],
        )

    def leaving(self, costs: JobCosts) -> Floats:
        """Rate an hour of leaving and discounting together, of each place."""
        result: Floats = (self.leave_rate - np.log1p(-costs.discount_per_year)) / self.hours_a_year
        return result

    def mean_leaving(self, costs: JobCosts) -> float:
        """The same for a machine like the average one."""
        a_year = float(self.leave_rate.mean()) - float(np.log1p(-costs.discount_per_year))
        return a_year / float(self.hours_a_year.mean())

    def laws(self) -> tuple[Lives, Lives]:
        """This law and the successor's in every draw."""
        return self.model.lives(), self.successor.lives()

    @property
    def law(self) -> Lives:
        """This law's point estimate."""
        return lives_of([self.model.law])

    @property
    def next_law(self) -> Lives:
        """The successor's point estimate."""
        return lives_of([self.successor.law])

    def prices(self, costs: JobCosts, planned: float | None = None) -> Prices:
        """Prices of an average machine."""
        return Prices.of(
            [costs.planned if planned is None else planned], [costs.breakdown], [self.mean_leaving(costs)]
        )


def _answer(question: AgeDecision, minimum: int, level: float) -> dict[str, Any]:
    costs, model = question.costs, question.model
    prices = question.prices(costs)
    _, next_rate = best_policy(question.next_law, prices)
    age = float(renewal_age(question.law, prices, next_rate)[0])
    # both sides in one visit, and both done at the first failure of either: as the plan reckons
    both = Prices.of(
        [costs.planned + costs.second], [costs.breakdown + costs.second], [question.mean_leaving(costs)]
    )
    pair, next_pair = (first_of(one, np.array([2])) for one in (question.law, question.next_law))
    both_age = float(renewal_age(pair, both, best_policy(next_pair, both)[1])[0])
    mine, next_law = question.laws()
    drawn_rates = best_policy(next_law, prices)[1]
    drawn_ages = renewal_age(mine, prices, drawn_rates)
    low, high = np.quantile(drawn_ages, (0.5 - level / 2, 0.5 + level / 2), method="inverted_cdf")
    no = why_not_ahead(model, costs, age, minimum)
    pays = not no
    shape = model.interval(0, level)
    at = np.array([age if pays else np.inf])
    saving = saving_of_policy(question.law, prices, at, at, next_rate) if pays else np.zeros(1)
    drawn = saving_now(mine, prices, np.full(mine.shape.size, age), drawn_rates) if pays else np.zeros(1)
    save_low, save_high = np.quantile(drawn, (0.5 - level / 2, 0.5 + level / 2))
    past = question.age_hours >= age
    return {
        "component": model.component,
        "variant": model.variant,
        "successor": question.successor.variant,
        "parts": int(question.places.size),
        "failures": round(model.failures),
        "shape": model.law.shape,
        "shape_lower": shape[0] if shape else None,
        "shape_upper": shape[1] if shape else None,
        "scale_hours": model.law.scale_hours,
        "form": "lognormal" if model.law.lognormal else "weibull",
        "planned_cost": costs.planned,
        "breakdown_cost": costs.breakdown,
        "replace_ahead": pays,
        "reason": no or "the hazard rises and a breakdown costs more than a planned job",
        "best_age_hours": age if pays else None,
        "lower": _finite(low) if pays else None,
        "upper": _finite(high) if pays else None,
        "best_age_both_hours": _finite(both_age) if pays and costs.second < costs.planned else None,
        "past_best_age": int(past.sum()) if pays else 0,
        "waiting_cost_per_1000h": 1000.0 * float(waiting_rate(question.law, prices)[0]),
        "saving_per_part": float(saving[0]) if pays else None,
        "saving_per_part_lower": float(save_low) if pays else None,
        "saving_per_part_upper": float(save_high) if pays else None,
        "saving_now": float(_savings(question, costs, past).sum()) if pays else 0.0,
    }


def why_not_ahead(model: LifeModel, costs: JobCosts, age: float, minimum: int) -> str:
    """Why a kind of part is not replaced ahead, "" where it pays.

    Args:
        model: its law.
        costs: its money.
        age: from which replacing would pay, by the point estimate.
        minimum: failures needed before a rise of the hazard is believed.
    """
    if costs.planned <= 0:
        return "a planned job costs nothing by the settings; set costs.labour_rate, costs.downtime_per_day, costs.parts"
    if costs.breakdown <= costs.planned:
        return "a breakdown costs no more than a planned job"
    if model.failures < minimum:
        return (
            f"too few data: {model.failures:.0f} failures on record, {minimum} are needed before a rise of the "
            "hazard with age is believed"
        )
    if model.law.shape <= 1.0 and not model.law.lognormal:
        return "the hazard does not rise with age: a new part would be no better than the old one"
    if model.rise > RISE_LEVEL:
        return (
            f"the hazard is not known to rise with age: a constant one would seem to rise as much in {model.rise:.0%} "
            f"of fleets, {RISE_LEVEL:.0%} are allowed"
        )
    # beyond what one in a thousand of these parts reaches, an age is a curiosity
    if not np.isfinite(age) or float(model.law.cumulative(np.array([age]))[0]) > np.log(1000.0):
        return "the best age lies beyond what parts reach: next to all fail before it"
    return ""


def _savings(question: AgeDecision, costs: JobCosts, chosen: Any) -> Floats:
    """What replacing these parts at once saves, each by its own age and use."""
    prices = Prices.of(costs.planned, costs.breakdown, question.leaving(costs)[chosen])
    every = np.zeros(prices.leaving.size, dtype=np.int64)
    next_rate = best_policy(lives_of([question.successor.law], every), prices)[1]
    law = lives_of([question.model.law], every)
    return saving_now(law, prices, question.age_hours[chosen], next_rate)


def _past(question: AgeDecision, age: float) -> pl.DataFrame:
    """The parts past their best age, those that save most first."""
    past = question.age_hours >= age
    return (
        question.outlook.places[question.places[past]]
        .select("machine_id", "component", "side", "variant", "site", "age_hours")
        .with_columns(
            pl.Series("hours_a_year", question.hours_a_year[past]),
            pl.Series("saving", _savings(question, question.costs, past)),
        )
        .sort(["saving", "machine_id", "side"], descending=[True, False, False])
    )


def _curve(question: AgeDecision, level: float) -> pl.DataFrame:
    """The saving of replacing at once by the age of the part, with its range over the draws."""
    furthest = 1.25 * max(float(question.age_hours.max()), 1000.0)
    ages = np.linspace(0.0, furthest, _CURVE_POINTS)
    prices = question.prices(question.costs)
    saving = saving_now(question.law, prices, ages, best_policy(question.next_law, prices)[1])
    mine, next_law = question.laws()
    rates = best_policy(next_law, prices)[1]
    columns = mine.columns()
    drawn = saving_now(columns, prices, ages[None, :], rates[:, None])
    low, high = np.quantile(drawn, (0.5 - level / 2, 0.5 + level / 2), axis=0)
    return pl.DataFrame(
        {
            "component": [question.model.component] * ages.size,
            "variant": [question.model.variant] * ages.size,
            "age_hours": ages,
            "saving": saving,
            "lower": low,
            "upper": high,
        }
    )


def _sensitivity(question: AgeDecision, best_age: float | None, level: float) -> list[dict[str, Any]]:
    """How the saving on a reference part answers to each assumption.

    The reference part is the middle one of those past the best age; the oldest where none is.
    """
    ages = np.sort(question.age_hours)
    past = ages[ages >= best_age] if best_age is not None else ages[:0]
    reference = float(past[past.size // 2]) if past.size else float(ages[-1])
    mine = {
        "component": question.model.component,
        "variant": question.model.variant,
        "reference_age_hours": reference,
    }
    assumptions = [*money_assumptions(question.costs), *_law_assumptions(question, level)]
    return [
        {**mine, **row}
        for row in sensitivity(assumptions, lambda name, values: _saving(question, reference, name, values))
    ]


def _law_assumptions(question: AgeDecision, level: float) -> list[Assumption]:
    """What is taken of lives and use, with its range."""
    model, following = question.model, question.successor
    listed = []
    for name, words, one, column in (
        ("shape", "shape of the part's life", model, 0),
        ("scale_hours", "scale of the part's life", model, 1),
        ("next_scale_hours", "scale of the new part's life", following, 1),
    ):
        ends = one.interval(column, level)
        now = one.law[column]
        low, high = ends if ends is not None else (now, now)
        unit = "" if column == 0 else "running hours"
        listed.append(Assumption(name, words, unit, one.method, now, low, high, least=0.1))
    use = float(question.hours_a_year.mean())
    listed.append(
        Assumption(
            "hours_a_year",
            "use of a machine",
            "running hours/year",
            "meter readings",
            use,
            0.5 * use,
            2 * use,
        )
    )
    leave = float(question.leave_rate.mean())
    listed.append(
        Assumption(
            "leave_rate",
            "machines sold a year",
            "share/year",
            "disposals of the last years",
            leave,
            0.5 * leave,
            2 * leave,
        )
    )
    return listed


def _saving(question: AgeDecision, age: float, name: str, values: Floats) -> Floats:
    """What replacing a part of that age saves when one assumption takes these values."""
    now = {
        "shape": question.model.law.shape,
        "scale_hours": question.model.law.scale_hours,
        "next_scale_hours": question.successor.law.scale_hours,
        "hours_a_year": float(question.hours_a_year.mean()),
        "leave_rate": float(question.leave_rate.mean()),
    }
    taken = {key: values if key == name else np.full(values.size, value) for key, value in now.items()}
    same = question.successor is question.model
    costs = (
        [question.costs.changed(name, float(v)) for v in values]
        if name not in now
        else [question.costs] * values.size
    )
    discount = np.array([one.discount_per_year for one in costs])
    prices = Prices.of(
        [one.planned for one in costs],
        [one.breakdown for one in costs],
        (taken["leave_rate"] - np.log1p(-discount)) / taken["hours_a_year"],
    )
    form = np.full(values.size, question.model.law.lognormal)
    next_form = np.full(values.size, question.successor.law.lognormal)
    law = Lives.of(taken["shape"], taken["scale_hours"], form)
    following = (
        law
        if same
        else Lives.of(
            np.full(values.size, question.successor.law.shape), taken["next_scale_hours"], next_form
        )
    )
    rate = best_policy(following, prices)[1]
    return saving_now(law, prices, np.full(values.size, age), rate)


def _finite(value: Any) -> float | None:
    return float(value) if np.isfinite(value) else None


def _notes(rows: list[dict[str, Any]]) -> tuple[str, ...]:
    if not rows:
        return ("No part is followed here whose replacement the family knows a step for.",)
    notes = [
        "Ages are running hours of the part. The best age is the one from which waiting longer costs more, "
        "for an average machine; the machine's chance to be sold first and the discount are counted.",
        "All money comes from the figures listed; change them in the settings file and ask again.",
    ]
    if any(row["replace_ahead"] and row["successor"] != row["variant"] for row in rows):
        notes.append(
            "A replacement brings the newer design, so the old one is replaced ahead once and for all."
        )
    return tuple(notes)


_SCHEMA: dict[str, type[pl.DataType]] = {
    "component": pl.String,
    "variant": pl.String,
    "successor": pl.String,
    "parts": pl.Int64,
    "failures": pl.Int64,
    "shape": pl.Float64,
    "shape_lower": pl.Float64,
    "shape_upper": pl.Float64,
    "scale_hours": pl.Float64,
    "form": pl.String,
    "planned_cost": pl.Float64,
    "breakdown_cost": pl.Float64,
    "replace_ahead": pl.Boolean,
    "reason": pl.String,
    "best_age_hours": pl.Float64,
    "lower": pl.Float64,
    "upper": pl.Float64,
    "best_age_both_hours": pl.Float64,
    "past_best_age": pl.Int64,
    "waiting_cost_per_1000h": pl.Float64,
    "saving_per_part": pl.Float64,
    "saving_per_part_lower": pl.Float64,
    "saving_per_part_upper": pl.Float64,
    "saving_now": pl.Float64,
}
_PARTS: dict[str, type[pl.DataType]] = {
    "machine_id": pl.String,
    "component": pl.String,
    "side": pl.String,
    "variant": pl.String,
    "site": pl.String,
    "age_hours": pl.Float64,
    "hours_a_year": pl.Float64,
    "saving": pl.Float64,
}
