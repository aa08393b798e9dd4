"""What stands broken now and what will fail over the coming months, with ranges, and the parts and hours that follow.

It begins with the faults that stand now, each with its chance by `causes`: their parts and hours come first. Every
followed part that is sound has its own chance to fail in each month: its law of life, conditional on the age it has
reached, over the hours its machine is expected to run. The number that fail is the sum of such unequal chances,
counted exactly; what is not known of laws, use and season is drawn at random and mixed in. Causes without a followed
part (wiring, calibration) come at a rate by the machine's hours. A failure counts from its first report.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta
from functools import cached_property
from typing import Any, ClassVar

import numpy as np
import polars as pl

from fleetlog.belief.learning import exposure_of
from fleetlog.belief.weighing import weighed_now
from fleetlog.causes.repair_plan import step_cost
from fleetlog.causes.suspects import in_scope, suspects
from fleetlog.errors import UsageError
from fleetlog.faults import FaultFamily, Hazard, Step
from fleetlog.lives.splits import check_component
from fleetlog.planning.outlook import Outlook, cause_of, cure_of, in_threads, outlook_of
from fleetlog.session.finding import Finding
from fleetlog.session.fleet import Fleet, selection
from fleetlog.session.randomness import DRAWS, SEED
from fleetlog.session.safety import Safety
from fleetlog.session.scope import WHOLE_FLEET, Scope
from fleetlog.stats.arrays import Floats, Ints
from fleetlog.stats.counts import NOTHING, CountDistribution, CountSums, count_sums, mixture
from fleetlog.stats.weighted_lives import Default

INNER, OUTER = 0.80, 0.95
MOST_MONTHS = 60
ANY_FAILURE = "any failure"


@dataclass(frozen=True, repr=False)
class ForecastFinding(Finding):
    """Failures, parts and shop hours expected.

    Attributes:
        frame: one row a month, component and cause: month, component, cause, standing (faults that stand on the
            as-of day; they are told in the first month), expected (failures to come), lower, upper (95%),
            lower_80, upper_80 (of those to come), and for both together parts, parts_to_hold (enough with 95%),
            labour_hours, labour_hours_upper, cost.
        totals: the same for the whole stretch, one row a component and cause, then all together (component
            and cause "all").
        by_month: the same by month, all components and causes together.
        units: the parts most likely to fail: machine_id, component, side, variant, age_hours,
            hours_a_month, standing (chance that it has failed already), chance (to fail over the whole stretch),
            by_month (list).
        laws: component, variant, failures, spells, shape, scale_hours with ranges, lognormal_weight, method.
        season: site, calendar_month, factor, lower, upper.
        seed, draws: of the bootstrap; the same seed gives the same numbers.
        currency: of the costs.
    """

    question: ClassVar[str] = "forecast"
    answers = ("months", "totals", "by_month", "units", "laws", "season", "seed", "draws", "currency")

    as_of: date
    fault: str
    months: tuple[str, ...]
    frame: pl.DataFrame
    totals: pl.DataFrame
    by_month: pl.DataFrame
    units: pl.DataFrame
    laws: pl.DataFrame
    season: pl.DataFrame
    seed: int
    draws: int
    currency: str
    notes: tuple[str, ...] = ()
    safety: Safety | None = None


@dataclass(frozen=True, eq=False)
class Way:
    """One way to fail: a followed part, or a cause without one.

    Attributes:
        component, cause: as rows of the forecast name them.
        step: what a shop does about it, None where the family knows nothing.
        places: rows of the outlook's places, empty for a cause without a followed part.
        hazard: law by the machine's hours, for such a cause.
        events, expected: cases of it on record, each as surely as it is of this cause, and how many its default law
            would give.
        drawn: the events of each draw, shape (draws,).
        default: its default law, worth what it is after these events.
        both: share of its failures that come together with one on the other side.
        standing: chance of each case that it stands now and is of this way, shape (n,).
    """

    component: str
    cause: str
    step: Step | None
    places: Ints
    hazard: Hazard | None = None
    events: float = 0.0
    expected: float = 0.0
    drawn: Floats = field(default_factory=lambda: np.zeros(0))
    default: Default | None = None
    both: float = 0.0
    standing: Floats = field(default_factory=lambda: np.zeros(0))


@dataclass(frozen=True, eq=False)
class _Exposed:
    """The machines that can have the fault: their hours now and their numbers."""

    hours: Floats
    machine_no: Ints
    sides: int


def forecast(
    fleet: Fleet,
    scope: Scope = WHOLE_FLEET,
    *,
    months: int = 12,
    component: str | None = None,
    draws: int = DRAWS,
    seed: int = SEED,
    units: int = 50,
) -> ForecastFinding:
    """Failures, parts and shop hours of the coming months.

    Args:
        scope: which part of the fleet, as of when; laws and seasons are learnt from the whole fleet.
        months: how many, 1 to 60; the first is what is left of the as-of day's month.
        component: only this component.
        draws, seed: of the bootstrap over machines.
        units: how many of the likeliest parts to list.

    Raises:
        UsageError: for an impossible number of months or draws, or a component that the family does not
            know.

    Examples:
        >>> june.forecast(months=2, draws=20).months
        ('2026-07', '2026-08')
    """
    check_numbers(months, draws)
    check_component(fleet.family(scope.fault), component)
    outlook = outlook_of(fleet, scope, months=months, draws=draws, seed=seed, component=component)
    safety = suspects(fleet, scope).safety
    return forecast_of(fleet, scope, outlook, component=component, units=units, safety=safety)


def forecast_of(
    fleet: Fleet,
    scope: Scope,
    outlook: Outlook,
    *,
    component: str | None = None,
    units: int = 50,
    safety: Safety | None = None,
) -> ForecastFinding:
    """The forecast of an outlook over months that has been made already; `safety`: what goes with it."""
    family = outlook.family
    exposed = _exposed(fleet, scope, outlook)
    ways = ways_to_fail(fleet, scope, outlook, component)
    sums = _all_draws(outlook, ways, exposed)
    frames = _Frames(fleet, outlook, ways, sums)
    level = fleet.settings.survival.confidence
    return ForecastFinding(
        as_of=outlook.history.as_of,
        fault=family.name,
        months=tuple(period.label for period in outlook.periods),
        frame=frames.by_way_and_month(),
        totals=frames.totals(),
        by_month=frames.by_month(),
        units=_units(outlook, units),
        laws=laws_frame(outlook, level),
        season=outlook.use_frame(level),
        seed=outlook.seed,
        draws=outlook.draw_count,
        currency=fleet.settings.fleet.currency,
        notes=(*_notes(outlook, ways), *outlook.notes),
        safety=safety,
    )


def check_numbers(months: int, draws: int) -> None:
    """Refuses numbers of months or draws that make no sense.

    Raises:
        UsageError: naming what is allowed.
    """
    if not 1 <= months <= MOST_MONTHS:
        raise UsageError(
            f"A forecast reaches 1 to {MOST_MONTHS} months ahead, not {months}; change --months."
        )
    if not 20 <= draws <= 10_000:
        raise UsageError(f"The bootstrap takes 20 to 10,000 draws, not {draws}; change --draws.")


# ------------------------------------------------------------------------------------------- ways to fail


def ways_to_fail(
    fleet: Fleet, scope: Scope, outlook: Outlook, component: str | None = None
) -> tuple[Way, ...]:
    """Every row of a forecast: the followed parts, then the causes without one."""
    family = outlook.family
    weighed = weighed_now(fleet, outlook.history, family)
    stands = np.nan_to_num(weighed.stands[in_scope(weighed.cases, scope)])
    ways = _followed(outlook, stands)
    followed = {part.component for part in family.parts}
    rest = [
        cause
        for cause in family.causes
        if cause.component not in followed and component in (None, cause.component)
    ]
    if not rest:
        return tuple(ways)
    layout, default = weighed.layout, weighed.layout.defaults.model
    by_default = exposure_of(fleet.store, layout).powers(default.shape, default.scale_hours)
    # faults that may have stood before the records began are no new ones
    begun = ~weighed.cases["may_predate"].to_numpy()
    for cause in rest:
        hazard = family.hazard(cause.name)
        k = weighed.causes.index(cause.name)
        events = float(weighed.of_case[begun, k].sum())
        expected = float(by_default[layout.hazard_of[cause.name, ""]])
        ways.append(
            Way(
                component=cause.component,
                cause=cause.name,
                step=cure_of(family, cause.component, cause.name),
                places=np.zeros(0, dtype=np.int64),
                hazard=hazard,
                events=events,
                expected=expected,
                drawn=(outlook.case_causes[:, begun] == k).sum(axis=1).astype(np.float64),
                default=Default(hazard.shape, hazard.scale_hours, hazard.prior_failures).yielding(
                    expected, events
                ),
                both=outlook.both_sides[cause.name],
                standing=_of_causes(family, stands, cause.component, cause.name),
            )
        )
    return tuple(ways)


def _of_causes(family: FaultFamily, stands: Floats, component: str, cause: str = "") -> Floats:
    """The chances above none that a fault stands and is of a component, or of one of its causes alone."""
    mine = [one.component == component and cause in ("", one.name) for one in family.causes]
    chance: Floats = stands[:, mine].sum(axis=1)
    return chance[chance > 0.0]


def _followed(outlook: Outlook, stands: Floats) -> list[Way]:
    """A way to fail for each kind of part that is in any machine; what stands is told by case, as `suspects` does."""
    family = outlook.family
    component = outlook.places["component"]
    ways = []
    for part in family.parts:
        rows = np.flatnonzero((component == part.component).to_numpy())
        if rows.size:
            cause = cause_of(family, part.component)
            step = cure_of(family, part.component, cause)
            standing = _of_causes(family, stands, part.component)
            both = outlook.both_sides.get(cause, 0.0)
            ways.append(Way(part.component, cause or ANY_FAILURE, step, rows, both=both, standing=standing))
    return ways


def _exposed(fleet: Fleet, scope: Scope, outlook: Outlook) -> _Exposed:
    numbers = pl.DataFrame({"machine_id": outlook.machines, "machine_no": range(len(outlook.machines))})
    rows = fleet.store.run("risk/machine_exposure", fault=outlook.family.name, **selection(scope)).join(
        numbers, on="machine_id", maintain_order="left"
    )
    number = rows["machine_no"].to_numpy().astype(np.int64)
    kept = outlook.watched[number]
    return _Exposed(rows["hours"].to_numpy()[kept] / 10, number[kept], len(outlook.family.sides))


def _cumulative(hazard: Hazard, hours: Floats) -> Floats:
    # hours carried back before the first reading may fall below zero
    result: Floats = (np.maximum(hours, 0.0) / hazard.scale_hours) ** hazard.shape
    return result


# ------------------------------------------------------------------------------------------------- draws


def _all_draws(outlook: Outlook, ways: Sequence[Way], exposed: _Exposed) -> list[list[list[CountSums]]]:
    """Sums by draw, way and month (the last "month" is the whole stretch)."""
    models = [_of_models(outlook, way) for way in ways]
    return in_threads(lambda draw: _one_draw(outlook, ways, models, exposed, draw), outlook.draw_count)


@dataclass(frozen=True, eq=False)
class _OfModel:
    """The places of one way that share a law of life: what of them is the same in every draw.

    Attributes:
        model: number of the law.
        machine, site: of each place.
        now: hours of the part; sound: chance that it does not stand failed.
        staying: chance that its machine is still there, by month, shape (months, places).
    """

    model: int
    machine: Ints
    site: Ints
    now: Floats
    sound: Floats
    staying: Floats


def _of_models(outlook: Outlook, way: Way) -> list[_OfModel]:
    """The places of a way by their law of life; none for a cause without a followed part."""
    age_class = outlook.places["age_class"].to_numpy()
    model_no = outlook.model_no[way.places]
    parts = []
    for number in np.unique(model_no):
        rows = way.places[model_no == number]
        machine = outlook.machine_no[rows]
        parts.append(
            _OfModel(
                model=int(number),
                machine=machine,
                site=outlook.use.table.site[machine],
                now=outlook.age_hours[rows],
                sound=1.0 - outlook.standing[rows],
                staying=np.ascontiguousarray(outlook.staying[age_class[rows]].T),
            )
        )
    return parts


def _one_draw(
    outlook: Outlook,
    ways: Sequence[Way],
    models: Sequence[Sequence[_OfModel]],
    exposed: _Exposed,
    draw: int | None,
) -> list[list[CountSums]]:
    season = outlook.season_days(draw)
    level = outlook.level(draw)
    ahead = _Ahead(exposed, outlook.use.table.site[exposed.machine_no], season, level[exposed.machine_no])
    return [
        _cause_sums(outlook, way, ahead, draw)
        if way.hazard is not None
        else _place_sums(outlook, way, of_models, draw, season, level)
        for way, of_models in zip(ways, models, strict=True)
    ]


def _place_sums(
    outlook: Outlook,
    way: Way,
    models: Sequence[_OfModel],
    draw: int | None,
    season: Floats,
    level: Floats,
) -> list[CountSums]:
    """Sums by month, and for the whole stretch, of one followed part."""
    months = len(outlook.periods)
    total = [NOTHING] * (months + 1)
    failed_by_month, hours_by_month = np.zeros(months), np.zeros(months)
    of_month = season.T
    for part in models:
        law = outlook.models[part.model].at(draw)
        a_day = level[part.machine]
        # hazard up to an age less that reached already, of Weibull laws from logs: the inner loop of the whole forecast
        reached = law.cumulative(part.now)
        shift = law.shape * np.log(law.scale_hours)
        age, alive, ever = np.maximum(part.now, 1e-9), np.ones(part.now.size), np.zeros(part.now.size)
        still = np.empty(part.now.size)
        for month in range(months):
            run = a_day * of_month[month].take(part.site)
            age += run
            if law.lognormal:
                still[:] = law.cumulative(age)
            else:
                np.log(age, out=still)
                still *= law.shape
                still -= shift
                np.exp(still, out=still)
            np.subtract(reached, still, out=still)
            np.exp(still, out=still)
            chance = part.sound * (alive - still) * part.staying[month]
            total[month] = total[month] + _in_pairs(chance, way.both)
            alive, still = still, alive
            ever += chance
            failed_by_month[month] += chance.sum()
            hours_by_month[month] += run.sum()
        total[months] = total[months] + _in_pairs(np.minimum(ever, 1.0), way.both)
    return _with_successors(outlook, way, draw, total, failed_by_month, hours_by_month / way.places.size)


def _with_successors(
    outlook: Outlook,
    way: Way,
    draw: int | None,
    total: list[CountSums],
    failed: Floats,
    hours: Floats,
) -> list[CountSums]:
    """Adds failures of the parts that replace failed ones: few, so as a Poisson count with their mean."""
    variant = outlook.family.fresh_variant(way.component)
    model = next(
        (one for one in outlook.models if (one.component, one.variant) == (way.component, variant)), None
    )
    if model is None:
        return total
    law = model.at(draw)
    again = np.zeros(len(hours))
    for first in range(len(hours)):
        edges = np.concatenate(([0.5 * hours[first]], 0.5 * hours[first] + np.cumsum(hours[first + 1 :])))
        reached = law.cumulative(edges)
        again[first + 1 :] += failed[first] * np.diff(reached)
    sums = [one.with_poisson(float(mean)) for one, mean in zip(total, again, strict=False)]
    return [*sums, total[-1].with_poisson(float(again.sum()))]


@dataclass(frozen=True, eq=False)
class _Ahead:
    """Running hours to come of the machines that can have the fault, in one draw: the same for every cause.

    Attributes:
        exposed: the machines.
        site, a_day: of each machine its site, and its hours a day, season taken out.
        season: days of each month times season, shape (sites, months).
    """

    exposed: _Exposed
    site: Ints
    season: Floats
    a_day: Floats

    @cached_property
    def by_month(self) -> Floats:
        """Of all machines together, shape (months,)."""
        by_site = np.bincount(self.site, weights=self.a_day, minlength=self.season.shape[0])
        together: Floats = by_site @ self.season
        return together

    @cached_property
    def edges(self) -> Floats:
        """Hours of each machine now and at the end of each month, shape (machines, months + 1)."""
        run = np.cumsum(self.a_day[:, None] * self.season[self.site], axis=1)
        return np.column_stack((self.exposed.hours, self.exposed.hours[:, None] + run))


def _cause_sums(outlook: Outlook, way: Way, ahead: _Ahead, draw: int | None) -> list[CountSums]:
    """Sums by month of a cause without a followed part: Poisson counts at the fleet's rate."""
    hazard, default = way.hazard, way.default
    assert hazard is not None
    assert default is not None
    worth = default.failures
    evidence = worth + way.events
    if draw is not None:
        # cases that come in pairs tell less: so many pairs and singles
        each = 1.0 + way.both
        spread = np.random.default_rng([outlook.seed, draw, 6, *way.cause.encode()])
        worth = default.drawn_worth(float(spread.random()))
        evidence = each * float(spread.standard_gamma((worth + way.drawn[draw]) / each))
    factor = evidence / (worth + way.expected)
    if hazard.shape == 1.0:  # a constant rate asks for the hours alone
        expected = ahead.by_month / hazard.scale_hours
    else:
        expected = np.diff(_cumulative(hazard, ahead.edges), axis=1).sum(axis=0)
    means = expected * ahead.exposed.sides * factor
    means = means * outlook.staying.mean(axis=0)
    return [_poisson_in_pairs(float(mean), way.both) for mean in (*means, means.sum())]


