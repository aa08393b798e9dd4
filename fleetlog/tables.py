"""Tables for the world outside, with nothing in them that a spreadsheet would run."""

from __future__ import annotations

import io
import json
import math
from collections.abc import Mapping, Sequence
from datetime import date, datetime, time, timedelta
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fleetlog.errors import UsageError
from fleetlog.outfile import write_file

if TYPE_CHECKING:
    import polars as pl

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
"""A text that begins so may be taken for a formula by a spreadsheet."""

_MIGHT_BE_FORMULA = "^'*[" + "".join(FORMULA_STARTS).replace("-", r"\-") + "]"
"""The same, as a pattern."""

ENDINGS = (".csv", ".json", ".ndjson", ".xlsx", ".parquet", ".md", ".txt")
"""What a table's file may end in; the ending says the format."""

SIGNIFICANT = 12
"""Digits that a computed number keeps in a file: more than anything here is known to, fewer than show noise."""


def harmless_text(text: str) -> str:
    """Text that no spreadsheet takes for a formula: an apostrophe in front where it might.

    A plain negative or signed number stays as it is. One that has apostrophes before a formula already gets
    one more, so that loading, which takes one off, brings back the text as it was.
    """
    if text.lstrip("'").startswith(FORMULA_STARTS) and not _is_number(text):
        return "'" + text
    return text


def harmless(frame: pl.DataFrame) -> pl.DataFrame:
    """The table with every text and heading made harmless as by `harmless_text`."""
    import polars as pl

    def safe(name: str) -> pl.Expr:
        column = pl.col(name)
        bare = column.str.strip_chars_start("'")
        risky = pl.any_horizontal(*(bare.str.starts_with(start) for start in FORMULA_STARTS))
        number = column.str.replace(",", ".", literal=True).cast(pl.Float64, strict=False).is_not_null()
        return pl.when(risky & ~number).then(pl.concat_str(pl.lit("'"), column)).otherwise(column).alias(name)

    texts = [name for name, kind in frame.schema.items() if kind == pl.String]
    # hardly any column holds what might be a formula, and to look for it once costs little
    might = frame.select(pl.col(texts).str.contains(_MIGHT_BE_FORMULA).any()).row(0) if texts else ()
    doubtful = [safe(name) for name, so in zip(texts, might, strict=True) if so]
    return (frame.with_columns(doubtful) if doubtful else frame).rename(harmless_text)


def neat(frame: pl.DataFrame) -> pl.DataFrame:
    """A computed table without the noise that binary fractions leave in the last digits."""
    import polars as pl

    floats = pl.selectors.float()
    return frame.with_columns(
        pl.when(floats.is_finite()).then(floats.round_sig_figs(SIGNIFICANT)).otherwise(floats)
    )


def ending_of(path: Path, more: Sequence[str] = ()) -> str:
    """The ending that says the format of an answer's file, in lower case.

    Args:
        path: the file.
        more: endings that this answer knows beside those of a table.

    Raises:
        UsageError: for another ending.
    """
    ending = path.suffix.lower()
    known = (*ENDINGS, *more)
    if ending not in known:
        raise UsageError(f"{path.name} must end in one of {', '.join(known)} so that the format is known.")
    return ending


def write_table(frame: pl.DataFrame, path: Path) -> None:
    """Writes a table in the format that the file's ending names, whole or not at all.

    Raises:
        UsageError: for another ending, or where the file cannot be written.
    """
    write_file(path, table_bytes(frame, ending_of(path)))


def table_bytes(frame: pl.DataFrame, ending: str) -> bytes:
    """A table in the format of an ending; headings stand there also where there is no row.

    Times are written in ISO 8601 with their zone, where they have one; in a spreadsheet as times, with the
    zone in the heading.
    """
    match ending:
        case ".csv":
            return csv_text(frame).encode()
        case ".json":
            return (json.dumps(_rows(frame), indent=2, ensure_ascii=False) + "\n").encode()
        case ".ndjson":
            return "".join(json.dumps(row, ensure_ascii=False) + "\n" for row in _rows(frame)).encode()
        case ".parquet":
            content = io.BytesIO()
            frame.write_parquet(content)
            return content.getvalue()
        case ".xlsx":
            return _workbook(frame)
        case _:
            return text_table(frame, markdown=ending == ".md").encode()


def csv_text(frame: pl.DataFrame) -> str:
    """A table as CSV; lists and structures, for which CSV has no other place, as JSON text."""
    return harmless(_flat(frame)).write_csv()


def text_table(frame: pl.DataFrame, *, markdown: bool = False) -> str:
    """A table for a person: numbers to a sensible figure, unknown as an empty cell."""
    from tabulate import tabulate

    aligned = ["right" if kind.is_numeric() else "left" for kind in frame.dtypes]
    cells = [[_shown(json_value(value)) for value in row] for row in frame.rows()]
    return (
        tabulate(
            cells,
            headers=frame.columns,
            tablefmt="github" if markdown else "simple",
            colalign=aligned if cells else None,
            disable_numparse=True,
        )
        + "\n"
    )


