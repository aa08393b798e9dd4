"""Weighs the evidence of cases: from what was observed to the probability of each cause.

This is the translation: a fault family becomes the arrays of `fleetlog.stats.latent_cause`, the rows of
sql/cases/ become its cases, and what comes back is put into words again. Figures are the family's, or learnt
from all cases of the fleet up to the day asked for.

Against being too sure, three things that come from how books are kept: the failure modes of a case's episodes are
votes that repeat each other, as far as the fleet's own do; the part may be another than the one on record; and a
family's figures are worth double against cases whose cause is only probable. A confirmed cause is no fixed label.
In invented fleets with untidy books (tests/benchmarks/bench_causes.py, 600 machines, seeds 1 to 4) the findings
that a holding repair confirmed were true in 97 % for a bushing but in 60 to 70 % for a sensor, and the chance given
to them without labels was 96 and 66 to 80 %; held fixed in learning they made the log loss 4 % worse at 600 and
at 2,000 machines.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetlog.belief.reason import Reason
from fleetlog.faults import FaultFamily
from fleetlog.history import History
from fleetlog.session.fleet import Fleet, selection
from fleetlog.session.scope import WHOLE_FLEET
from fleetlog.stats.arrays import Floats, Ints
from fleetlog.stats.clustered_votes import repetition, vote_weight
from fleetlog.stats.hidden_repair import ReturnLaw, fit_return_law
from fleetlog.stats.latent_cause import (
    Cases,
    CauseFit,
    CauseModel,
    Defaults,
    Exposure,
    fit_causes,
    follow_ups,
    log_prior,
    piece_likelihood,
)
from fleetlog.stats.posterior import Posterior, posterior
from fleetlog.store import Store
from fleetlog.store.statements import statement

CASE = ("machine_id", "side", "case_no")
HELD = "held:"
FOUND = "found"
NEW_FAULT, STILL_THERE = "new_fault", "still_there"

#: Trials that a family's chance to cure is worth against the fleet's own, and comebacks that its mean times
#: are worth. Ours, from memory: as much as a row of the families' evidence tables, some 20 counts.
CURE_TRIALS = 20.0
COMEBACKS = 20.0
#: Gaps after a report that the family's return law is worth. Ours, from memory.
GAPS = 20.0
#: A fault that is kept silent shows again after so many times the mean time. Ours, from memory.
SILENT_FOR = 4.0
#: How many of the fleet's cases outweigh one that a family's figures are worth. Its figures speak of cases whose
#: cause is known; most of a fleet's are only probable, and judged by figures that they helped to make. Ours, by
#: invented fleets of 30 to 2,000 machines (tests/benchmarks/bench_causes.py, seeds 1 to 4): 2 to 4 are about
#: equally good, 1 says too much in fleets of 600 and less.
CAUTION = 2.0
#: How much more a family's figures weigh, try by try, where what was learnt foretells the parts found failed worse than
#: they do; and how many such parts there must be to say so. Ours.
STEADY, LEAST_WITNESSES = (1.0, 8.0, 64.0), 8
#: How far the failure modes of one case's episodes repeat each other beyond what its cause explains: 0 = each
#: is news, 1 = the later ones say nothing; and episodes
#: beyond a first that this is worth against the fleet's own. From memory.
SAME_MODE, SAME_MODE_CASES = 0.5, 20.0
#: Share of cases whose part is another than the books say: a repair or a side that went wrong in them. Without it
#: a part thought new would be ruled out for good by its age alone. From memory.
WRONG_PART = 0.01
#: Another fault may have taken the place of a case's first one. Below this chance it is not spoken of.
WORTH_SAYING = 0.002


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
    """

    family: FaultFamily
    causes: tuple[str, ...]
    cures: tuple[str, ...]
    hazard_of: Mapping[tuple[str, str], int]
    tables: Mapping[str, Ints]
    by_variant: Mapping[str, tuple[tuple[int, str, int], ...]]
    labels: Mapping[tuple[str, str], Ints]
    defaults: Defaults

    @staticmethod
    def of(family: FaultFamily, comeback_hours: float) -> Layout:
        """The arrays of a family's own figures, and how soon its faults show again in this fleet."""
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
        right_row, wrong_row = row((1.0 - wrong, wrong), False), row((wrong, 1.0 - wrong), False)
        labels = {
            (step.name, confirmed): np.array([right_row if c == confirmed else wrong_row for c in causes])
            for step in family.steps
            for confirmed in dict.fromkeys(step.confirms.values())
        }
        widest = max(len(counts) for counts in rows)
        counts = np.array([counts + (0.0,) * (widest - len(counts)) for counts in rows])
        hazards = {(hazard.cause, hazard.variant): i for i, hazard in enumerate(family.hazards)}
        chances = np.array([[family.step(s).cures.get(c, 0.0) for c in causes] for s in cures])
        quiet = chances < family.comeback.quiet_chance
        model = CauseModel(
            shape=np.array([hazard.shape for hazard in family.hazards]),
            scale_hours=np.array([hazard.scale_hours for hazard in family.hazards]),
            outcome=counts / counts.sum(axis=1, keepdims=True),
            cure=np.where(quiet, family.comeback.quiet_chance, chances),
            comeback_hours=comeback_hours,
            background_hours=family.comeback.background_mean_hours,
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
        return Layout(family, causes, cures, hazards, tables, by_variant, labels, defaults)

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
        of_case: what was at the bottom of the case when it set in, shape (N, K).
        uncured: chance that it still is, after all repairs and the time since, shape (N,).
        stands: chance that a fault stands on that side now and is of each cause, shape (N, K): what the repairs have
            not cured, and of an open case what is left after its hours without a report, which speak of a repair
            that nobody wrote down; NaN = not heard of.
        quiet_hours: running hours read since the last report of a side that no repair answers, else 0, shape (N,).
        blank_orders: orders of unknown content since then, shape (N,), and `blank_order`, the latest of them.
        fit: the figures learnt, None where the family's own were used.
        returns: how soon a standing fault shows again, and how often one ends without a note.
        bounds, carried: the table weighed_case, and what `_cut` found beside it.
    """

    layout: Layout
    cases: pl.DataFrame
    evidence: pl.DataFrame
    onset_hours: Floats
    onset_variants: tuple[pl.Series, ...]
    age_hours: Floats
    variants: tuple[pl.Series, ...]
    posterior: Posterior
    of_case: Floats
    uncured: Floats
    stands: Floats
    quiet_hours: Floats
    blank_orders: Ints
    blank_order: pl.Series
    model: CauseModel
    fit: CauseFit | None
    returns: ReturnLaw
    _starts: Ints = field(repr=False)
    bounds: pl.DataFrame = field(default_factory=pl.DataFrame, repr=False)
    carried: pl.DataFrame = field(default_factory=pl.DataFrame, repr=False)

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
            Reason(_wording(self.layout.family, row), float(self.posterior.weight[start + j]))
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
    returns = _return_law(store, family, learn=learn)
    layout = Layout.of(family, returns.standing_hours)
    carried = _cut(store, history, layout, returns)
    observations = _Observations.of(store, history, layout, carried)
    fit = None
    if learn and observations.rows.height:
        observations = _tempered(layout, observations)
        fit = _held_to_findings(layout, observations, _exposure(store, layout))
    unanswered = store.run("cases/unanswered", as_of_end=history.as_of_end)
    model = fit.model if fit else layout.defaults.model
    judged = _judged(layout, observations, model, fit, returns, unanswered)
    return replace(judged, bounds=store.select("FROM weighed_case"), carried=carried)


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
        observations = _Observations.of(store, history, weighed.layout, weighed.carried)
        unanswered = store.run("cases/unanswered", as_of_end=history.as_of_end)
    finally:
        store.register("weighed_case", weighed.bounds)
    # nobody knew then that another case would follow, or that the machine would leave
    earlier = pl.col("until") < history.as_of_end
    rows = observations.rows.with_columns(
        pl.lit(None, pl.Datetime("us")).alias("until"), in_fleet=pl.col("in_fleet") | earlier
    )
    judged = _judged(
        weighed.layout,
        replace(observations, rows=rows),
        weighed.model,
        weighed.fit,
        weighed.returns,
        unanswered,
    )
    return cases.sort("machine_id", "side", "case_no").select(
        "machine_id",
        "side",
        pl.col("until").alias("at"),
        pl.col("seen_tenths").alias("tenths"),
        pl.Series("standing", judged.standing).fill_nan(None),
    )


def _return_law(store: Store, family: FaultFamily, *, learn: bool) -> ReturnLaw:
    """How soon a standing fault shows again: the family's own figures, or learnt from the gaps of all cases."""
    own = family.comeback
    hours = max(own.mean_hours, 1.01 * own.burst_hours)
    default = ReturnLaw(
        burst=0.5,
        silent=own.unrecorded,
        ended=own.unrecorded,
        burst_hours=own.burst_hours,
        comeback_hours=hours,
        silent_hours=SILENT_FOR * hours,
        background_hours=max(own.background_mean_hours, 1.1 * SILENT_FOR * hours),
    )
    if not learn:
        return default
    gaps = store.run("cases/gaps", fault=family.name)
    return fit_return_law(
        gaps["gap_tenths"].to_numpy() / 10,
        gaps["again"].to_numpy(),
        gaps["gaps"].to_numpy(),
        default,
        worth=GAPS,
    )


@dataclass(frozen=True, eq=False)
class _Observations:
    """All that is on record of the cases in the table weighed_case.

    Attributes:
        rows: the rows of sql/cases/list.sql.
        pieces, visits: the evidence for the wording, in the order of `cases`.
        onset_variants, variants: of each cause's part, at the first and at the last report.
        age_hours: of each cause's part at the last report.
        hazard_now: the hazards they are at then.
    """

    rows: pl.DataFrame
    pieces: pl.DataFrame
    visits: pl.DataFrame
    cases: Cases
    onset_variants: tuple[pl.Series, ...]
    age_hours: Floats
    variants: tuple[pl.Series, ...]
    hazard_now: Ints

    @staticmethod
    def of(store: Store, history: History, layout: Layout, carried: pl.DataFrame) -> _Observations:
        family = layout.family
        rows = store.run("cases/list")
        parts = store.run("cases/parts", fault=family.name)
        onset_hours, onset_variants = _parts(
            parts, family, rows, "onset_variant", "onset_tenths", "first_tenths"
        )
        age_hours, variants = _parts(parts, family, rows, "variant", "age_tenths", "last_tenths")
        keyed = rows.select("case_id", *CASE)
        pieces = _pieces(store, history, layout, keyed)
        visits, tried = _visits(store, layout, keyed)
        return _Observations(
            rows=rows,
            pieces=pieces,
            visits=visits,
            cases=_as_cases(
                layout,
                (onset_hours, onset_variants),
                _left_over(layout, rows, carried),
                pieces,
                (visits, *tried),
            ),
            onset_variants=onset_variants,
            age_hours=age_hours,
            variants=variants,
            hazard_now=np.column_stack([layout.hazards(k, variants[k]) for k in range(len(variants))]),
        )


def _cut(store: Store, history: History, layout: Layout, returns: ReturnLaw) -> pl.DataFrame:
    """Makes the table weighed_case: the history's cases, joined to one fault or cut into several.

    The history closes a case that has been quiet for the whole confirmation window, and keeps it open until then. So
    one fault can fill several, and two in a row can share one. A case that follows one which nobody repaired is the
    same fault where the return law says so. Each return after a repair is judged by what was known then, with the
    family's own figures: where the repairs before it are more likely to have ended the fault, it begins a case of
    its own. The first such return of a case cuts it, and what follows is judged again.

    Returns:
        One row a case so begun: machine_id, side, first_at and, by cause, the chance that it is the old fault
        after all.
    """
    fault, model = layout.family.name, layout.defaults.model
    # After the best cure there is, a fault back sooner than this is still more likely the old one.
    best = float(model.cure.max())
    odds = model.background_hours / model.comeback_hours * (1.0 - best) / best
    least_hours = model.comeback_hours * max(float(np.log(odds)), 0.0)
    later = store.run("cases/unrepaired", fault=fault)
    same = returns.same(later["gap_tenths"].to_numpy() / 10) > 0.5
    store.register("same_fault", later.filter(pl.Series(same)).select("machine_id", "side", "first_at"))
    cuts = pl.DataFrame(schema={**_CUT, **dict.fromkeys(layout.causes, pl.Float64)})
    fresh: pl.DataFrame | None = None
    for _ in range(_MOST_CUTS):
        store.register("new_fault", cuts.select(*_CUT))
        store.create("weighed_case", statement("cases/bounds"), temporary=True, fault=fault)
        if fresh is not None and fresh.is_empty():
            return cuts
        where = fresh if fresh is not None else store.select("FROM weighed_case")
        store.register("looked_at", where.select("machine_id", "side").unique(maintain_order=True))
        back = store.run("cases/returns", fault=fault, least_tenths=round(10 * least_hours))
        if back.is_empty():
            return cuts
        store.register("weighed_case", back)
        observations = _Observations.of(store, history, layout, cuts)
        owner, likelihood, _ = _in_order(observations, model)
        judged = posterior(log_prior(model, observations.cases), likelihood, owner)
        uncured = judged.probability * follow_ups(model, observations.cases).uncured
        fresh = (
            observations.rows.select(CASE)
            .hstack(pl.from_numpy(uncured, schema=list(layout.causes)))
            .join(back, on=CASE)
            .filter(pl.sum_horizontal(layout.causes) < 0.5)
            .sort("machine_id", "side", "whole_case", "turn")
            .unique(["machine_id", "side", "whole_case"], keep="first", maintain_order=True)
            .drop("first_at", "first_tenths")
            .select("machine_id", "side", *layout.causes, first_at="back_at", first_tenths="back_tenths")
            .select(cuts.columns)
        )
        cuts = pl.concat([cuts, fresh], how="vertical_relaxed")
    store.register("new_fault", cuts.select(*_CUT))
    store.create("weighed_case", statement("cases/bounds"), temporary=True, fault=fault)
    return cuts


def _left_over(layout: Layout, rows: pl.DataFrame, carried: pl.DataFrame) -> Floats:
    """Chance that a case is what is left of the fault before it, by cause, shape (N, K)."""
    known = rows.select("machine_id", "side", "first_at").join(
        carried.drop("first_tenths"), on=["machine_id", "side", "first_at"], how="left", maintain_order="left"
    )
    chance: Floats = known.select(pl.col(*layout.causes).fill_null(0.0)).to_numpy()
    return chance


_CUT: dict[str, type[pl.DataType] | pl.DataType] = {
    "machine_id": pl.String,
    "side": pl.String,
    "first_at": pl.Datetime("us"),
    "first_tenths": pl.Int64,
}
#: How often one case of the history is cut at most.
_MOST_CUTS = 6


_NEWS: dict[str, type[pl.DataType]] = {"case_id": pl.Int64, "evidence": pl.String}


def _in_order(observations: _Observations, model: CauseModel) -> tuple[Ints, Floats, pl.DataFrame]:
    """Evidence by case, what was seen before how the repairs held: owner, log-likelihood and rows."""
    evidence = pl.concat([observations.pieces, observations.visits], how="diagonal")
    likelihood = np.concatenate(
        (piece_likelihood(model, observations.cases), follow_ups(model, observations.cases).gain)
    )
    owner = evidence["case_id"].to_numpy()
    order = np.argsort(owner, kind="stable")
    return owner[order], likelihood[order], evidence[order]


def _unanswered(
    layout: Layout, rows: pl.DataFrame, since: pl.DataFrame, returns: ReturnLaw
) -> tuple[Floats, Floats, Ints, pl.Series]:
    """Of sides whose last report no repair answers: chance that the fault stands, quiet hours and blank orders.

    Of all other cases the chance is NaN.
    """
    known = rows.select(*CASE).join(since, on=CASE, how="left", maintain_order="left")
    quiet = known["heard_tenths"].fill_null(0).to_numpy() / 10
    blank = known["blank_orders"].fill_null(0).to_numpy()
    mended = 1.0 - (1.0 - layout.family.comeback.blank_order_mends) ** blank
    chance = np.where(known["heard_tenths"].is_null().to_numpy(), np.nan, returns.standing(quiet, mended))
    return chance, quiet, blank, known["blank_order"]


def _judged(
    layout: Layout,
    observations: _Observations,
    model: CauseModel,
    fit: CauseFit | None,
    returns: ReturnLaw,
    unanswered: pl.DataFrame,
) -> WeighedCases:
    """Bayes' rule over all evidence, and over what may have come after it."""
    rows, cases = observations.rows, observations.cases
    prior = log_prior(model, cases)
    followed = follow_ups(model, cases)
    owner, likelihood, evidence = _in_order(observations, model)
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
    followed_up = np.flatnonzero((rows["answered"] & rows["until"].is_null()).to_numpy())
    failed = np.log(np.maximum(followed.uncured[followed_up], np.finfo(np.float64).tiny))
    missed = pl.DataFrame(
        {"case_id": followed_up, "evidence": [STILL_THERE] * followed_up.size}, schema=_NEWS
    )
    evidence = pl.concat([evidence, news, missed], how="diagonal")
    owner = evidence["case_id"].to_numpy()
    order = np.argsort(owner, kind="stable")
    likelihood = np.concatenate((likelihood, turn, failed))[order]
    judged = posterior(prior, likelihood, owner[order])
    chance, quiet, blank, latest = _unanswered(layout, rows, unanswered, returns)
    uncured = first.probability * followed.uncured
    chance = np.where(np.isnan(chance), uncured.sum(axis=1), chance)
    stands = chance[:, None] * judged.probability
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
        of_case=first.probability,
        uncured=uncured.sum(axis=1),
        stands=stands,
        quiet_hours=quiet,
        blank_orders=blank,
        blank_order=latest,
        returns=returns,
        model=model,
        fit=fit,
        _starts=np.searchsorted(owner[order], np.arange(rows.height + 1)),
    )