def _in_pairs(chance: Floats, both: float) -> CountSums:
    """Sums of units that fail with these chances, a share of the failures two at a time."""
    return count_sums(chance * (1.0 - both)).with_pairs(0.5 * both * float(chance.sum()))


def _poisson_in_pairs(mean: float, both: float) -> CountSums:
    """A Poisson count of that mean, a share of it two at a time."""
    return NOTHING.with_poisson(mean * (1.0 - both)).with_pairs(0.5 * both * mean)


def hours_to_come(fleet: Fleet, scope: Scope, outlook: Outlook) -> Floats:
    """Labour hours that failures to come are expected to take, by the point estimate, shape (periods,)."""
    ways = ways_to_fail(fleet, scope, outlook)
    models = [_of_models(outlook, way) for way in ways]
    sums = _one_draw(outlook, ways, models, _exposed(fleet, scope, outlook), None)
    hours = np.zeros(len(outlook.periods))
    for way, counted in zip(ways, sums, strict=True):
        each = way.step.labour_hours if way.step is not None else 0.0
        hours += each * np.array([one.mean for one in counted[:-1]])
    return hours


def counts_to_come(fleet: Fleet, scope: Scope, outlook: Outlook) -> dict[tuple[str, str], CountDistribution]:
    """Failures to come over the whole stretch ahead: by component and cause, and ("all", "all") together."""
    ways = ways_to_fail(fleet, scope, outlook)
    draws = [
        [sums[-1] for sums in draw] for draw in _all_draws(outlook, ways, _exposed(fleet, scope, outlook))
    ]
    counts = {(way.component, way.cause): mixture([draw[w] for draw in draws]) for w, way in enumerate(ways)}
    return {**counts, ("all", "all"): mixture([sum(draw, NOTHING) for draw in draws])}


