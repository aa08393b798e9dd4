"""What lies ahead of every followed part: its age, the hours it will run, and the law of its life.

Forecast, replacement age, plan and policies all start from here, so that they speak of the same parts, the
same hours and the same laws. An outlook has a point estimate and any number of draws of everything that is
uncertain: the cause of every case, the lives (by random weights of machines), the season (by the same weights), each
machine's level of use, and how far a month strays from its season. A draw depends on the seed and its own number alone.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from datetime import date, timedelta
from functools import cached_property
from itertools import pairwise
from typing import TypeVar

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetlog.belief.part_lives import PLACE, part_lives
from fleetlog.belief.weighing import weighed_now
from fleetlog.causes.both_sides import both_sides
from fleetlog.faults import FaultFamily, Step
from fleetlog.history import History
from fleetlog.phrasing import said
from fleetlog.session.fleet import Fleet, selection
from fleetlog.session.months import month_start
from fleetlog.session.randomness import DRAWS, SEED
from fleetlog.session.scope import Scope
from fleetlog.stats.arrays import Floats, Ints
from fleetlog.stats.cause_draws import CauseDraws
from fleetlog.stats.renewal_value import Lives
from fleetlog.stats.seasonal_use import Use, UseTable, learn_use
from fleetlog.stats.weighted_lives import (
    Default,
    Law,
    LognormalLaw,
    ObservedLives,
    machine_weights,
)

#: Use is learnt from so many years back: long enough for a season, short enough for today's customers.
USE_YEARS = 4
#: Disposals are counted so many years back, and lean on the fleet's rate by so many machine years.
DISPOSAL_YEARS = 3
_DISPOSAL_LEANS = 20.0
_EPOCH = date(1970, 1, 1)
#: Draws that a thread is handed at a time: to hand over one costs about as much as a short draw itself.
_TOGETHER = 10


Drawn = TypeVar("Drawn")


def in_threads(work: Callable[[int], Drawn], draws: int) -> list[Drawn]:
    """The results of draws 0, 1, …; draws do not depend on each other, so threads change only the time."""

    def some(first: int) -> list[Drawn]:
        return [work(draw) for draw in range(first, min(first + _TOGETHER, draws))]

    with ThreadPoolExecutor(max_workers=min(4, os.cpu_count() or 1)) as pool:
        return [one for some_of_them in pool.map(some, range(0, draws, _TOGETHER)) for one in some_of_them]


def lives_of(laws: Sequence[Law], number: Ints | None = None) -> Lives:
    """Laws as elements; `number`: which of them each element has."""
    shape, scale = (np.array([law[column] for law in laws], dtype=np.float64) for column in (0, 1))
    lognormal = np.array([law.lognormal for law in laws], dtype=bool)
    if number is None:
        return Lives.of(shape, scale, lognormal)
    return Lives.of(shape[number], scale[number], lognormal[number])


@dataclass(frozen=True)
class Period:
    """A stretch of days ahead: a month or a week.

    Attributes:
        label: "2026-07" or "2026-W28".
        first: its first day.
        after: the first day after it.
    """

    label: str
    first: date
    after: date

    @property
    def days(self) -> int:
        """Length."""
        return (self.after - self.first).days


def months_after(day: date, count: int) -> tuple[Period, ...]:
    """Calendar months from the day after `day` on; the first is what is left of its month."""
    periods = []
    first = day + timedelta(days=1)
    for _ in range(count):
        after = month_start(first, 1)
        periods.append(Period(f"{first:%Y-%m}", first, after))
        first = after
    return tuple(periods)


def weeks_after(day: date, count: int) -> tuple[Period, ...]:
    """ISO weeks after `day`, whole ones only: the first begins on the Monday after it."""
    first = day + timedelta(days=7 - day.weekday())
    mondays = [first + timedelta(days=7 * k) for k in range(count + 1)]
    return tuple(Period(iso_week(monday), monday, after) for monday, after in pairwise(mondays))


def iso_week(day: date) -> str:
    """The ISO 8601 week of a day, "2026-W28"."""
    year, week, _ = day.isocalendar()
    return f"{year}-W{week:02}"


@dataclass(frozen=True, eq=False)
class LifeModel:
    """The law of life of one kind of part.

    Attributes:
        component, variant: which parts.
        cause: the family's cause that stands behind its failures, "" where none does.
        law: point estimate.
        draws: shape and scale of each draw, shape (draws, 2).
        lognormal: which draws are lognormal laws of that shape and scale, shape (draws,).
        lognormal_weight: how surely the form is the lognormal one; `law` has the likelier form.
        disagrees: what to tell where the default and the fleet's own failures disagree, "" where they do not.
        spells, failures, hours: what was observed; a case counts as a failure as surely as the part is behind it.
        default: what was known beforehand, None where nothing was.
        method: how the law came about, in a few words.
        rise: chance that a constant hazard would seem to rise as much, from the lives alone.
    """

    component: str
    variant: str
    cause: str
    law: Law
    draws: Floats
    lognormal: npt.NDArray[np.bool_]
    lognormal_weight: float
    disagrees: str
    spells: int
    failures: float
    hours: float
    default: Default | None
    method: str
    rise: float

    def at(self, draw: int | None) -> Law:
        """The law in one draw; None: the point estimate."""
        if draw is None:
            return self.law
        form = LognormalLaw if self.lognormal[draw] else Law
        return form(float(self.draws[draw, 0]), float(self.draws[draw, 1]))

    def lives(self) -> Lives:
        """The laws of all draws."""
        return Lives.of(self.draws[:, 0], self.draws[:, 1], self.lognormal)

    def interval(self, column: int, level: float) -> tuple[float, float] | None:
        """Range of the shape (0) or the scale (1) over the draws."""
        if not self.draws.size:
            return None
        low, high = np.quantile(self.draws[:, column], (0.5 - level / 2, 0.5 + level / 2))
        return float(low), float(high)


@dataclass(frozen=True, eq=False)
class Outlook:
    """Everything that the planning findings share.

    Attributes:
        family: the fault family.
        history: the history it rests on.
        periods: what lies ahead.
        places: one row a followed part that is in a watched machine: machine_id, component, side, variant,
            age_hours, inferred, site, model, build_year, machine_no, age_class, model_no, standing (chance that
            it has failed already and stands so).
        models: the laws, in the order of `model_no`.
        use: levels and seasons of all machines, by `machine_no`.
        machines: machine_id by `machine_no`.
        watched: which of them are still watched.
        leave_rate: disposals a year by class of age, shape (4,).
        case_causes: cause of each weighed case in each draw, by number, shape (draws, cases); one past the last
            where it was no fault at all.
        both_sides: of each cause the share of its cases that come together with one on the other side.
        seed, draw_count: of the bootstrap.
    """

    family: FaultFamily
    history: History
    periods: tuple[Period, ...]
    places: pl.DataFrame
    models: tuple[LifeModel, ...]
    use: Use
    machines: tuple[str, ...]
    watched: npt.NDArray[np.bool_]
    leave_rate: Floats
    case_causes: npt.NDArray[np.int16]
    both_sides: Mapping[str, float]
    seed: int
    draw_count: int

    @cached_property
    def machine_no(self) -> Ints:
        """Machine of each place."""
        return self.places["machine_no"].to_numpy().astype(np.int64)

    @cached_property
    def age_hours(self) -> Floats:
        """Age of each place now."""
        return self.places["age_hours"].to_numpy().astype(np.float64)

    @cached_property
    def model_no(self) -> Ints:
        """Law of each place."""
        return self.places["model_no"].to_numpy().astype(np.int64)

    @cached_property
    def standing(self) -> Floats:
        """Chance of each place that its part has failed already and stands so."""
        return self.places["standing"].to_numpy().astype(np.float64)

    @cached_property
    def month_days(self) -> Floats:
        """Days of each period by calendar month, shape (periods, 12)."""
        days = np.zeros((len(self.periods), 12))
        for row, period in enumerate(self.periods):
            day = period.first
            while day < period.after:
                end = min(month_start(day, 1), period.after)
                days[row, day.month - 1] += (end - day).days
                day = end
        return days

    def season_days(self, draw: int | None = None) -> Floats:
        """Days of each period times season, by site: what a level is multiplied by, (sites, periods)."""
        season = self.use.season
        strayed = np.ones(len(self.periods))
        if draw is not None:
            season = self.use.season_draw(machine_weights(len(self.machines), self.seed, draw))
            rng = np.random.default_rng([self.seed, draw, 3])
            # one yard-wide deviation a calendar month, so that the weeks of a month stray together
            first = self.periods[0].first if self.periods else _EPOCH
            months = [
                (period.first.year - first.year) * 12 + period.first.month - first.month
                for period in self.periods
            ]
            spread = self.use.month_spread
            by_month = rng.normal(-0.5 * spread**2, spread, max(months, default=0) + 1)
            strayed = np.exp(by_month[months])
        result: Floats = np.einsum("sm,pm->sp", season, self.month_days) * strayed
        return result

    def level(self, draw: int | None = None) -> Floats:
        """Running hours a day of each machine, season taken out, shape (machines,)."""
        if draw is None:
            return self.use.level
        rng = np.random.default_rng([self.seed, draw, 4])
        spread = self.use.level_spread
        result: Floats = self.use.level * np.exp(rng.normal(-0.5 * spread**2, spread, self.use.level.size))
        return result

    @cached_property
    def staying(self) -> Floats:
        """Chance that a machine is still in the fleet in the middle of each period, by class of age.

        Shape (4, periods).
        """
        start = self.periods[0].first if self.periods else _EPOCH
        middle = np.array([((p.first - start).days + 0.5 * p.days) / 365.25 for p in self.periods])
        result: Floats = np.exp(-self.leave_rate[:, None] * middle)
        return result

    def hours_ahead(self) -> Floats:
        """Expected running hours of each place in each period, shape (places, periods)."""
        days = self.season_days()[self.use.table.site[self.machine_no]]
        result: Floats = self.use.level[self.machine_no][:, None] * days
        return result

    def failure_chances(self) -> Floats:
        """Chance of each place to fail in each period, disposals counted, shape (places, periods).

        A part that has failed already does not fail again.
        """
        ahead = np.cumsum(self.hours_ahead(), axis=1)
        edges = np.column_stack((self.age_hours, self.age_hours[:, None] + ahead))
        hazard = lives_of([model.law for model in self.models], self.model_no).columns().cumulative(edges)
        survival = np.exp(hazard[:, :1] - hazard)
        staying = self.staying[self.places["age_class"].to_numpy()]
        sound = 1.0 - self.standing[:, None]
        result: Floats = sound * (survival[:, :-1] - survival[:, 1:]) * staying
        return result

    def use_frame(self, level: float) -> pl.DataFrame:
        """The season with its range: site, calendar_month, factor, lower, upper."""
        draws = np.stack(
            [
                self.use.season_draw(machine_weights(len(self.machines), self.seed, draw))
                for draw in range(min(self.draw_count, 100))
            ]
        )
        low, high = np.quantile(draws, (0.5 - level / 2, 0.5 + level / 2), axis=0)
        names = self.site_names
        return pl.DataFrame(
            [
                {
                    "site": names[s],
                    "calendar_month": m + 1,
                    "factor": float(self.use.season[s, m]),
                    "lower": float(low[s, m]),
                    "upper": float(high[s, m]),
                }
                for s in range(len(names))
                for m in range(12)
            ]
        )

    site_names: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()


def outlook_of(
    fleet: Fleet,
    scope: Scope,
    periods: Sequence[Period] | None = None,
    *,
    months: int = 12,
    draws: int = DRAWS,
    seed: int = SEED,
    component: str | None = None,
) -> Outlook:
    """The outlook of a part of the fleet; lives and seasons are learnt from the whole fleet.

    Args:
        scope: which machines, as of when.
        periods: what lies ahead; None: so many calendar months.
        months: how many, where no periods are given.
        draws, seed: of the bootstrap.
        component: only parts of this kind; None: all that the family follows.
    """
    history, family = fleet.begin(scope)
    store = fleet.store
    listed = store.run("plan/watched", as_of_end=history.as_of_end)
    numbers = listed.select("machine_id").with_row_index("machine_no")
    followed = [part.component for part in family.parts if component in (None, part.component)]
    weighed = weighed_now(fleet, history, family)
    known = part_lives(store, weighed)
    # a case that is no fault at all is one more "cause", which nothing counts
    drawn = CauseDraws.of(np.column_stack((weighed.of_case, 1.0 - weighed.real)))
    case_causes = np.array(in_threads(lambda draw: drawn.draw(seed, draw), draws), dtype=np.int16)
    case_causes = case_causes.reshape(draws, -1)
    models = _laws(fleet, family, known.lives, numbers, followed, case_causes, seed)
    places = _places(fleet, scope, history, known.now, numbers, followed, models)
    use, sites = _use(fleet, history, listed, numbers)
    return Outlook(
        family=family,
        history=history,
        periods=tuple(periods) if periods is not None else months_after(history.as_of, months),
        places=places,
        models=models,
        use=use,
        machines=tuple(listed["machine_id"]),
        watched=listed["watched"].to_numpy(),
        leave_rate=_leave_rate(fleet, history),
        case_causes=case_causes,
        both_sides=both_sides(weighed),
        seed=seed,
        draw_count=draws,
        site_names=sites,
        notes=_notes(listed, places, models, followed, component),
    )


def cause_of(family: FaultFamily, component: str) -> str:
    """The family's cause that is a fault of this component, "" if none is."""
    return next((cause.name for cause in family.causes if cause.component == component), "")