def _parts(
    parts: pl.DataFrame, family: FaultFamily, rows: pl.DataFrame, variant: str, age: str, machine: str
) -> tuple[Floats, tuple[pl.Series, ...]]:
    """Age (hours) and variant of each cause's part; the machine's hours where no part is followed."""
    keyed = rows.select("case_id", *CASE, machine)
    ages, variants = [], []
    for cause in family.causes:
        followed = parts if family.part(cause.component) else parts.clear()
        own = followed.filter(pl.col("component") == cause.component).select(*CASE, variant, age)
        joined = keyed.join(own, on=CASE, how="left").sort("case_id")
        ages.append((joined.select(pl.coalesce(age, machine))[age] / 10).cast(pl.Float64).to_numpy())
        variants.append(joined[variant].fill_null(""))
    return np.column_stack(ages).astype(np.float64), tuple(variants)


def _pieces(store: Store, history: History, layout: Layout, keyed: pl.DataFrame) -> pl.DataFrame:
    """What was seen of each case that says anything: one row a piece, in the order of weighing.

    Columns: case_id, evidence, label (the cause that a label confirms, "" for a table), outcome, cause (that
    the finding confirms, if any), position of the outcome, and figures for the wording.
    """
    fault = layout.family.name
    observations = pl.concat(
        [
            store.run("cases/failure_modes", fault=fault).with_columns(
                evidence=pl.lit("failure_mode"), rank=pl.lit(1, pl.Int64)
            ),
            store.run("cases/sides", fault=fault).with_columns(
                evidence=pl.lit("sides"), rank=pl.lit(2, pl.Int64)
            ),
            store.run("cases/voltages", fault=fault, as_of_end=history.as_of_end).with_columns(
                evidence=pl.lit("voltage"), rank=pl.lit(3, pl.Int64)
            ),
            _findings(store, layout.family),
        ],
        how="diagonal",
    )
    seen = keyed.join(observations, on=CASE).drop(CASE)
    kinds = seen.select("evidence", "outcome", "cause").unique().rows()
    meanings = [(*kind, *meaning) for kind in kinds if (meaning := layout.meaning(*kind))]
    table = pl.DataFrame(
        [(evidence, outcome, cause, label, at) for evidence, outcome, cause, _, label, at in meanings],
        schema={
            "evidence": pl.String,
            "outcome": pl.String,
            "cause": pl.String,
            "label": pl.String,
            "position": pl.Int64,
        },
        orient="row",
    )
    return (
        seen.join(table, on=["evidence", "outcome", "cause"], nulls_equal=True)
        .sort("case_id", "rank", "evidence", "outcome")
        .drop("rank")
    )