def others_to_come(fleet: Fleet, scope: Scope, outlook: Outlook, component: str) -> dict[str, Floats]:
    """Cases of the causes that are not the component's: expected number in each draw, those that stand counted.

    Returns:
        Cause -> shape (draws,).
    """
    ways = [way for way in ways_to_fail(fleet, scope, outlook) if way.component != component]
    ways = [way for way in ways if way.cause != ANY_FAILURE]
    draws = _all_draws(outlook, ways, _exposed(fleet, scope, outlook))
    return {
        way.cause: float(way.standing.sum()) + np.array([sums[w][-1].mean for sums in draws])
        for w, way in enumerate(ways)
    }


# ------------------------------------------------------------------------------------------------ tables


class _Frames:
    """The tables of a forecast from the sums of its draws."""

    def __init__(
        self, fleet: Fleet, outlook: Outlook, ways: Sequence[Way], sums: list[list[list[CountSums]]]
    ) -> None:
        self._ways = ways
        self._sums = sums
        self._standing = [count_sums(way.standing) for way in ways]
        self._labels = [period.label for period in outlook.periods]
        self._settings = fleet.settings
        self._known: dict[tuple[tuple[int, ...], int], CountDistribution] = {}

    def by_way_and_month(self) -> pl.DataFrame:
        rows = [
            {"month": label, "component": way.component, "cause": way.cause, **self._figures([w], m)}
            for m, label in enumerate(self._labels)
            for w, way in enumerate(self._ways)
        ]
        return pl.DataFrame(
            rows, schema={"month": pl.String, "component": pl.String, "cause": pl.String, **_FIGURES}
        )

    def by_month(self) -> pl.DataFrame:
        every = list(range(len(self._ways)))
        rows = [{"month": label, **self._figures(every, m)} for m, label in enumerate(self._labels)]
        return pl.DataFrame(rows, schema={"month": pl.String, **_FIGURES})

    def totals(self) -> pl.DataFrame:
        whole = len(self._labels)
        rows = [
            {"component": way.component, "cause": way.cause, **self._figures([w], whole)}
            for w, way in enumerate(self._ways)
        ]
        every = self._figures(list(range(len(self._ways))), whole)
        rows.append({"component": "all", "cause": "all", **every})
        return pl.DataFrame(rows, schema={"component": pl.String, "cause": pl.String, **_FIGURES})

    def _figures(self, chosen: list[int], month: int) -> dict[str, Any]:
        """Count, parts, hours and money of these ways in one month: what stands is mended first."""
        counted = self._counted(chosen, month)
        needed = self._needed(chosen, month)
        _, most = needed.interval(OUTER)
        lower, upper = counted.interval(OUTER)
        inner_lower, inner_upper = counted.interval(INNER)
        labour = cost = parts = upper_labour = 0.0
        for w in chosen:
            own = needed if len(chosen) == 1 else self._needed([w], month)
            step = self._ways[w].step
            if step is None:
                continue
            labour += own.mean * step.labour_hours
            upper_labour = max(upper_labour, step.labour_hours)
            cost += own.mean * step_cost(step, self._settings)
            parts += own.mean if step.action == "replace" else 0.0
        single = self._ways[chosen[0]].step if len(chosen) == 1 else None
        replaces = single is not None and single.action == "replace"
        # of several kinds together the hours are scaled: their mean job, at the upper count
        mean_hours = labour / needed.mean if needed.mean > 0 else 0.0
        return {
            "standing": sum(self._standing[w].mean for w in chosen) if self._first(month) else 0.0,
            "expected": counted.mean,
            "lower": lower,
            "upper": upper,
            "lower_80": inner_lower,
            "upper_80": inner_upper,
            "parts": parts,
            "parts_to_hold": (most if replaces else 0) if len(chosen) == 1 else None,
            "labour_hours": labour,
            "labour_hours_upper": most * (single.labour_hours if single else mean_hours),
            "cost": cost,
        }

    def _first(self, month: int) -> bool:
        """Whether what stands now is told there: in the first month, and in the whole stretch."""
        return month in (0, len(self._labels))

    def _needed(self, chosen: list[int], month: int) -> CountDistribution:
        """What needs mending: what stands now and what is to come."""
        if not self._first(month):
            return self._counted(chosen, month)
        now = sum((self._standing[w] for w in chosen), NOTHING)
        return mixture([sum((sums[w][month] for w in chosen), now) for sums in self._sums])

    def _counted(self, chosen: list[int], month: int) -> CountDistribution:
        key = (tuple(chosen), month)
        if key not in self._known:
            self._known[key] = mixture(
                [sum((sums[w][month] for w in chosen), NOTHING) for sums in self._sums]
            )
        return self._known[key]