def cure_of(family: FaultFamily, component: str, cause: str) -> Step | None:
    """The step by which a shop mends it: the shortest of those that cure the cause all but surely.

    Where no cause of the family stands behind the component, the step that replaces it.
    """
    if not cause:
        return family.step_for(component, "replace")
    cures = [step for step in family.steps if step.kind == "cure" and step.cures.get(cause, 0.0) > 0]
    if not cures:
        return None
    surest = max(step.cures[cause] for step in cures)
    sure = [step for step in cures if step.cures[cause] >= 0.9 * surest]
    return min(sure, key=lambda step: (step.labour_hours, step.parts_cost, step.order))


def _laws(
    fleet: Fleet,
    family: FaultFamily,
    known: pl.DataFrame,
    numbers: pl.DataFrame,
    followed: Sequence[str],
    case_causes: npt.NDArray[np.int16],
    seed: int,
) -> tuple[LifeModel, ...]:
    """One law a component and variant that occurs or that a replacement brings."""
    lives = known.join(numbers, on="machine_id", how="inner", maintain_order="left")
    kinds: dict[tuple[str, str], None] = {}
    for component in followed:
        for variant in lives.filter(pl.col("component") == component)["variant"].unique().sort():
            kinds[component, variant] = None
        kinds[component, family.fresh_variant(component)] = None
    minimum = fleet.settings.survival.minimum_failures
    weights = [machine_weights(numbers.height, seed, draw) for draw in range(len(case_causes))]
    return tuple(
        _law(family, component, variant, lives, minimum, weights, case_causes, seed, number)
        for number, (component, variant) in enumerate(kinds)
    )