def _findings(store: Store, family: FaultFamily) -> pl.DataFrame:
    """The results of steps, one look counted once.

    A repair that is only done after an inspection found fault repeats what that inspection saw. So its
    finding is left out where the inspection's result is on record; and where neither is, that the repair was
    done tells the result.
    """
    found = store.run("cases/findings", fault=family.name)
    done = store.run("cases/steps", fault=family.name)
    for step in family.steps:
        if not step.after or not step.after_result:
            continue
        looks = [one.name for one in family.steps if step.after in (one.name, one.deeper_than)]
        seen = found.filter(pl.col("step").is_in(looks))
        repeated = found.filter(
            (pl.col("step") == step.name) & (pl.col("outcome") == step.after_result)
        ).join(seen.filter(pl.col("outcome") == step.after_result), on=CASE, how="semi")
        found = found.join(repeated, on=[*CASE, "step", "outcome"], how="anti")
        own = found.filter(pl.col("step") == step.name)
        implied = (
            done.filter(pl.col("step") == step.name)
            .join(seen, on=CASE, how="anti")
            .join(own, on=CASE, how="anti")
        )
        order = family.step(step.after).order
        found = pl.concat(
            [
                found,
                implied.select(
                    *CASE,
                    pl.lit(step.after).alias("step"),
                    pl.lit(order, pl.Int64).alias("step_order"),
                    pl.lit(step.after_result).alias("outcome"),
                ),
            ],
            how="diagonal",
        )
    return found.select(
        *CASE, "outcome", "cause", evidence="step", rank=10 + pl.col("step_order").cast(pl.Int64)
    )


