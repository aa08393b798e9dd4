"""Tables as rows inside a chart, and the pieces that many charts are made of."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import altair as alt
import polars as pl

from fleetlog.charts.theme import MUTED
from fleetlog.errors import UsageError
from fleetlog.session.finding import plain

MAX_ROWS = 5000
NOTHING = "nothing"
"""Name of a picture that is only a sentence: a page says it as one."""


class Plot(alt.Chart):
    """A chart that is not copied to its last part each time it is laid over or beside others.

    The grammar's library copies charts deeply wherever it joins them, three or four times before one is drawn, and
    changes nothing of the copies but what stands on top: names, data, sizes and lists of parameters.
    """

    def __deepcopy__(self, memo: Any) -> Plot:
        return self.copy(deep=False)


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


def tips(*columns: str) -> list[alt.Tooltip]:
    """What pointing at a mark tells: each "column:T", "column:T|title" or "column:T|title|format".

    An empty title is the column's own name.
    """
    shown = []
    for column in columns:
        name, title, form = [*column.split("|"), "", ""][:3]
        shown.append(alt.Tooltip(name, title=title or alt.Undefined, format=form or alt.Undefined))
    return shown


def across(field: str, title: str | None = None, *, scale: Any = alt.Undefined, **axis: Any) -> alt.X:
    """A horizontal position with its axis."""
    return alt.X(field, scale=scale, axis=dict(title=title, **axis))


def up(field: str, title: str | None = None, *, scale: Any = alt.Undefined, **axis: Any) -> alt.Y:
    """A vertical position with its axis."""
    return alt.Y(field, scale=scale, axis=dict(title=title, **axis))


def legend(width: int, *, many: int = 0, **more: Any) -> dict[str, Any]:
    """A legend without a title: names side by side, one below the other on a phone."""
    return dict(title=None, columns=1 if width < 500 else many, **more)


def message(text: str, width: int) -> alt.TopLevelMixin:
    """A sentence in place of a picture of nothing."""
    base = Plot(inline([{"text": text}]), width=width - 40, height=60)
    words: alt.TopLevelMixin = base.mark_text(color=MUTED).encode(text=alt.Text("text:N"))
    return words.properties(name=NOTHING)


def p_text(p: float) -> str:
    """A p value: "p < 0.001", "p = 0.020"."""
    return "p < 0.001" if p < 0.001 else f"p = {p:.3f}"


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
        last = pl.int_range(pl.len()) == pl.len() - 1
        frame = frame.filter((level != level.shift(1)).fill_null(True) | last)
        resolution *= 2
    return frame


def apart(ages: Sequence[float], top: float, most: int = 120) -> list[float]:
    """Of rising ages those that can be told apart where `most` marks fit side by side up to `top`."""
    kept: list[float] = []
    for age in ages:
        if not kept or age - kept[-1] >= top / most:
            kept.append(age)
    return kept