def _law(
    family: FaultFamily,
    component: str,
    variant: str,
    lives: pl.DataFrame,
    minimum: int,
    weights: Sequence[Floats],
    case_causes: npt.NDArray[np.int16],
    seed: int,
    number: int,
) -> LifeModel:
    rows = lives.filter((pl.col("component") == component) & (pl.col("variant") == variant))
    observed = ObservedLives(
        entry=rows["entry"].to_numpy(),
        exit=rows["hours"].to_numpy(),
        failed=rows["failed"].to_numpy(),
        machine=rows["machine_no"].to_numpy().astype(np.int64),
        share=rows["weight"].to_numpy(),
    )
    cause = cause_of(family, component)
    share = _drawn_shares(family, component, rows, case_causes)
    default = None
    if cause:
        hazard = family.hazard(cause, "" if variant == "unknown" else variant)
        default = Default(hazard.shape, hazard.scale_hours, hazard.prior_failures)
        foretold = observed.expected(default)
        default = default.yielding(foretold, observed.failures)
    forms, form_weight, disagrees = np.zeros(len(weights), dtype=bool), 0.0, ""
    # fewer failures tell no form: it is the default's
    if observed.failures >= minimum:
        form_weight = observed.lognormal_weight(default)
        forms = np.random.default_rng([seed, 8, number]).random(len(weights)) < form_weight
    form = "Lognormal" if form_weight > 0.5 else "Weibull"
    if default is not None:
        law = observed.fit(default, lognormal=form_weight > 0.5)
        drawn = in_threads(
            lambda draw: observed.fit(
                default, weights[draw], default.drawn(seed, draw, number), share(draw), bool(forms[draw])
            ),
            len(weights),
        )
        method = f"{form} from {observed.failures:.0f} failures and a default worth {default.failures:.1f} failures"
        # as they are printed: 0 and 1 do not disagree to a reader
        told_apart = abs(round(foretold) - round(observed.failures)) > 1
        if told_apart and default.failures < 0.5 * hazard.prior_failures:
            disagrees = (
                f"{foretold:.0f} failures were to be expected by the family's default and {observed.failures:.0f} are "
                "on record: the two disagree and the fleet's own decide"
            )
            method += f"; {disagrees}"
    elif observed.failures >= minimum:
        law = observed.fit(lognormal=form_weight > 0.5)
        drawn = in_threads(
            lambda draw: observed.fit(None, weights[draw], None, share(draw), bool(forms[draw])), len(weights)
        )
        method = f"{form} from {observed.failures:.0f} failures"
    elif observed.spells == 0:
        law, drawn = _NEVER, [_NEVER] * len(weights)
        method = "nothing is known of such parts: no failure is expected"
    else:
        law, drawn = _constant(observed, seed, number, len(weights))
        method = (
            f"constant hazard from {observed.failures:.0f} failures: too few for a shape, no default known"
        )
    return LifeModel(
        component=component,
        variant=variant,
        cause=cause,
        law=law,
        draws=np.array(drawn, dtype=np.float64).reshape(-1, 2),
        lognormal=forms,
        lognormal_weight=form_weight,
        disagrees=disagrees,
        spells=observed.spells,
        failures=observed.failures,
        hours=observed.total_hours,
        default=default,
        method=method,
        rise=observed.rise(),
    )