def _visits(
    store: Store, layout: Layout, keyed: pl.DataFrame
) -> tuple[pl.DataFrame, tuple[npt.NDArray[np.bool_], npt.NDArray[np.bool_]]]:
    """The visits to the shop that tried a cure, and which each tried for the first time in its case, or again.

    A step whose own test failed was no cure tried, if the family weighs that result by a table; else it is
    one that came back at once.
    """
    tested = [step for step in layout.cures if layout.family.evidence_table(step)]
    tried = (
        keyed.join(store.run("cases/trials", fault=layout.family.name), on=CASE)
        .filter(pl.col("accomplished") | ~pl.col("step").is_in(tested))
        .sort("case_id", "visit", "step")
        .with_columns(first=pl.col("visit") == pl.col("visit").min().over("case_id", "step"))
    )
    orders = {step.name: step.order for step in layout.family.steps}
    visits = (
        tried.with_columns(reach=pl.col("step").replace_strict(orders, return_dtype=pl.Int64))
        .group_by("case_id", "visit")
        .agg(
            pl.col("step").sort_by("reach").last(),
            pl.col("held_tenths").first() / 10,
            pl.col("came_back", "in_vain").first(),
        )
        .sort("case_id", "visit")
        .with_row_index("row")
    )
    columns = {step: s for s, step in enumerate(layout.cures)}
    placed = tried.join(visits.select("case_id", "visit", "row"), on=["case_id", "visit"]).with_columns(
        column=pl.col("step").replace_strict(columns, return_dtype=pl.Int64)
    )

    def marked(those: pl.DataFrame) -> npt.NDArray[np.bool_]:
        steps = np.zeros((visits.height, len(layout.cures)), dtype=bool)
        steps[those["row"].to_numpy(), those["column"].to_numpy()] = True
        return steps

    observations = visits.select(
        "case_id",
        evidence=HELD + pl.col("step"),
        outcome=pl.when("came_back").then(pl.lit("came_back")).otherwise(pl.lit("quiet")),
        hours="held_tenths",
        in_vain="in_vain",
    )
    return observations, (marked(placed.filter("first")), marked(placed.filter(~pl.col("first"))))


