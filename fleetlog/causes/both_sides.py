"""How often a fault takes both sides of a machine at once, which makes counts stray more than chance alone."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import polars as pl

from fleetlog.belief.weighing import WeighedCases

#: Cases of a machine's two sides that begin within so many days of each other began together. Ours.
TOGETHER_DAYS = 14
#: The family's figure weighs as much as so many of the fleet's cases. Ours.
_DEFAULT_CASES = 5.0


def both_sides(weighed: WeighedCases) -> Mapping[str, float]:
    """Of each cause the share of its cases that began together with one of the same cause on the other side.

    Each case counts as surely as it is of the cause. The family's own figure, where it has one (the outcome "both" of
    its evidence on sides), leans on it like a few cases.
    """
    family = weighed.layout.family
    table = family.evidence_table("sides")
    knows = table is not None and "both" in table.outcomes
    sided = (
        weighed.cases.select("machine_id", "side", "first_at")
        .with_row_index("row")
        .filter(pl.col("side") != "")
    )
    other = sided.rename({"side": "other", "first_at": "other_at", "row": "other_row"})
    pairs = sided.join(other, on="machine_id").filter(
        pl.col("side") < pl.col("other"),
        (pl.col("first_at") - pl.col("other_at")).abs() <= pl.duration(days=TOGETHER_DAYS),
    )
    one, two = (pairs[name].to_numpy().astype(np.int64) for name in ("row", "other_row"))
    shares = {}
    for k, cause in enumerate(weighed.causes):
        chance = weighed.of_case[:, k]
        together = 2.0 * float((chance[one] * chance[two]).sum())
        default = table.probability("both", cause) if table is not None and knows else 0.0
        cases = float(chance[sided["row"].to_numpy().astype(np.int64)].sum())
        shares[cause] = min((default * _DEFAULT_CASES + together) / (_DEFAULT_CASES + cases), 1.0)
    return shares
