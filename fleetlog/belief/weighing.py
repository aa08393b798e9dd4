"""Weighs the evidence of cases: from what was observed to the probability of each cause.

A fault family becomes the arrays of `fleetlog.stats.latent_cause`, the rows of sql/cases/ become its cases, and what
comes back is put into words again. Figures are the family's, or learnt from all cases of the fleet up to the day asked
for.

Against being too sure, four things that come from how books are kept: the failure modes of a case's episodes are
votes that repeat each other, as far as the fleet's own do; the part may be another than the one on record; and a
family's figures are worth several times a case whose cause is only probable. Evidence counts for less than its face
value where the pieces of a case foretell each other badly (`power`). A confirmed cause is no fixed label.
In invented fleets with untidy books (tests/benchmarks/bench_causes.py, 600 machines, seeds 1 to 4) the findings
that a holding repair confirmed were true in 97 % for a bushing but in 60 to 70 % for a sensor, and the chance given
to them without labels was 96 and 66 to 80 %; held fixed in learning they made the log loss 4 % worse at 600 and
at 2,000 machines.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import polars as pl

from fleetlog.belief.case_bounds import cut
from fleetlog.belief.case_records import HELD, SAME_MODE, Observations, repetition_in, tempered
from fleetlog.belief.evidence_words import NEW_FAULT, STILL_THERE, UNRECORDED, evidence_words
from fleetlog.belief.family_arrays import Layout
from fleetlog.belief.learning import exposure_of, learnt, power_of
from fleetlog.belief.reason import Reason
from fleetlog.belief.returns import Silence, return_laws, silence
from fleetlog.belief.unrecorded import Unrecorded, UnrecordedSteps, unrecorded
from fleetlog.faults import FaultFamily
from fleetlog.history import History
from fleetlog.session.fleet import Fleet
from fleetlog.stats.arrays import Floats, Ints
from fleetlog.stats.hidden_repair import ReturnLaws
from fleetlog.stats.latent_cause import (
    CauseFit,
    CauseModel,
    follow_ups,
    log_prior,
    odds_without_a_fault,
)
from fleetlog.stats.posterior import Posterior, posterior
from fleetlog.store import Store

#: Another fault may have taken the place of a case's first one. Below this chance it is not spoken of.
WORTH_SAYING = 0.002


@dataclass(frozen=True, eq=False)
class WeighedCases:
    """All cases of a family with the probability of each cause.

    Attributes:
        causes: names, in the order of the columns of `posterior.probability`.
        cases: one row a case, in the order of its rows.
        evidence: one row a piece of evidence, in the order of `posterior.weight`, by case and as it was
            weighed.
        onset_hours: running hours of each cause's part when the case set in, NaN = not known, shape (N, K).
        onset_variants: its variant, one series a cause, "" = not known.
        age_hours, variants: the same for the part in place when the fault last showed.
        posterior: what is at the bottom of the fault if it stands: when it last showed, and after a repair that is
            being followed, given that this has failed.
        real: chance that the case is a fault at all, and no code that passed by itself, shape (N,).
        of_case: what was at the bottom of the case when it set in, shape (N, K); sums to `real`.
        uncured: chance that it still is, if it is a fault, after all repairs and the time since, shape (N,).
        stands: chance that a fault stands on that side now and is of each cause, shape (N, K): what the repairs have
            not cured, and of an open case what is left after its hours without a report, which speak of a repair
            that nobody wrote down; NaN = not heard of.
        quiet_hours: running hours read since the last report of a side that no repair answers, else 0, shape (N,).
        blank_orders: orders since then of which nobody knows whether they ended the fault, shape (N,), and
            `blank_order`, the latest of them.
        power: how much of its face value each piece of evidence counts for: 1 = all of it.
        fit: the figures learnt, None where the family's own were used.
        returns: how soon a standing fault shows again, and how often one ends without a note.
        unrecorded_ends: how likely an unrecorded step ends each cause.
        bounds, carried: the table weighed_case, and what `_cut` found beside it.
        same_mode: how far episodes of one case repeat each other's failure mode.
    """

    layout: Layout
    cases: pl.DataFrame
    evidence: pl.DataFrame
    onset_hours: Floats
    onset_variants: tuple[pl.Series, ...]
    age_hours: Floats
    variants: tuple[pl.Series, ...]
    posterior: Posterior
    real: Floats
    of_case: Floats
    uncured: Floats
    stands: Floats
    quiet_hours: Floats
    blank_orders: Ints
    blank_order: pl.Series
    model: CauseModel
    power: float
    fit: CauseFit | None
    returns: ReturnLaws
    unrecorded_ends: UnrecordedSteps
    _starts: Ints = field(repr=False)
    bounds: pl.DataFrame = field(default_factory=pl.DataFrame, repr=False)
    carried: pl.DataFrame = field(default_factory=pl.DataFrame, repr=False)
    same_mode: float = SAME_MODE

    @property
    def causes(self) -> tuple[str, ...]:
        """Names of the causes, in the order of the columns of every probability."""
        return self.layout.causes

    @property
    def standing(self) -> Floats:
        """Chance that a fault stands on that side now, whatever its cause; NaN = not heard of, shape (N,)."""
        total: Floats = self.stands.sum(axis=1)
        return total

    def evidence_of(self, i: int) -> pl.DataFrame:
        """The evidence of the case in row i, in the order in which it was weighed."""
        start = int(self._starts[i])
        return self.evidence.slice(start, int(self._starts[i + 1]) - start)

    def reasons(self, i: int) -> tuple[Reason, ...]:
        """Why the likeliest cause of a case is so likely; the weights add up to its log-odds."""
        start = int(self._starts[i])
        mine = self.evidence_of(i)
        observations = [
            Reason(evidence_words(self.layout.family, row), float(self.posterior.weight[start + j]))
            for j, row in enumerate(mine.iter_rows(named=True))
        ]
        return (Reason(self._prior_wording(i), float(self.posterior.prior_weight[i])), *observations)

    def confirmed(self) -> pl.Series:
        """The cause that counts as confirmed in each case, null where none does, shape (N,).

        It does when the fault has stayed away since the last repair, and either a finding of that repair says
        so, or the repair is of a kind that cures one cause only and the code stayed away for the whole
        confirmation window.
        """
        family = self.layout.family
        window = family.windows.confirmation_hours
        single = {}
        for step, chances in zip(self.layout.cures, self.layout.defaults.model.cure, strict=True):
            reached = np.flatnonzero(chances >= 0.5)
            if reached.size == 1:
                single[HELD + step] = self.causes[int(reached[0])]
        last = (
            self.evidence.filter(pl.col("evidence").str.starts_with(HELD))
            .group_by("case_id", maintain_order=True)
            .last()
            .filter(~pl.col("in_vain"))
            .select("case_id", "hours", repair="evidence")
        )
        found = (
            self.evidence.filter(pl.col("cause").is_not_null() & (pl.col("outcome") != "passed"))
            .select("case_id", "cause", repair=HELD + pl.col("evidence"))
            .unique(["case_id", "repair"], keep="last")
        )
        held = pl.when(pl.col("hours") >= window).then(
            pl.col("repair").replace_strict(single, default=None, return_dtype=pl.String)
        )
        observations = last.join(found, on=["case_id", "repair"], how="left").select(
            "case_id", cause=pl.coalesce("cause", held)
        )
        return self.cases.select("case_id").join(
            observations, on="case_id", how="left", maintain_order="left"
        )["cause"]

    def _prior_wording(self, i: int) -> str:
        part = self.layout.family.causes[0].component.replace("_", " ")
        hours, variant = self.onset_hours[i, 0], self.onset_variants[0][i]
        if np.isnan(hours):
            return f"how common each cause is ({part or 'machine'} of unknown age)"
        return f"{variant} {part} with {hours:,.0f} h".strip() if part else f"machine with {hours:,.0f} h"


def weighed_now(fleet: Fleet, history: History, family: FaultFamily) -> WeighedCases:
    """The posterior of every case with figures learnt, made once for all questions about one day."""
    return fleet.once(f"weighed {family.name}", history, lambda: weigh(fleet.store, history, family))


def weigh(store: Store, history: History, family: FaultFamily, *, learn: bool = True) -> WeighedCases:
    """The posterior of every case of a family, whatever its state.

    Args:
        store: whose history has been built.
        history: that history.
        family: whose causes and figures to use.
        learn: whether to learn the figures from all cases, or to take the family's own as they are.
    """
    returns = return_laws(store, family, learn=learn)
    layout = Layout.of(family, returns.back)
    carried = cut(store, history, layout, returns)
    observations = Observations.of(store, history, layout, carried)
    quiet = silence(store, history, family, observations.rows)
    model, fit, power, same = layout.defaults.model, None, 1.0, SAME_MODE
    if learn and observations.rows.height:
        same = repetition_in(layout, observations)
        observations = tempered(observations, same)
    hidden = unrecorded(store, layout, observations, quiet, returns)
    observations = replace(observations, cases=replace(observations.cases, besides=hidden.log_likelihood))
    if learn and observations.rows.height:
        real = _real(layout, observations, model, quiet, returns, hidden)
        observations = replace(observations, cases=replace(observations.cases, weight=real))
        fit = learnt(layout, observations, exposure_of(store, layout))
        model, power = fit.model, power_of(fit.model, observations)
    judged = _judged(layout, observations, model, fit, returns, quiet, power, hidden)
    return replace(judged, bounds=store.select("FROM weighed_case"), carried=carried, same_mode=same)


def weighed_at(store: Store, history: History, weighed: WeighedCases, looks: pl.DataFrame) -> pl.DataFrame:
    """The chance that a fault stood at each of some instants, by the figures learnt now and what was on record then.

    Args:
        weighed: the cases as they are today; their bounds hold for what came before, too.
        looks: machine_id, at (UTC), tenths (running hours then); a look at the end of the history gives
            today's chances.

    Returns:
        machine_id, side, at, tenths, standing (NULL = not heard of); a row a look and side with a case by then.
    """
    store.register("weighed_case", weighed.bounds)
    store.register("look", looks)
    try:
        cases = store.run("cases/looks", fault=weighed.layout.family.name, as_of_end=history.as_of_end)
        store.register("weighed_case", cases)
        observations = tempered(
            Observations.of(store, history, weighed.layout, weighed.carried), weighed.same_mode
        )
        quiet = silence(store, history, weighed.layout.family, observations.rows)
        hidden = unrecorded(
            store, weighed.layout, observations, quiet, weighed.returns, weighed.unrecorded_ends
        )
    finally:
        store.register("weighed_case", weighed.bounds)
    # nobody knew then that another case would follow, or that the machine would leave
    earlier = pl.col("until") < history.as_of_end
    rows = observations.rows.with_columns(
        pl.lit(None, pl.Datetime("us")).alias("until"), in_fleet=pl.col("in_fleet") | earlier
    )
    earlier_rows = replace(observations, rows=rows)
    judged = _judged(
        weighed.layout,
        earlier_rows,
        weighed.model,
        weighed.fit,
        weighed.returns,
        quiet,
        weighed.power,
        hidden,
    )
    return cases.sort("machine_id", "side", "case_no").select(
        "machine_id",
        "side",
        pl.col("until").alias("at"),
        pl.col("seen_tenths").alias("tenths"),
        pl.Series("standing", judged.standing).fill_nan(None),
    )


def _with_silence(
    observations: Observations, model: CauseModel, quiet: Silence, hidden: Unrecorded
) -> tuple[Ints, Floats, pl.DataFrame]:
    """Evidence by case, with what came without a repair on record after how the repairs held."""
    owner, likelihood, evidence = observations.in_order(model)
    spoken = np.flatnonzero(np.ptp(hidden.log_likelihood, axis=1) > 0.0)
    silent = pl.DataFrame(
        {
            "case_id": spoken,
            "evidence": [UNRECORDED] * spoken.size,
            "hours": quiet.quiet_hours[spoken],
            "waits": hidden.waits[spoken],
        },
        schema={**_NEWS, "hours": pl.Float64, "waits": pl.Int64},
    )
    evidence = pl.concat([evidence, silent], how="diagonal")
    owner = np.concatenate((owner, spoken))
    order = np.argsort(owner, kind="stable")
    likelihood = np.concatenate((likelihood, hidden.log_likelihood[spoken]))
    return owner[order], likelihood[order], evidence[order]


_NEWS: dict[str, type[pl.DataType]] = {"case_id": pl.Int64, "evidence": pl.String}


def _judged(
    layout: Layout,
    observations: Observations,
    model: CauseModel,
    fit: CauseFit | None,
    returns: ReturnLaws,
    quiet: Silence,
    power: float,
    hidden: Unrecorded,
) -> WeighedCases:
    """Bayes' rule over all evidence, and over what may have come after it."""
    rows, cases = observations.rows, observations.cases
    prior = log_prior(model, cases)
    followed = follow_ups(model, cases)
    owner, likelihood, evidence = _with_silence(observations, model, quiet, hidden)
    likelihood = power * likelihood
    first = posterior(prior, likelihood, owner)

    # While a case goes on, another fault can take the place of the first: in the hours between its reports,
    # or because the last repair of an open case has held. What that fault is, its evidence hardly tells.
    open_case = (rows["state"] == "open").to_numpy()
    hours = (rows["last_tenths"] - rows["first_tenths"]).to_numpy() / 10
    persisting = np.exp(-hours / model.background_hours)
    still = np.where(open_case[:, None], followed.uncured, 1.0) * persisting[:, None]
    replaced = 1.0 - (first.probability * still).sum(axis=1)
    doubted = np.flatnonzero(replaced > WORTH_SAYING)
    log_age = np.log(np.maximum(np.nan_to_num(observations.age_hours, nan=1.0), 1.0))
    fresh = np.exp(model.log_hazard(observations.hazard_now, log_age)[doubted])
    fresh /= fresh.sum(axis=1, keepdims=True)
    mixed = (first.probability * still)[doubted] + replaced[doubted, None] * fresh
    turn = np.log(mixed) - np.log(first.probability[doubted])
    news = pl.DataFrame(
        {"case_id": doubted, "evidence": [NEW_FAULT] * doubted.size, "chance": replaced[doubted]},
        schema={**_NEWS, "chance": pl.Float64},
    )
    left = np.where(quiet.unanswered[:, None], hidden.stands, followed.uncured)
    followed_up = np.flatnonzero(
        (rows["answered"].to_numpy() | quiet.unanswered) & rows["until"].is_null().to_numpy()
    )
    failed = np.log(np.maximum(left[followed_up], np.finfo(np.float64).tiny))
    missed = pl.DataFrame(
        {
            "case_id": followed_up,
            "evidence": [STILL_THERE] * followed_up.size,
            "outcome": np.where(quiet.unanswered[followed_up], "unanswered", "answered"),
        },
        schema={**_NEWS, "outcome": pl.String},
    )
    evidence = pl.concat([evidence, news, missed], how="diagonal")
    owner = evidence["case_id"].to_numpy()
    order = np.argsort(owner, kind="stable")
    likelihood = np.concatenate((likelihood, turn, failed))[order]
    judged = posterior(prior, likelihood, owner[order])
    real = _real(layout, observations, model, quiet, returns, hidden)
    uncured = first.probability * followed.uncured
    chance = real * (first.probability * left).sum(axis=1)
    stands = chance[:, None] * judged.probability
    stands *= 1.0 - quiet.late_cure(rows, layout.cures, model.cure)
    # a case that another followed, or whose machine has left, stands no more
    stands[(rows["until"].is_not_null() | ~rows["in_fleet"]).to_numpy()] = 0.0
    stands[(rows["state"] == "silent").to_numpy()] = np.nan
    return WeighedCases(
        layout=layout,
        cases=rows,
        evidence=evidence[order],
        onset_hours=cases.age_hours,
        onset_variants=observations.onset_variants,
        age_hours=observations.age_hours,
        variants=observations.variants,
        posterior=judged,
        real=real,
        of_case=real[:, None] * first.probability,
        uncured=uncured.sum(axis=1),
        stands=stands,
        quiet_hours=quiet.quiet_hours,
        blank_orders=quiet.blank_orders + quiet.looks,
        blank_order=quiet.blank_order,
        returns=returns,
        unrecorded_ends=hidden.ends,
        model=model,
        power=power,
        fit=fit,
        _starts=np.searchsorted(owner[order], np.arange(rows.height + 1)),
    )


