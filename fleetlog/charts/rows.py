"""Tables as rows inside a chart: plain JSON values, never more than a picture can show."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import altair as alt
import polars as pl

from fleetlog.errors import UsageError
from fleetlog.session.finding import plain

MAX_ROWS = 5000


def inline(rows: Sequence[Mapping[str, Any]] | pl.DataFrame) -> alt.InlineData:
    """The rows as data of a chart, values as they stand in the table.

    Raises:
        UsageError: when there are more than MAX_ROWS; pictures thin, or say what they leave out, before that.
    """
    listed = rows.to_dicts() if isinstance(rows, pl.DataFrame) else list(rows)
    if len(listed) > MAX_ROWS:
        raise UsageError(
            f"a chart takes at most {MAX_ROWS:,} rows and this one has {len(listed):,}; "
            "narrow it with --site, --build-year or --machine"
        )
    # A tuple, because altair copies lists and dicts deeply each time a chart joins another.
    return alt.InlineData(values=tuple(plain(listed)))


def at_x(pixels: float) -> Any:
    """A fixed place on the x axis, in pixels from the left of the plot."""
    return alt.XValue(pixels)  # type: ignore[no-untyped-call]


def thinned(frame: pl.DataFrame, column: str, most: int, resolution: float = 1 / 2000) -> pl.DataFrame:
    """A step curve with few enough steps to draw: steps smaller than `resolution` of the range are left out.

    The first and last row stay, and every row that stays is a row of `frame`, unchanged.
    """
    if frame.height <= most:
        return frame
    values = frame[column].to_numpy()
    span = float(values.max() - values.min()) or 1.0
    while frame.height > most:
        level = (pl.col(column) / (span * resolution)).floor()
        numbered = frame.with_row_index("_row")
        keep = (level != level.shift(1)).fill_null(True) | (pl.col("_row") == frame.height - 1)
        kept = numbered.filter(keep).drop("_row")
        frame, resolution = kept, resolution * 2
    return frame