def _as_cases(
    layout: Layout,
    parts: tuple[Floats, tuple[pl.Series, ...]],
    left_over: Floats,
    pieces: pl.DataFrame,
    shop: tuple[pl.DataFrame, npt.NDArray[np.bool_], npt.NDArray[np.bool_]],
) -> Cases:
    causes, (ages, variants), (visits, first, again) = layout.family.causes, parts, shop
    owner = pieces["case_id"].to_numpy()
    rows = np.zeros((pieces.height, len(causes)), dtype=np.int64)
    for evidence, label in pieces.select("evidence", "label").unique(maintain_order=True).iter_rows():
        mine = ((pieces["evidence"] == evidence) & (pieces["label"] == label)).to_numpy()
        rows[mine] = layout.labels[evidence, label] if label else layout.tables[evidence]
        for k, variant, row in layout.by_variant.get(evidence, ()) if not label else ():
            fits = mine & (variants[k] == variant).to_numpy()[owner]
            rows[fits, k] = row
    weights = [
        variants[k].replace_strict(cause.prior, default=cause.prior_for(""), return_dtype=pl.Float64)
        for k, cause in enumerate(causes)
    ]
    hazard = np.column_stack([layout.hazards(k, variants[k]) for k in range(len(causes))])
    # What is left over is put on the scale of the hazards: the same chance against them all together.
    log_age = np.log(np.maximum(np.nan_to_num(ages, nan=1.0), 1.0))
    rate = np.exp(layout.defaults.model.log_hazard(hazard, log_age)).sum(axis=1)
    plain = np.column_stack([weight.to_numpy() for weight in weights])
    doubted = WRONG_PART * (1.0 - left_over.sum(axis=1, keepdims=True))
    left_over = left_over + doubted * plain / plain.sum(axis=1, keepdims=True)
    return Cases(
        hazard=hazard,
        age_hours=ages,
        fresh=1.0 - left_over.sum(axis=1),
        carried=left_over * rate[:, None],
        plain_weight=plain,
        piece_case=owner,
        piece_row=rows,
        piece_outcome=pieces["position"].to_numpy(),
        piece_weight=_weights(pieces, SAME_MODE),
        visit_case=visits["case_id"].to_numpy(),
        visit_steps=first,
        visit_again=again,
        visit_hours=visits["hours"].to_numpy(),
        visit_back=(visits["outcome"] == "came_back").to_numpy(),
    )


