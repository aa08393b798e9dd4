"""All that is on record of the cases: what was seen, which cures were tried when, and how old each part was."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import polars as pl

from fleetlog.belief.family_arrays import Layout
from fleetlog.faults import FaultFamily
from fleetlog.history import History
from fleetlog.stats.arrays import Floats, Ints
from fleetlog.stats.clustered_votes import repetition, vote_weight
from fleetlog.stats.latent_cause import Cases, CauseModel, follow_ups, log_prior, piece_likelihood
from fleetlog.stats.posterior import posterior
from fleetlog.store import Store

CASE = ("machine_id", "side", "case_no")
HELD = "held:"
#: How far the failure modes of one case's episodes repeat each other beyond what its cause explains: 0 = each
#: is news, 1 = the later ones say nothing; and episodes
#: beyond a first that this is worth against the fleet's own. From memory.
SAME_MODE, SAME_MODE_CASES = 0.5, 20.0
#: Share of cases whose part is another than the books say: a repair or a side that went wrong in them. Without it
#: a part thought new would be ruled out for good by its age alone. From memory.
WRONG_PART = 0.01


@dataclass(frozen=True, eq=False)
class Observations:
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

    def in_order(self, model: CauseModel) -> tuple[Ints, Floats, pl.DataFrame]:
        """Evidence by case, what was seen before how the repairs held: owner, log-likelihood and rows."""
        evidence = pl.concat([self.pieces, self.visits], how="diagonal")
        likelihood = np.concatenate((piece_likelihood(model, self.cases), follow_ups(model, self.cases).gain))
        owner = evidence["case_id"].to_numpy()
        order = np.argsort(owner, kind="stable")
        return owner[order], likelihood[order], evidence[order]

    @staticmethod
    def of(store: Store, history: History, layout: Layout, carried: pl.DataFrame) -> Observations:
        """What the table weighed_case and the records beside it say.

        Args:
            store: with that table.
            history: whose end the records reach to.
            layout: of the family.
            carried: of cases begun by a return, by cause, the chance that it is the old fault after all.
        """
        family = layout.family
        rows = store.run("cases/list", settling=layout.settling_tenths)
        parts = store.run("cases/parts", fault=family.name)
        onset_hours, onset_variants = _parts(
            parts, family, rows, "onset_variant", "onset_tenths", "first_tenths"
        )
        age_hours, variants = _parts(parts, family, rows, "variant", "age_tenths", "last_tenths")
        keyed = rows.select("case_id", *CASE)
        pieces = _pieces(store, history, layout, keyed)
        visits, tried = _visits(store, layout, keyed)
        return Observations(
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


def _left_over(layout: Layout, rows: pl.DataFrame, carried: pl.DataFrame) -> Floats:
    """Chance that a case is what is left of the fault before it, by cause, shape (N, K)."""
    known = rows.select("machine_id", "side", "first_at").join(
        carried.drop("first_tenths"), on=["machine_id", "side", "first_at"], how="left", maintain_order="left"
    )
    chance: Floats = known.select(pl.col(*layout.causes).fill_null(0.0)).to_numpy()
    return chance


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
        weight=np.ones(ages.shape[0]),
    )


def _weights(pieces: pl.DataFrame, same: float) -> Floats:
    """As how many independent pieces each counts: the votes of a case's episodes repeat each other by `same`."""
    voted = pieces["total"].is_not_null().to_numpy()
    votes = pieces.filter(pl.col("total").is_not_null())
    weight = np.ones(pieces.height)
    weight[voted] = vote_weight(votes["votes"].to_numpy(), votes["total"].to_numpy(), same)
    return weight


def tempered(observations: Observations, same: float) -> Observations:
    """The same, the failure modes of a case weighed by how far they repeat each other: see `repetition_in`."""
    weight = _weights(observations.pieces, same)
    return replace(observations, cases=replace(observations.cases, piece_weight=weight))


def repetition_in(layout: Layout, observations: Observations) -> float:
    """How far the fleet's own episodes of one case repeat each other's failure mode: 0 = not beyond chance, 1 = wholly.

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
    return repetition(
        several["agree"].to_numpy(),
        (share * alike).sum(axis=1),
        several["total"].to_numpy(),
        default=SAME_MODE,
        worth=SAME_MODE_CASES,
    )
