"""The files of an invented fleet: CSV or Parquet, whole or only what was recorded in a stretch of time.

Frames come in pieces, so that memory does not grow with the fleet. Each has a column `DAY`: when the row was
recorded, in days since 1970; it says in which month's file a row arrives, and is not written.
"""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from dataclasses import asdict, dataclass
from datetime import date
from enum import StrEnum
from pathlib import Path
from tempfile import TemporaryDirectory

import polars as pl

from fleetlog.faults import DesignChange
from fleetlog.simulation.arrays import EPOCH, days_since_epoch

DAY = "recorded_day"
#: What the settings of a fleet are called; they lie beside its store.
SETTINGS = "fleetlog.toml"


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
            frame = frame.filter(pl.col(DAY) >= days_since_epoch(self.first))
        if self.last is not None:
            frame = frame.filter(pl.col(DAY) < days_since_epoch(self.last) + 1)
        return frame

    def machines(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Machines that came or went within the window; one that goes later is still there.

        Args:
            frame: with disposed_on (DATE), hours_at_disposal, and DAY for the day on which the machine came.
        """
        if self.whole:
            return frame
        went = (pl.col("disposed_on") - pl.lit(EPOCH)).dt.total_days()
        if self.last is not None:
            known = went < days_since_epoch(self.last) + 1
            frame = frame.filter(pl.col(DAY) < days_since_epoch(self.last) + 1).with_columns(
                pl.when(known).then(pl.col("disposed_on")),
                pl.when(known).then(pl.col("hours_at_disposal")),
            )
        if self.first is not None:
            begin = days_since_epoch(self.first)
            frame = frame.filter((pl.col(DAY) >= begin) | (went >= begin).fill_null(False))
        return frame


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
        frame.write_csv(file, include_header=new, datetime_format="%Y-%m-%dT%H:%M:%S")


def changes_text(changes: Iterable[DesignChange]) -> str:
    """The design changes of an invented fleet as its fleetlog.toml states them."""
    tables = []
    for change in changes:
        given = {key: value for key, value in asdict(change).items() if value}
        keys = [
            f"{key} = {value if isinstance(value, date) else json.dumps(value)}"
            for key, value in given.items()
        ]
        tables.append("\n".join(("[[design_changes]]", *keys, "")))
    return "\n".join(("# When which maker changed a part of this invented fleet.\n", *tables))
