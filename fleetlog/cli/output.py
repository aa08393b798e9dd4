"""Prints findings and frames: data to standard output or a file, everything else to standard error."""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fleetlog.cli.options import Format
from fleetlog.errors import UsageError

if TYPE_CHECKING:
    import polars as pl

    from fleetlog.session.finding import Finding


def with_safety(text: str, answer: Finding) -> str:
    """An answer's text with the holds before it and the cautions beneath it."""
    if answer.safety is None:
        return text
    before = "".join(f"{line}\n" for line in answer.safety.first_lines())
    after = "".join(f"{line}\n" for line in answer.safety.last_lines())
    return f"{before}\n{text}" + (f"\n{after}" if after else "")


def show(
    finding: Finding, frame: pl.DataFrame, form: Format, out: Path | None, *, beneath: tuple[str, ...] = ()
) -> None:
    """A finding: `frame` as a table, or the whole finding as JSON; notes and cautions beneath the table.

    Args:
        finding: whose table it is.
        frame: what is printed.
        form: how.
        out: where to; None: the screen.
        beneath: columns that the finding's remarks say as sentences, so that the table leaves them out.
    """
    if form is Format.JSON:
        text = json.dumps(finding.to_dict(), indent=2, ensure_ascii=False) + "\n"
    elif form is Format.CSV:
        text = render(frame, form)
    else:
        text = render(frame.drop(beneath, strict=False), form)
        notes = (*finding.remarks, *finding.notes)
        text += "".join(f"\nNote: {note}" for note in notes) + ("\n" if notes else "")
        text = with_safety(text, finding)
    emit(text, out)


def show_frame(frame: pl.DataFrame, form: Format, out: Path | None) -> None:
    """A plain table."""
    emit(render(frame, form), out)


def show_rows(rows: list[dict[str, Any]], form: Format, out: Path | None) -> None:
    """A list of rows with the same keys."""
    import polars as pl

    show_frame(pl.DataFrame(rows, infer_schema_length=None), form, out)


def emit(text: str, out: Path | None) -> None:
    """Text to standard output or to a file.

    Raises:
        UsageError: where the file cannot be written.
    """
    if out is None:
        sys.stdout.write(text)
        return
    try:
        out.write_text(text, encoding="utf-8", newline="")
    except OSError as error:
        raise UsageError(f"{out} cannot be written: {error.strerror or error}.") from error


def say(text: str) -> None:
    """A message for the person at the screen, not for a pipe."""
    print(text, file=sys.stderr)


def render(frame: pl.DataFrame, form: Format) -> str:
    """A frame as text."""
    from fleetlog.session.finding import plain

    if form is Format.CSV:
        from fleetlog.tables import harmless

        return harmless(_flat(frame)).write_csv()
    rows = [plain(row) for row in frame.to_dicts()]
    if form is Format.JSON:
        return json.dumps(rows, indent=2, ensure_ascii=False) + "\n"
    from tabulate import tabulate

    cells = [[_cell(value) for value in row.values()] for row in rows]
    style = "github" if form is Format.MARKDOWN else "simple"
    aligned = ["right" if kind.is_numeric() else "left" for kind in frame.dtypes]
    table = tabulate(
        cells,
        headers=frame.columns,
        tablefmt=style,
        colalign=aligned if cells else None,
        disable_numparse=True,
    )
    return table + "\n"


def _flat(frame: pl.DataFrame) -> pl.DataFrame:
    """Lists and structures as JSON text: CSV has no other place for them."""
    nested = [name for name, kind in frame.schema.items() if kind.is_nested()]
    from fleetlog.session.finding import plain

    return frame.with_columns(
        pl_series(name, [json.dumps(plain(value)) for value in frame[name].to_list()]) for name in nested
    )


def pl_series(name: str, values: list[str]) -> pl.Series:
    """A text column."""
    import polars as pl

    return pl.Series(name, values, dtype=pl.String)


def _cell(value: Any) -> str:
    """One cell for a person: numbers to a sensible figure, unknown as an empty cell."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        if value.is_integer() and abs(value) < 1e15:
            return f"{value:.0f}"
        return f"{value:.1f}" if abs(value) >= 100 else f"{value:.3g}"
    if isinstance(value, (list, dict)):
        return json.dumps(value)
    return " ".join(str(value).replace("|", "¦").split())
