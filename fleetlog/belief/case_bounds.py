"""Where one fault ends and the next begins: the cases of the history joined to one fault, or cut into several."""

from __future__ import annotations

import numpy as np
import polars as pl

from fleetlog.belief.case_records import CASE, Observations
from fleetlog.belief.family_arrays import Layout
from fleetlog.belief.returns import burst_tenths
from fleetlog.history import History
from fleetlog.stats.hidden_repair import ReturnLaws
from fleetlog.stats.latent_cause import follow_ups, log_prior
from fleetlog.stats.posterior import posterior
from fleetlog.store import Store
from fleetlog.store.statements import statement

_CUT: dict[str, type[pl.DataType] | pl.DataType] = {
    "machine_id": pl.String,
    "side": pl.String,
    "first_at": pl.Datetime("us"),
    "first_tenths": pl.Int64,
}
#: How often one case of the history is cut at most.
_MOST_CUTS = 6


def cut(store: Store, history: History, layout: Layout, returns: ReturnLaws) -> pl.DataFrame:
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
    later = store.run("cases/unrepaired", fault=fault, burst_tenths=burst_tenths(layout.family))
    orders = later["blank_orders"].to_numpy(), later["looks"].to_numpy()
    gaps, until = later["gap_tenths"].to_numpy() / 10, later["order_tenths"].to_numpy() / 10
    same = returns.same(gaps, later["back"].to_numpy(), orders, until) > 0.5
    store.register("same_fault", later.filter(pl.Series(same)).select("machine_id", "side", "first_at"))
    cuts = pl.DataFrame(schema={**_CUT, **dict.fromkeys(layout.causes, pl.Float64)})
    everywhere = store.run("cases/everywhere", fault=fault)
    where = everywhere

    def bound(where: pl.DataFrame) -> None:
        store.register("looked_at", where)
        store.register("new_fault", cuts.select(*_CUT))
        store.create("weighed_case", statement("cases/bounds"), temporary=True, fault=fault)

    for _ in range(_MOST_CUTS):
        bound(where)
        back = store.run("cases/returns", fault=fault, least_tenths=round(10 * least_hours))
        if back.is_empty():
            break
        store.register("weighed_case", back)
        observations = Observations.of(store, history, layout, cuts)
        owner, likelihood, _ = observations.in_order(model)
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
        if fresh.is_empty():
            break
        where = fresh.select("machine_id", "side").unique(maintain_order=True)
    bound(everywhere)
    return cuts