_FIGURES = {
    "standing": pl.Float64,
    "expected": pl.Float64,
    "lower": pl.Int64,
    "upper": pl.Int64,
    "lower_80": pl.Int64,
    "upper_80": pl.Int64,
    "parts": pl.Float64,
    "parts_to_hold": pl.Int64,
    "labour_hours": pl.Float64,
    "labour_hours_upper": pl.Float64,
    "cost": pl.Float64,
}


def _units(outlook: Outlook, most: int) -> pl.DataFrame:
    """The parts most likely to fail, by the point estimate."""
    chances = outlook.failure_chances()
    hours = outlook.hours_ahead()
    days = sum(period.days for period in outlook.periods)
    return (
        outlook.places.select(
            "machine_id", "component", "side", "variant", "site", "model", "build_year", "age_hours"
        )
        .with_columns(
            pl.Series("hours_a_month", hours.sum(axis=1) / days * 30.4375),
            pl.Series("standing", outlook.standing),
            pl.Series("chance", chances.sum(axis=1)),
            pl.Series("by_month", chances.tolist(), dtype=pl.List(pl.Float64)),
        )
        .sort(["chance", "machine_id", "component", "side"], descending=[True, False, False, False])
        .head(most)
    )


def laws_frame(outlook: Outlook, level: float) -> pl.DataFrame:
    """The laws with their ranges: component, variant, failures, spells, hours, shape, scale_hours, ….."""
    rows = []
    for model in outlook.models:
        shape, scale = model.interval(0, level), model.interval(1, level)
        rows.append(
            {
                "component": model.component,
                "variant": model.variant,
                "failures": model.failures,
                "spells": model.spells,
                "hours": model.hours,
                "shape": model.law.shape,
                "shape_lower": shape[0] if shape else None,
                "shape_upper": shape[1] if shape else None,
                "scale_hours": model.law.scale_hours,
                "scale_lower": scale[0] if scale else None,
                "scale_upper": scale[1] if scale else None,
                "lognormal_weight": model.lognormal_weight,
                "method": model.method,
            }
        )
    return pl.DataFrame(rows, infer_schema_length=None)


def _notes(outlook: Outlook, ways: Sequence[Way]) -> tuple[str, ...]:
    notes = [
        f"Ranges hold what is not known of lives, use and season: {outlook.draw_count} draws over machines, "
        f"seed {outlook.seed}; lower and upper are the 95% range, lower_80 and upper_80 the 80% range.",
        "A failure counts from its first report. What stands broken on the as-of day is told apart, and its parts and "
        "hours are those of the first month.",
    ]
    as_of = outlook.history.as_of
    if (as_of + timedelta(days=1)).day != 1:
        notes.append(f"The first month holds only the days after {as_of.isoformat()}.")
    if any(way.hazard is not None for way in ways):
        notes.append(
            "Causes whose parts are not followed come at the fleet's rate by machine hours, learnt from all cases, "
            "each as surely as it is of that cause."
        )
    return tuple(notes)
