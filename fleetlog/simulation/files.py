"""The files of an invented fleet: CSV or Parquet, whole or only what was recorded in a stretch of time.

Frames come in pieces, so that memory does not grow with the fleet. Each has a column `DAY`: when the row was
recorded, in days since 1970; it says in which month's file a row arrives, and is not written.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import date
from enum import StrEnum
from pathlib import Path
from tempfile import TemporaryDirectory

import polars as pl

DAY = "recorded_day"

_EPOCH = date(1970, 1, 1)


class FileForm(StrEnum):
    """What the files are written as."""

    CSV = "csv"
    PARQUET = "parquet"


@dataclass(frozen=True)
class Window:
    """The stretch of time whose records are written; None leaves an end open.

    Attributes:
        first, last: the first and the last day; both count.
    """

    first: date | None = None
    last: date | None = None

    @property
    def whole(self) -> bool:
        """Whether everything is written."""
        return self.first is None and self.last is None

    def rows(self, frame: pl.DataFrame) -> pl.DataFrame:
        """The rows recorded within the window."""
        if self.first is not None:
            frame = frame.filter(pl.col(DAY) >= _days(self.first))
        if self.last is not None:
            frame = frame.filter(pl.col(DAY) < _days(self.last) + 1)
        return frame

    def machines(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Machines that came or went within the window; one that goes later is still there.

        Args:
            frame: with disposed_on (DATE), hours_at_disposal, and DAY for the day on which the machine came.
        """
        if self.whole:
            return frame
        went = (pl.col("disposed_on") - pl.lit(_EPOCH)).dt.total_days()
        if self.last is not None:
            known = went < _days(self.last) + 1
            frame = frame.filter(pl.col(DAY) < _days(self.last) + 1).with_columns(
                pl.when(known).then(pl.col("disposed_on")),
                pl.when(known).then(pl.col("hours_at_disposal")),
            )
        if self.first is not None:
            begin = _days(self.first)
            frame = frame.filter((pl.col(DAY) >= begin) | (went >= begin).fill_null(False))
        return frame


def _days(day: date) -> int:
    return (day - _EPOCH).days


class TableFiles:
    """The files of one fleet, one a kind of table, written piece by piece."""

    def __init__(self, folder: Path, form: FileForm, parts: Path) -> None:
        self._folder = folder
        self._form = form
        self._pieces: dict[str, list[Path]] = {}
        self._parts = parts

    @staticmethod
    @contextmanager
    def open(folder: Path, form: FileForm) -> Iterator[TableFiles]:
        """Files that are complete when the context ends.

        Args:
            folder: an existing folder without files of these kinds.
            form: what the files are written as.
        """
        with TemporaryDirectory(prefix="parts-", dir=folder.parent) as parts:
            tables = TableFiles(folder, form, Path(parts))
            yield tables
            tables._join()

    def add(self, kind: str, frame: pl.DataFrame) -> None:
        """Writes a piece of a table; its column DAY, if any, is left out."""
        frame = frame.drop(DAY, strict=False)
        if self._form is FileForm.CSV:
            append_csv(self._folder / f"{kind}.csv", frame)
            return
        pieces = self._pieces.setdefault(kind, [])
        pieces.append(self._parts / f"{kind}-{len(pieces) + 1:06}.parquet")
        frame.write_parquet(pieces[-1], compression="lz4")

    def _join(self) -> None:
        # A Parquet file cannot be added to: the pieces are read as a stream into the one file of the kind.
        for kind, pieces in self._pieces.items():
            pl.scan_parquet(pieces).sink_parquet(self._folder / f"{kind}.parquet", row_group_size=250_000)


def append_csv(path: Path, frame: pl.DataFrame) -> None:
    """Adds rows to a CSV file, with a header if it is new; times as ISO 8601 to the second."""
    new = not path.exists()
    with path.open("ab") as file:
        _as_text(frame).write_csv(file, include_header=new)


def _as_text(frame: pl.DataFrame) -> pl.DataFrame:
    """Times as text, put together from the texts of days and seconds: much faster than formatting."""
    times = [name for name, kind in frame.schema.items() if isinstance(kind, pl.Datetime)]
    if not times or frame.is_empty():
        return frame.with_columns(pl.col(times).cast(pl.String)) if times else frame
    of_day = _SECONDS()
    columns = []
    for name in times:
        seconds = frame[name].dt.epoch("s")
        low, high = seconds.min(), seconds.max()
        if not isinstance(low, int) or not isinstance(high, int):
            columns.append(pl.Series(name, [None] * frame.height, dtype=pl.String))
            continue
        first = low // 86_400
        days = pl.from_epoch(pl.int_range(first, high // 86_400 + 1, eager=True), time_unit="d")
        columns.append(
            pl.select(
                pl.concat_str(
                    days.dt.strftime("%Y-%m-%dT").gather(seconds // 86_400 - first),
                    of_day.gather(seconds % 86_400),
                ).alias(name)
            ).to_series()
        )
    return frame.with_columns(columns)


class _SecondsOfDay:
    """The texts of all seconds of a day, made once."""

    def __init__(self) -> None:
        self._texts: pl.Series | None = None

    def __call__(self) -> pl.Series:
        if self._texts is None:
            seconds = pl.from_epoch(pl.int_range(0, 86_400, eager=True), time_unit="s")
            self._texts = seconds.dt.strftime("%H:%M:%S")
        return self._texts


_SECONDS = _SecondsOfDay()