def _drawn_shares(
    family: FaultFamily, component: str, rows: pl.DataFrame, case_causes: npt.NDArray[np.int16]
) -> Callable[[int], Floats]:
    """How surely each life was so in a draw: where a case decides, by the cause that the case has in it."""
    mine = np.array([*(cause.component == component for cause in family.causes), False])
    weight = rows["weight"].to_numpy().astype(np.float64)
    decided = rows["case"].is_not_null().to_numpy()
    case, was = (
        rows["case"].to_numpy()[decided].astype(np.int64),
        rows["was"].to_numpy()[decided].astype(bool),
    )

    def share(draw: int) -> Floats:
        drawn = weight.copy()
        drawn[decided] = mine[case_causes[draw, case]] == was
        return drawn

    return share


_NEVER = Law(1.0, 1e9)


def _constant(observed: ObservedLives, seed: int, number: int, draws: int) -> tuple[Law, list[Law]]:
    """A constant hazard; half a failure more than seen, so that none seen does not mean never."""
    hours = max(observed.total_hours, 1.0)
    evidence = observed.failures + 0.5
    rates = np.random.default_rng([seed, 5, number]).standard_gamma(evidence, draws)
    return Law(1.0, hours / evidence), [Law(1.0, hours / max(float(rate), 1e-6)) for rate in rates]