def _weights(pieces: pl.DataFrame, same: float) -> Floats:
    """As how many independent pieces each counts: the votes of a case's episodes repeat each other by `same`."""
    voted = pieces["total"].is_not_null().to_numpy()
    votes = pieces.filter(pl.col("total").is_not_null())
    weight = np.ones(pieces.height)
    weight[voted] = vote_weight(votes["votes"].to_numpy(), votes["total"].to_numpy(), same)
    return weight


def _tempered(layout: Layout, observations: _Observations) -> _Observations:
    """The same, the failure modes weighed by how far the fleet's own episodes of one case repeat each other.

    By chance they agree as the family's figures let them, over the causes as they are before any evidence.
    """
    model, cases, pieces = layout.defaults.model, observations.cases, observations.pieces
    several = (
        pieces.with_row_index("at")
        .filter(pl.col("total") > 1)
        .group_by("case_id", maintain_order=True)
        .agg(pl.col("at", "total").first(), agree=(pl.col("votes") ** 2 - pl.col("own")).sum())
        .with_columns(pl.col("agree") / (pl.col("total") * (pl.col("total") - 1)))
    )
    before = log_prior(model, cases)[several["case_id"].to_numpy()]
    share = posterior(before, np.zeros((0, before.shape[1])), np.zeros(0, dtype=np.int64)).probability
    alike = (model.outcome**2).sum(axis=1)[cases.piece_row[several["at"].to_numpy()]]
    same = repetition(
        several["agree"].to_numpy(),
        (share * alike).sum(axis=1),
        several["total"].to_numpy(),
        default=SAME_MODE,
        worth=SAME_MODE_CASES,
    )
    return replace(observations, cases=replace(cases, piece_weight=_weights(pieces, same)))


