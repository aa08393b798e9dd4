"""Lives counted into the risk tables of many strata, in a single pass and without sorting them.

Stratum and age together make one whole number. Counting is then adding up in a table over all such numbers;
where they lie too far apart for a table, it is one sort.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import polars as pl

from fleetlog.stats.arrays import PIECE, Ints, Whole, distinct_ticks, tabled, tick_positions


@dataclass(frozen=True, eq=False)
class Strata:
    """The strata of a set of lives.

    Attributes:
        levels: one row a stratum that occurs, sorted by its columns, empty cells last.
        of_life: the row of `levels` that each life belongs to, in narrow numbers, shape (lives,).

    Examples:
        >>> strata = Strata.of(pl.DataFrame({"site": ["b", None, "a", "b"]}), ["site"])
        >>> strata.levels["site"].to_list(), strata.of_life.tolist()
        (['a', 'b', None], [1, 2, 0, 1])
        >>> strata.in_words("unknown").levels["site"].to_list()
        ['a', 'b', 'unknown']
    """

    levels: pl.DataFrame
    of_life: Whole

    @staticmethod
    def of(lives: pl.DataFrame, by: Sequence[str]) -> Strata:
        """The strata made by columns of whole numbers or text."""
        if not by:
            return Strata(pl.DataFrame(), np.zeros(lives.height, dtype=np.int32))
        values, code = _codes(lives[by[0]])
        levels = pl.DataFrame({by[0]: values})
        for name in by[1:]:
            values, own = _codes(lives[name])
            code = code * np.int64(len(values)) + own
            used = distinct_ticks(code)
            code = tick_positions(used, code, inclusive=True) - 1
            levels = levels[used // len(values)].with_columns(values.gather(used % len(values)).alias(name))
        return Strata(levels, code.astype(np.int32, copy=False))

    def in_words(self, unknown: str) -> Strata:
        """The same with all values as text, empty cells under a name of their own.

        Strata that read the same afterwards are one.
        """
        stated = self.levels.with_columns(pl.all().cast(pl.String).fill_null(unknown))
        merged = Strata.of(stated, stated.columns)
        return Strata(merged.levels, merged.of_life[self.of_life] if stated.columns else self.of_life)


def count_lives(lives: pl.DataFrame, strata: Strata) -> pl.DataFrame:
    """The risk tables of all strata below each other.

    Args:
        lives: one row a life, in any order: entry and hours (ages in ticks, at risk on (entry, hours]) and
            failed (boolean, or 1 and 0).
        strata: of these lives.

    Returns:
        The columns of the strata, hours, entering, failed, leaving; one row a stratum and age, sorted so.

    Examples:
        Two lives of site a, one of which fails, and one of site b that is watched from 1 h on.

        >>> lives = pl.DataFrame({"entry": [0, 0, 10], "hours": [30, 30, 20], "failed": [True, False, False]})
        >>> strata = Strata.of(pl.DataFrame({"site": ["a", "a", "b"]}), ["site"])
        >>> count_lives(lives, strata).rows()
        [('a', 0, 2, 0, 0), ('a', 30, 0, 1, 2), ('b', 10, 1, 0, 0), ('b', 20, 0, 0, 1)]
    """
    ages = int(lives["hours"].max() or 0) + 1  # type: ignore[arg-type]
    size = max(strata.levels.height, 1) * ages
    count = _in_a_table if tabled(size, lives.height) else _by_sorting
    key, entering, failed, leaving = count(lives, strata.of_life, ages, size)
    stratum = key // ages
    return pl.DataFrame(
        {
            **{column.name: column.gather(stratum) for column in strata.levels},
            "hours": key - stratum * ages,
            "entering": entering,
            "failed": failed,
            "leaving": leaving,
        }
    )


def _in_a_table(lives: pl.DataFrame, of_life: Whole, ages: int, size: int) -> tuple[Ints, Ints, Ints, Ints]:
    """Distinct keys, sorted, and how many enter, fail and leave at each.

    An end is counted once, at twice its key and one more where it is a failure: half the work of counting ends and
    failures each. Keys and counts are narrow numbers, so that more of the table stays in the processor's cache.
    """
    # a frame has fewer rows than these can count
    entering, ended = np.zeros(size, dtype=np.uint32), np.zeros(2 * size, dtype=np.uint32)
    one = np.uint32(1)
    for start in range(0, lives.height, PIECE):
        part = lives.slice(start, PIECE)
        key = np.multiply(of_life[start : start + PIECE], ages, dtype=np.int32)
        np.add.at(entering, np.add(key, part["entry"].to_numpy(), dtype=np.int64), one)
        key += part["hours"].to_numpy()
        key *= 2
        key += part["failed"].to_numpy()
        np.add.at(ended, key.astype(np.int64), one)
    failed = ended[1::2]
    leaving = ended[::2] + failed
    found = np.flatnonzero((entering > 0) | (leaving > 0))
    came, died, went = (counts[found].astype(np.int64) for counts in (entering, failed, leaving))
    return found, came, died, went


def _by_sorting(lives: pl.DataFrame, of_life: Whole, ages: int, size: int) -> tuple[Ints, Ints, Ints, Ints]:
    """The same where most keys do not occur."""
    first = of_life.astype(np.int64) * ages
    begin, end = first + lives["entry"].to_numpy(), first + lives["hours"].to_numpy()
    key = np.unique(np.concatenate((begin, end)))
    entering, failed, leaving = (
        np.bincount(np.searchsorted(key, at), minlength=key.size)
        for at in (begin, end[lives["failed"].to_numpy() != 0], end)
    )
    return key, entering, failed, leaving


def _codes(column: pl.Series) -> tuple[pl.Series, Whole]:
    """The distinct values of a column, sorted, an empty cell last, and which of them each row holds."""
    if column.dtype == pl.String:
        values = column.unique().sort(nulls_last=True)
        known = values.drop_nulls()
        place = column.cast(pl.Enum(known)).to_physical().cast(pl.Int64).fill_null(known.len())
        return values, place.to_numpy()
    whole = column if column.dtype.is_integer() else column.cast(pl.Int64)
    low, high = int(whole.min() or 0), int(whole.max() or 0)  # type: ignore[arg-type]
    wide = low < -(2**31) or high + 1 >= 2**31
    ticks: Whole = np.empty(whole.len(), dtype=np.int64 if wide else np.int32)
    for start in range(0, whole.len(), PIECE):
        part = whole.slice(start, PIECE)
        if part.null_count():
            part = part.cast(pl.Int64).fill_null(high + 1)
        np.subtract(part.to_numpy(), low, out=ticks[start : start + PIECE], dtype=ticks.dtype)
    found = distinct_ticks(ticks)
    stated = [value if value <= high else None for value in (found + low).tolist()]
    dense = found.size == 0 or found[-1] == found.size - 1
    code = ticks if dense else tick_positions(found, ticks, inclusive=True) - 1
    return pl.Series(column.name, stated, dtype=column.dtype), code