def _places(
    fleet: Fleet,
    scope: Scope,
    history: History,
    known: pl.DataFrame,
    numbers: pl.DataFrame,
    followed: Sequence[str],
    models: Sequence[LifeModel],
) -> pl.DataFrame:
    """The parts in place. One that was most likely replaced without a note is taken to be the new one."""
    kinds = pl.DataFrame(
        [
            {"component": model.component, "variant": model.variant, "model_no": number}
            for number, model in enumerate(models)
        ],
        schema={"component": pl.String, "variant": pl.String, "model_no": pl.Int64},
    )
    places_now = fleet.store.run("plan/places", as_of_end=history.as_of_end, **selection(scope))
    renewed = pl.col("new_for_hours").is_not_null()
    fresh = pl.col("component").replace_strict(
        {name: fleet.family(scope.fault).fresh_variant(name) for name in followed}, return_dtype=pl.String
    )
    built_years = (pl.lit(history.as_of) - pl.col("built_earliest")).dt.total_days() / 365.25
    return (
        places_now.filter(pl.col("component").is_in(list(followed)))
        .with_columns(age_hours=pl.col("age_tenths") / 10)
        .join(known, on=PLACE, how="left", maintain_order="left")
        .with_columns(pl.col("standing").fill_null(0.0))
        .with_columns(
            pl.when(renewed).then(fresh).otherwise("variant").alias("variant"),
            pl.when(renewed).then("new_for_hours").otherwise("age_hours").alias("age_hours"),
            inferred=pl.col("inferred") | renewed,
        )
        .join(numbers, on="machine_id", maintain_order="left")
        .join(kinds, on=["component", "variant"], how="inner", maintain_order="left")
        .with_columns(
            (built_years.fill_null(6.0) / 4.0).floor().clip(0, 3).cast(pl.Int64).alias("age_class"),
            pl.col("machine_no").cast(pl.Int64),
        )
        .select(
            "machine_id",
            "component",
            "side",
            "variant",
            "age_hours",
            "inferred",
            "site",
            "model",
            "build_year",
            "machine_no",
            "age_class",
            "model_no",
            "standing",
        )
    )