def _real(
    layout: Layout,
    observations: Observations,
    model: CauseModel,
    quiet: Silence,
    returns: ReturnLaws,
    hidden: Unrecorded,
) -> Floats:
    """Chance of each case that it is a fault at all, shape (N,).

    A first burst of reports can be a code that passes by itself. That the hours after a repair stayed quiet fits one
    that passed as well as one that was cured; a part found failed speaks against it as surely as findings are right.
    """
    cases = observations.cases
    owner, likelihood, _ = observations.in_order(model)
    share = posterior(log_prior(model, cases), likelihood, owner).probability
    fault = (1.0 - hidden.ends.passing) * (share * np.exp(hidden.log_likelihood)).sum(axis=1)
    odds = hidden.ends.passing * hidden.passed / np.maximum(fault, np.finfo(np.float64).tiny)
    odds *= np.where(quiet.unanswered, 1.0, odds_without_a_fault(model, cases))
    found = observations.pieces.filter(pl.col("label") != "", pl.col("position") == 0)
    for evidence, label in found.select("evidence", "label").unique(maintain_order=True).iter_rows():
        mine = found.filter(pl.col("evidence") == evidence, pl.col("label") == label)["case_id"].unique()
        chance = model.outcome[layout.labels[evidence, label], 0]
        odds[mine.to_numpy()] *= min(float(chance.min() / chance[layout.causes.index(label)]), 1.0)
    real: Floats = 1.0 / (1.0 + odds)
    return real