def json_value(value: Any) -> Any:
    """A value in JSON's own types: times in ISO 8601, NaN and infinity as null, what JSON has not as text."""
    match value:
        case None | bool() | int() | str():
            return value
        case float():
            return value if math.isfinite(value) else None
        case datetime():
            text = value.isoformat()
            return text.removesuffix("+00:00") + "Z" if text.endswith("+00:00") else text
        case date() | time():
            return value.isoformat()
        case Decimal():
            whole = value == value.to_integral_value()
            return (
                int(value) if whole else float(value) if Decimal(repr(float(value))) == value else str(value)
            )
        case bytes():
            return value.hex()
        case timedelta():
            return str(value)
        case Mapping():
            return {str(key): json_value(item) for key, item in value.items()}
        case _ if hasattr(value, "to_list") or isinstance(value, (list, tuple)):
            return [json_value(item) for item in value]
    return str(value)


def _rows(frame: pl.DataFrame) -> list[dict[str, Any]]:
    return [
        {name: json_value(value) for name, value in zip(frame.columns, row, strict=True)}
        for row in frame.rows()
    ]


def _shown(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        if value.is_integer() and abs(value) < 1e15:
            return f"{value:.0f}"
        return f"{value:.1f}" if abs(value) >= 100 else f"{value:.3g}"
    if isinstance(value, (list, dict)):
        return json.dumps(value, ensure_ascii=False)
    return " ".join(str(value).replace("|", "¦").split())


def _flat(frame: pl.DataFrame) -> pl.DataFrame:
    """The table in kinds that CSV has."""
    import polars as pl

    return _times_as_text(_plain_kinds(frame), pl.selectors.datetime())


def _plain_kinds(frame: pl.DataFrame) -> pl.DataFrame:
    """Lists, structures and what else only few formats have, as text."""
    import polars as pl

    def text(values: pl.Series) -> pl.Series:
        plain = [json_value(value) for value in values.to_list()]
        texts = [
            value if value is None or isinstance(value, str) else json.dumps(value, ensure_ascii=False)
            for value in plain
        ]
        return pl.Series(values.name, texts, dtype=pl.String)

    return frame.with_columns(
        text(frame[name])
        for name, kind in frame.schema.items()
        if kind.is_nested() or isinstance(kind, pl.Binary | pl.Object | pl.Duration | pl.Time)
    )


def _times_as_text(frame: pl.DataFrame, which: Any) -> pl.DataFrame:
    """Times in ISO 8601, with their zone where they have one."""
    import polars as pl

    def text(name: str, kind: pl.Datetime) -> pl.Expr:
        zone = "" if kind.time_zone is None else "Z" if kind.time_zone == "UTC" else "%:z"
        return pl.col(name).dt.strftime(f"%Y-%m-%dT%H:%M:%S%.f{zone}")

    return frame.with_columns(
        text(name, kind) for name, kind in frame.select(which).schema.items() if isinstance(kind, pl.Datetime)
    )


class _Digits(float):
    """A number that is written with all of its digits, whatever a format asks for."""

    def __format__(self, _: str) -> str:
        return f"{float(self):.17G}"


UTC_HEADING = " (UTC)"
"""What a spreadsheet's heading ends in where its times, which cannot carry a zone, are UTC."""


def _workbook(frame: pl.DataFrame) -> bytes:
    """The table as a workbook of one sheet, every number in plain figures: 2016 is a year, not 2,016."""
    import polars as pl
    import xlsxwriter
    from xlsxwriter.worksheet import Worksheet

    class Exact(Worksheet):  # type: ignore[misc]
        """A sheet whose numbers have as many digits as tell them from all others."""

        def _xml_number_element(self, number: float, attributes: Sequence[tuple[str, str]] = ()) -> None:
            shown = f"{number:.16G}"
            super()._xml_number_element(_Digits(number) if float(shown) != number else number, attributes)

    class Book(xlsxwriter.Workbook):  # type: ignore[misc]
        worksheet_class = Exact

    content = io.BytesIO()
    how = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with Book(content, {**how, "nan_inf_to_errors": True}) as book:
        harmless(_spreadsheet_times(_plain_kinds(frame))).write_excel(
            book,
            worksheet="fleetlog",
            freeze_panes=(1, 0),
            autofit=frame.height < 10_000,
            autofilter=False,
            dtype_formats={
                **dict.fromkeys((pl.Int8, pl.Int16, pl.Int32, pl.Int64, pl.UInt8, pl.UInt16, pl.UInt32), "0"),
                **{pl.UInt64: "0", pl.Float32: "General", pl.Float64: "General"},
            },
        )
    return content.getvalue()


def _spreadsheet_times(frame: pl.DataFrame) -> pl.DataFrame:
    """Times as a spreadsheet has them, with the zone in the heading; those that it has not stay text."""
    import polars as pl

    def fits(times: pl.Series) -> bool:
        known = times.drop_nulls().dt
        return bool((known.microsecond() == 0).all() and (known.year() >= 1901).all())

    kinds = {name: kind for name, kind in frame.schema.items() if isinstance(kind, pl.Datetime)}
    kept = {name: kind.time_zone for name, kind in kinds.items() if fits(frame[name])}
    frame = _times_as_text(frame, [name for name in kinds if name not in kept])
    return frame.with_columns(pl.col(list(kept)).dt.replace_time_zone(None)).rename(
        {name: f"{name} ({zone})" for name, zone in kept.items() if zone}
    )


def _is_number(text: str) -> bool:
    try:
        float(text.replace(",", "."))
    except ValueError:
        return False
    return True
