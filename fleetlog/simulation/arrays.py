"""Small tools for columns of numbers: outcomes drawn by row, tables that grow, days since 1970 as time."""

from __future__ import annotations

from datetime import date
from math import gamma

import numpy as np
import numpy.typing as npt
import polars as pl

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]
Schema = dict[str, pl.DataType | type[pl.DataType]]

EPOCH = date(1970, 1, 1)


def days_since_epoch(day: date) -> int:
    """Days since 1970."""
    return (day - EPOCH).days


def as_time(day: pl.Expr) -> pl.Expr:
    """Days since 1970 as a moment, to the second."""
    return pl.from_epoch((day * 86_400.0).round().cast(pl.Int64), time_unit="s")


def as_day(day: pl.Expr) -> pl.Expr:
    """Days since 1970 as a date."""
    return pl.lit(EPOCH) + pl.duration(days=day.floor().cast(pl.Int64))


def pick(rng: np.random.Generator, chance: Floats) -> Ints:
    """One outcome a row, drawn by the row's probabilities."""
    mark = rng.random((chance.shape[0], 1))
    outcome: Ints = (np.cumsum(chance, axis=1)[:, :-1] <= mark).sum(axis=1)
    return outcome


def unit_weibull(rng: np.random.Generator, shape: float, size: int) -> Floats:
    """Weibull times of mean 1."""
    times: Floats = rng.exponential(size=size) ** (1.0 / shape) / gamma(1.0 + 1.0 / shape)
    return times


class RowBuffer:
    """Columns that grow by arrays."""

    def __init__(self) -> None:
        self._parts: list[dict[str, npt.NDArray[np.generic]]] = []

    def add(self, **columns: npt.NDArray[np.generic] | float | int | str | bool) -> None:
        """Adds rows; a single value stands for as many as the others have."""
        size = max(np.size(value) for value in columns.values())
        if all(np.size(value) for value in columns.values()):
            self._parts.append({name: np.broadcast_to(value, (size,)) for name, value in columns.items()})

    def frame(self, schema: Schema) -> pl.DataFrame:
        """The columns named, in the order in which rows came."""
        if not self._parts:
            return pl.DataFrame(schema=schema)
        columns = {name: np.concatenate([part[name] for part in self._parts]) for name in schema}
        return pl.DataFrame(
            {name: pl.Series(name, columns[name]).cast(kind) for name, kind in schema.items()}
        )