def _use(
    fleet: Fleet, history: History, listed: pl.DataFrame, numbers: pl.DataFrame
) -> tuple[Use, tuple[str, ...]]:
    since = (history.as_of - _EPOCH).days - round(USE_YEARS * 365.25)
    hours = fleet.store.run("plan/monthly_hours", from_seconds=since * 86_400).join(
        numbers, on="machine_id", maintain_order="left"
    )
    names = tuple(listed["site"].unique().sort())
    codes = pl.DataFrame({"site": names, "site_no": np.arange(len(names))})
    site = listed.join(codes, on="site", maintain_order="left")["site_no"].to_numpy().astype(np.int64)
    table = UseTable(
        machine=hours["machine_no"].to_numpy().astype(np.int64),
        month=hours["month"].to_numpy().astype(np.int64),
        hours=hours["hours"].to_numpy(),
        days=hours["days"].to_numpy(),
        site=site,
    )
    return learn_use(table), names


def _leave_rate(fleet: Fleet, history: History) -> Floats:
    """Disposals a machine year by class of age, each leaning on the rate of all."""
    rows = fleet.store.run("plan/disposals", as_of_end=history.as_of_end, years=DISPOSAL_YEARS)
    years, gone = np.zeros(4), np.zeros(4)
    years[rows["age_class"].to_numpy()] = rows["machine_years"].to_numpy()
    gone[rows["age_class"].to_numpy()] = rows["disposed"].to_numpy()
    overall = float(gone.sum()) / float(years.sum()) if years.sum() > 0 else 0.0
    result: Floats = (gone + _DISPOSAL_LEANS * overall) / (years + _DISPOSAL_LEANS)
    return result


def _notes(
    listed: pl.DataFrame,
    places: pl.DataFrame,
    models: Sequence[LifeModel],
    followed: Sequence[str],
    component: str | None,
) -> tuple[str, ...]:
    notes = []
    for model in (one for one in models if one.disagrees):
        design = "" if model.variant == "unknown" else f" ({model.variant})"
        notes.append(f"Of the {said(model.component)}{design}, {model.disagrees}.")
    silent = int(listed["silent"].sum())
    if silent:
        notes.append(
            f"{silent} machines have not been heard of for so long that they are left out; "
            "load their readings, or their disposal."
        )
    if not followed:
        which = f"the lives of the {said(component)} are not followed" if component else "no part is followed"
        notes.append(f"In this fault family {which}: failures come at a rate by the machines' hours.")
    elif places.is_empty():
        notes.append("No followed part is in a watched machine of this part of the fleet.")
    return tuple(notes)