def _held_to_findings(layout: Layout, observations: _Observations, exposure: Exposure) -> CauseFit | None:
    """The figures learnt from all cases, so far as they foretell the parts found failed no worse than the family's own.

    Most cases are only probable, and learning from them can swap one cause for another. A part that was taken out and
    found failed is a witness: the learnt figures are asked for its cause without being told of the finding. Where they
    foretell these worse than the family's own do, beyond chance, the family's figures are given more weight, and in the
    end are used as they are (None). Without witnesses nothing holds the learning to the truth, and it weighs less.
    """
    witness, cause = _witnesses(layout, observations)
    asked = _without_findings(observations)
    own = _foretold(layout.defaults.model, asked)[witness, cause]
    few = witness.size < LEAST_WITNESSES
    for weight in STEADY[few:]:
        fit = fit_causes(observations.cases, exposure, layout.defaults.weighing(weight))
        if few:
            return fit
        worse = own - _foretold(fit.model, asked)[witness, cause]
        if worse.mean() <= 2.0 * float(worse.std()) / np.sqrt(worse.size):
            return fit
    return None


def _witnesses(layout: Layout, observations: _Observations) -> tuple[Ints, Ints]:
    """Cases in which a part was taken out and found failed: their rows and causes."""
    parts = [
        step.name
        for step in layout.family.steps
        if step.kind == "cure" and step.action not in ("adjust", "calibrate")
    ]
    found = observations.pieces.filter(
        pl.col("label") != "", pl.col("position") == 0, pl.col("evidence").is_in(parts)
    ).unique("case_id", keep="last", maintain_order=True)
    causes = [layout.causes.index(name) for name in found["label"]]
    return found["case_id"].to_numpy().astype(np.int64), np.array(causes, dtype=np.int64)


