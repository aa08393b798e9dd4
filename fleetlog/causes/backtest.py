"""How good were past suspicions? Month by month, knowing only what was known then.

For each month-end the history is built as of that day, the figures learnt from it alone, and every open case
judged. What the cause was is taken from what was confirmed later, or from a truth that is handed over for an
invented fleet. The same cases are judged by three simpler rules.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Any, ClassVar

import numpy as np
import polars as pl

from fleetlog.belief.weighing import WeighedCases, weigh
from fleetlog.causes.repair_plan import RepairPlan
from fleetlog.causes.suspects import in_scope
from fleetlog.errors import UsageError
from fleetlog.faults import FaultFamily
from fleetlog.history import History
from fleetlog.session.finding import Finding
from fleetlog.session.fleet import Fleet
from fleetlog.session.months import month_start
from fleetlog.session.scope import WHOLE_FLEET, Scope
from fleetlog.stats.arrays import Floats, Ints, normal_quantile
from fleetlog.stats.errors import BadArgument
from fleetlog.stats.repair_order import expected_sum
from fleetlog.stats.scores import area_under_curve, calibration_bins, calibration_line

MODEL, SCORE, RULE, BASE = "model", "evidence score", "always the first cause", "base rates"

#: What the rule "always the first cause on the older design" is allowed to be sure of: without some doubt its
#: log loss would be infinite the first time it is wrong. Ours.
RULE_CERTAINTY = 0.95
#: Cases that the family's own weights count for among the base rates: some causes are never confirmed. Ours.
BASE_CASES = 10.0
#: Fewer judgements than this make no calibration line.
_ENOUGH = 10


@dataclass(frozen=True, repr=False)
class BacktestFinding(Finding):
    """Suspicions of past months beside what was confirmed later.

    Attributes:
        months: the month-ends looked back from.
        scores: one row a method: method, judged (case and month), cases, brier, log_loss, log_loss_lower,
            log_loss_upper, right (share of judgements whose likeliest cause was the true one), auc (of the
            family's first cause against the rest; null where it cannot be told).
        calibration: certainty of the model's likeliest cause in bins, and how often it was right: from, to,
            cases, mean_probability, happened, share, lower, upper.
        calibration_slope: of the model's probabilities, all causes pooled; 1 is perfect, below 1 too sure.
        money: one row a way of working (model, custom): cost, labour_hours, swaps_in_vain,
            opened_for_nothing, a case and in all; expected, given the cause that was true.
        predictions: one row a method, month and case: the probability of each cause and the true one.
        unconfirmed: judged cases whose cause was never confirmed, left out.
        currency: ISO 4217 code of the costs.
    """

    question: ClassVar[str] = "backtest"
    answers = ("months", "calibration", "calibration_slope", "money", "unconfirmed", "currency")

    as_of: date
    fault: str
    months: tuple[date, ...]
    scores: pl.DataFrame
    calibration: pl.DataFrame
    calibration_slope: float | None
    money: pl.DataFrame
    predictions: pl.DataFrame
    unconfirmed: int
    currency: str
    notes: tuple[str, ...] = ()

    @property
    def frame(self) -> pl.DataFrame:
        """The scores."""
        return self.scores


def backtest(
    fleet: Fleet,
    scope: Scope = WHOLE_FLEET,
    *,
    months: int = 24,
    truth: pl.DataFrame | None = None,
    other_families: Mapping[str, FaultFamily] | None = None,
    progress: Callable[[date], None] | None = None,
) -> BacktestFinding:
    """Judges the open cases of past month-ends and compares with what they turned out to be.

    Args:
        scope: which part of the fleet; `as_of` is the last day whose knowledge counts.
        months: how many month-ends to look back from.
        truth: true cases (machine_id, side, cause, began_at); None takes what was confirmed later.
        other_families: further figures to judge by as they stand, by name, e.g. those an invented fleet was
            made by.
        progress: called with each month-end before it is worked on.

    Raises:
        UsageError: for less than one month, or where no case can be judged.

    Examples:
        >>> june.backtest(months=3).frame.height > 0
        True
    """
    if months < 1:
        raise UsageError(f"A backtest looks back from at least one month-end, not {months}.")
    history, family = fleet.begin(scope)
    last = history.as_of
    known = truth if truth is not None else _confirmed_later(weigh(fleet.store, history, family))
    known = known.select("machine_id", "side", "cause", pl.col("began_at").cast(pl.Datetime("us")))
    plan = RepairPlan.of(family, fleet.settings)
    ends = month_ends(last, months)
    judged: list[pl.DataFrame] = []
    spent: list[pl.DataFrame] = []
    unconfirmed: set[tuple[str, str, Any]] = set()
    paid: set[tuple[str, str, Any]] = set()
    for day in ends:
        if progress is not None:
            progress(day)
        history = fleet.history(day)
        month = _Month.of(fleet, history, family, scope, known)
        unconfirmed |= month.unconfirmed
        if not month.rows.size:
            continue
        judged += month.judgements(fleet, other_families or {})
        spent += month.money(fleet, plan, paid)
    fleet.history(scope.as_of)
    if not judged:
        raise UsageError(
            f"None of the {len(ends)} month-ends up to {last} has an open case whose cause was confirmed "
            "later; look further back with more months."
        )
    predictions = pl.concat(judged)
    methods = [MODEL, SCORE, RULE, BASE, *(other_families or {})]
    model = predictions.filter(pl.col("method") == MODEL)
    scores = pl.DataFrame([_score(predictions.filter(pl.col("method") == m), m, family) for m in methods])
    return BacktestFinding(
        as_of=last,
        fault=family.name,
        months=tuple(ends),
        scores=scores,
        calibration=calibration_bins(model["certainty"].to_numpy(), model["right"].to_numpy(), bins=5),
        calibration_slope=_slope(model, family),
        money=_money(spent),
        predictions=predictions,
        unconfirmed=len(unconfirmed),
        currency=fleet.settings.fleet.currency,
        notes=_notes(truth is not None, len(unconfirmed), model),
    )


def month_ends(last: date, months: int) -> list[date]:
    """The last days of so many whole months, the latest no later than `last`."""
    after = last + timedelta(days=1)
    return [month_start(after, -back) - timedelta(days=1) for back in reversed(range(months))]


def _confirmed_later(weighed: WeighedCases) -> pl.DataFrame:
    """Cases whose cause is confirmed by the last day, as a truth; and the others, with a null."""
    return weighed.cases.select("machine_id", "side", began_at="first_at").with_columns(
        cause=weighed.confirmed()
    )


@dataclass(frozen=True, eq=False)
class _Month:
    """The open cases of one month-end with what they turned out to be.

    Attributes:
        rows: rows of the open cases in `model`, all with a known cause.
        true: position of that cause.
        began: when the true case began, which names it.
        unconfirmed: cases that were open but never confirmed.
    """

    day: date
    history: History
    family: FaultFamily
    model: WeighedCases
    rows: Ints
    true: Ints
    began: pl.Series
    unconfirmed: set[tuple[str, str, Any]]

    @staticmethod
    def of(fleet: Fleet, history: History, family: FaultFamily, scope: Scope, known: pl.DataFrame) -> _Month:
        model = weigh(fleet.store, history, family)
        cases = model.cases
        wanted = in_scope(cases, scope) & (cases["state"] == "open").to_numpy()
        # What had been confirmed already needs no suspicion.
        wanted &= model.confirmed().is_null().to_numpy()
        # The fault that stands at the month-end is the last one that began before it on that side.
        standing = (
            known.filter(pl.col("began_at") < history.as_of_end)
            .sort("machine_id", "side", "began_at")
            .group_by("machine_id", "side", maintain_order=True)
            .last()
        )
        labelled = cases.with_row_index("row").join(
            standing, on=["machine_id", "side"], how="left", maintain_order="left"
        )
        labelled = labelled.filter(pl.Series(wanted, dtype=pl.Boolean))
        sure = labelled.filter(pl.col("cause").is_in(list(model.causes)))
        return _Month(
            day=history.as_of,
            history=history,
            family=family,
            model=model,
            rows=sure["row"].to_numpy().astype(np.int64),
            true=np.array([model.causes.index(cause) for cause in sure["cause"]], dtype=np.int64),
            began=sure["began_at"],
            unconfirmed=set(
                labelled.filter(pl.col("cause").is_null()).select("machine_id", "side", "began_at").rows()
            ),
        )

    def judgements(self, fleet: Fleet, other_families: Mapping[str, FaultFamily]) -> list[pl.DataFrame]:
        """One frame a method."""
        model = self.model
        judged_by = {MODEL: model.posterior.probability[self.rows]}
        base = self._base_rates()
        judged_by[BASE] = np.tile(base, (self.rows.size, 1))
        judged_by[RULE] = self._rule(base)
        judged_by |= {
            name: self._as_given(weigh(fleet.store, self.history, family, learn=False), model)
            for name, family in {SCORE: self.family, **other_families}.items()
        }
        return [self._frame(name, probability) for name, probability in judged_by.items()]

    def _as_given(self, other: WeighedCases, model: WeighedCases) -> Floats:
        """The probabilities of the same cases by other figures, which may cut the history otherwise."""
        wanted = model.cases[self.rows].select("machine_id", "side")
        last = (
            other.cases.with_row_index("row")
            .group_by("machine_id", "side", maintain_order=True)
            .agg(pl.col("row").last())
        )
        rows = wanted.join(last, on=["machine_id", "side"], how="left", maintain_order="left")["row"]
        probability: Floats = other.posterior.probability[rows.to_numpy()]
        return probability

    def _base_rates(self) -> Floats:
        """How common each cause was among the cases confirmed by then, beside the family's own weights."""
        confirmed = self.model.confirmed().drop_nulls()
        prior = np.array([cause.prior_for("") for cause in self.family.causes])
        counts = np.array([(confirmed == cause).sum() for cause in self.model.causes], dtype=np.float64)
        share: Floats = counts + BASE_CASES * prior / prior.sum()
        share /= share.sum()
        return share

    def _rule(self, base: Floats) -> Floats:
        """The first cause for every part of a design that left the factory first, else the base rates."""
        part = self.family.part(self.family.causes[0].component)
        older = part.known_variants[0] if part and part.known_variants else ""
        old = (self.model.onset_variants[0][self.rows] == older).to_numpy() if older else np.zeros(0)
        ruled = np.tile(base, (self.rows.size, 1))
        if not older:
            return ruled
        rest = base.copy()
        rest[0] = 0.0
        ruled[old] = (1.0 - RULE_CERTAINTY) * rest / rest.sum()
        ruled[old, 0] = RULE_CERTAINTY
        return ruled

    def _frame(self, method: str, probability: Floats) -> pl.DataFrame:
        causes = self.model.causes
        top = probability.argmax(axis=1)
        return pl.DataFrame(
            {
                "method": [method] * self.rows.size,
                "month": [self.day] * self.rows.size,
                "machine_id": self.model.cases["machine_id"][self.rows],
                "side": self.model.cases["side"][self.rows],
                "began_at": self.began,
                "true_cause": [causes[k] for k in self.true],
                "certainty": probability[np.arange(self.rows.size), top],
                "right": top == self.true,
                **{f"p_{cause}": probability[:, k] for k, cause in enumerate(causes)},
            }
        )

    def money(self, fleet: Fleet, plan: RepairPlan, paid: set[tuple[str, str, Any]]) -> list[pl.DataFrame]:
        """What the model's plan and custom would have cost, for cases not seen at an earlier month-end."""
        keys = list(
            zip(
                self.model.cases["machine_id"][self.rows],
                self.model.cases["side"][self.rows],
                self.began,
                strict=True,
            )
        )
        new = np.array([key not in paid for key in keys], dtype=bool)
        paid.update(keys)
        if not new.any():
            return []
        rows, true = self.rows[new], self.true[new]
        outlook = plan.outlook(self.model, rows, fleet, self.history)
        certain = np.eye(len(self.model.causes))[true]
        reach = np.zeros((len(plan.deeds), len(self.model.causes)))
        reach[: plan.cures] = plan.steps.cure
        for opening in plan.steps.openings:
            reach[opening.look] = plan.steps.cure[list(opening.together or opening.jobs)].max(axis=0)
        steps = [deed.step for deed in plan.deeds]
        replaces = np.array([s is not None and s.action == "replace" and not s.opens_pump for s in steps])
        opens = np.array([s is None or (s.opens_pump and not s.opening) for s in steps])
        in_vain = reach[:, true].T < 0.5
        frames = []
        for name, plans in (("model", outlook.best), ("custom", outlook.custom)):
            last = outlook.choices.last_resort

            def sums(amount: Floats, plans: Any = plans) -> Floats:
                return expected_sum(certain, plan.steps, plans, amount)

            cost = sums(outlook.choices.cost)
            cost += last * expected_sum(certain, plan.steps, plans, np.zeros(len(plan.deeds)), 1.0)
            frames.append(
                pl.DataFrame(
                    {
                        "way": [name] * rows.size,
                        "cost": cost,
                        "labour_hours": sums(plan.labour),
                        "swaps_in_vain": sums(in_vain & replaces),
                        "opened_for_nothing": sums(in_vain & opens),
                    }
                )
            )
        return frames


def _score(judged_by: pl.DataFrame, method: str, family: FaultFamily) -> dict[str, Any]:
    causes = [cause.name for cause in family.causes]
    p = judged_by.select(f"p_{cause}" for cause in causes).to_numpy()
    true = np.array([causes.index(cause) for cause in judged_by["true_cause"]])
    hit = p[np.arange(true.size), true]
    loss = -np.log(np.maximum(hit, 1e-12))
    brier = ((p - np.eye(len(causes))[true]) ** 2).sum(axis=1)
    case = (
        judged_by.select(pl.struct("machine_id", "side", "began_at").rank("dense")).to_series().to_numpy() - 1
    )
    cases = int(case.max()) + 1
    # Months of one case tell the same story: the error of the mean is that of sums over cases.
    of_case = np.bincount(case, weights=loss - loss.mean(), minlength=cases)
    error = float(np.sqrt((of_case**2).sum())) / loss.size
    reach = normal_quantile(0.95) * error
    try:
        auc: float | None = area_under_curve(p[:, 0], true == 0)
    except BadArgument:
        auc = None
    return {
        "method": method,
        "judged": judged_by.height,
        "cases": cases,
        "brier": float(brier.mean()),
        "log_loss": float(loss.mean()),
        "log_loss_lower": float(loss.mean()) - reach,
        "log_loss_upper": float(loss.mean()) + reach,
        "right": float(judged_by["right"].mean()),  # type: ignore[arg-type]
        "auc": auc,
    }


def _slope(model: pl.DataFrame, family: FaultFamily) -> float | None:
    """Slope of outcomes on log-odds, every cause of every judgement a pair."""
    if model.height < _ENOUGH:
        return None
    causes = [cause.name for cause in family.causes]
    p = np.concatenate([model[f"p_{cause}"].to_numpy() for cause in causes])
    happened = np.concatenate([(model["true_cause"] == cause).to_numpy() for cause in causes])
    try:
        return calibration_line(p, happened).slope
    except BadArgument:
        return None


def _money(spent: list[pl.DataFrame]) -> pl.DataFrame:
    """Sums and means a way of working."""
    return (
        pl.concat(spent)
        .group_by("way", maintain_order=True)
        .agg(
            pl.len().alias("cases"),
            pl.col("cost", "labour_hours", "swaps_in_vain", "opened_for_nothing").sum(),
            cost_a_case=pl.col("cost").mean(),
        )
    )


def _notes(invented: bool, unconfirmed: int, model: pl.DataFrame) -> tuple[str, ...]:
    notes = []
    if not invented:
        notes.append(
            "What is true is what was confirmed later. Cases that a finding or a long quiet confirms are not "
            f"like all others, and {unconfirmed} that nobody confirmed are left out."
        )
        notes.append(
            "A case is confirmed by the repair that was tried, so whoever always tries one repair first "
            "confirms it more often."
        )
    cases = model.select("machine_id", "side", "began_at").unique().height
    if cases < 30:
        notes.append(f"With {cases} cases, differences between the methods are mostly chance.")
    return tuple(notes)
