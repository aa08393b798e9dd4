"""Free text as a shop writes it: phrases strung together from what was done and found."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl


@dataclass(frozen=True)
class Phrases:
    """How a fleet's people put things; of several phrases each is as common as the others.

    Attributes:
        codes: descriptions of the fault code; {Side}, {SIDE} and {S} stand for the side.
        complaints, again: what is written at the first visit and at a later one; {S} stands for the side.
        sides: side -> words for it.
        corrections: step, or step and result ("calibrate_pump failed") -> what was done.
        causes: step and finding ("replace_bushing worn") -> what it was.
    """

    codes: tuple[str, ...]
    complaints: tuple[str, ...]
    again: tuple[str, ...]
    sides: Mapping[str, tuple[str, ...]]
    corrections: Mapping[str, tuple[str, ...]]
    causes: Mapping[str, tuple[str, ...]]


def worded(rng: np.random.Generator, keys: pl.Series, phrases: Mapping[str, Sequence[str]]) -> pl.Series:
    """A phrase for each key, drawn from those that it has; "" for a key without."""
    texts = ["", *(text for several in phrases.values() for text in several)]
    number = np.array([1, *map(len, phrases.values())])
    first = np.concatenate(([0], 1 + np.cumsum(number[1:]) - number[1:]))
    place = {key: i for i, key in enumerate(phrases, 1)}
    key = keys.replace_strict(place, default=0, return_dtype=pl.Int64).to_numpy()
    drawn = first[key] + (rng.random(key.size) * number[key]).astype(np.int64)
    return pl.Series(keys.name, texts, dtype=pl.String).gather(drawn)


def free_text(rng: np.random.Generator, lines: pl.DataFrame, phrases: Phrases) -> pl.DataFrame:
    """What stands at the head of the work orders.

    Args:
        rng: the source of random numbers.
        lines: order, step, result, finding, side and first (BOOLEAN: the first visit), by order and time.
        phrases: to draw from.

    Returns:
        order, complaint, cause, correction, one row an order.
    """
    by_result = pl.format("{} {}", "step", "result").is_in(list(phrases.corrections))
    done = lines.select(pl.when(by_result).then(pl.format("{} {}", "step", "result")).otherwise("step"))
    cause = lines.select(pl.format("{} {}", "step", "finding")).to_series()
    spoken = lines.with_columns(
        worded(rng, done.to_series(), phrases.corrections).alias("correction"),
        worded(rng, cause, phrases.causes).alias("cause"),
    )
    orders = spoken.group_by("order", maintain_order=True).agg(
        pl.col("side", "first").first(),
        cause=pl.col("cause").filter(pl.col("cause") != "").last(),
        correction=pl.col("correction").filter(pl.col("correction") != "").str.join(", "),
    )
    kind = orders.select(complaint=pl.when("first").then(pl.lit("first")).otherwise(pl.lit("again")))
    complaint = worded(rng, kind.to_series(), {"first": phrases.complaints, "again": phrases.again})
    side = worded(rng, orders["side"], phrases.sides)
    return orders.with_columns(complaint, side).select(
        "order", pl.col("complaint").str.replace("{S}", pl.col("side"), literal=True), "cause", "correction"
    )