def _without_findings(observations: _Observations) -> Cases:
    """The cases with everything that is on record but the findings that confirm a cause."""
    cases = observations.cases
    kept = (observations.pieces["label"] == "").to_numpy()
    return replace(
        cases,
        piece_case=cases.piece_case[kept],
        piece_row=cases.piece_row[kept],
        piece_outcome=cases.piece_outcome[kept],
        piece_weight=cases.piece_weight[kept],
    )


def _foretold(model: CauseModel, cases: Cases) -> Floats:
    """Logarithm of the probability of each cause, shape (N, K)."""
    likelihood = np.concatenate((piece_likelihood(model, cases), follow_ups(model, cases).gain))
    owner = np.concatenate((cases.piece_case, cases.visit_case))
    order = np.argsort(owner, kind="stable")
    judged = posterior(log_prior(model, cases), likelihood[order], owner[order])
    return np.log(np.maximum(judged.probability, 1e-6))


def _exposure(store: Store, layout: Layout) -> Exposure:
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


_VOLTAGE_WORDS = {
    "near_zero_or_supply": "at zero or supply",
    "wanders": "wanders from visit to visit",
    "steady_offset": "steadily off target",
    "normal": "on target",
}


def _wording(family: FaultFamily, row: dict[str, object]) -> str:
    """One piece of evidence in words."""
    name, outcome = str(row["evidence"]), str(row["outcome"])
    if name == NEW_FAULT:
        return f"another fault may have taken the place of the first since (chance {row['chance']:.1%})"
    if name == STILL_THERE:
        return "if the repair since has failed"
    if name == "failure_mode":
        episodes = f" in {row['votes']:.3g} of {row['total']} episodes" if row["total"] != 1 else ""
        return f"codes of failure mode '{outcome}'{episodes}"
    if name == "sides":
        return "both sides at once" if outcome == "both" else "one side only"
    if name == "voltage":
        return voltage_words(family, outcome, row["low"], row["high"])  # type: ignore[arg-type]
    if name.startswith(HELD):
        title = _lower_first(family.step(name.removeprefix(HELD)).title)
        if outcome == "came_back":
            return f"back {row['hours']:,.0f} h after: {title}"
        return f"quiet for {row['hours']:,.0f} h since: {title}"
    title = _lower_first(family.step(name).title)
    if row["label"]:
        cause = _lower_first(family.cause(str(row["label"])).title)
        return f"{title}: {'confirmed' if row['position'] == 0 else 'not confirmed'}, {cause}"
    return f"{title}: {outcome}"


def voltage_words(family: FaultFamily, outcome: str, low: float, high: float) -> str:
    """A pattern of the measured voltage in words, with its least and greatest reading."""
    unit = family.voltage.unit if family.voltage else ""
    span = f"{low:.2f} {unit}" if low == high else f"{low:.2f} to {high:.2f} {unit}"
    quantity = family.voltage.quantity.replace("_", " ") if family.voltage else "voltage"
    return f"{quantity} {_VOLTAGE_WORDS.get(outcome, outcome)} ({span})"


def _lower_first(text: str) -> str:
    return text[:1].lower() + text[1:]
