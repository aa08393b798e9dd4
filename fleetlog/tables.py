"""Tables for the world outside, with nothing in them that a spreadsheet would run."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

from fleetlog.errors import UsageError

if TYPE_CHECKING:
    import polars as pl

FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")
"""A text that begins so may be taken for a formula by a spreadsheet."""

ENDINGS = (".csv", ".xlsx", ".parquet", ".json")


def harmless_text(text: str) -> str:
    """Text that no spreadsheet takes for a formula: an apostrophe in front where it might.

    A plain negative or signed number stays as it is.
    """
    if text.startswith(FORMULA_STARTS) and not _is_number(text):
        return "'" + text
    return text


def harmless(frame: pl.DataFrame) -> pl.DataFrame:
    """The table with every text and heading made harmless as by `harmless_text`."""
    import polars as pl

    def safe(name: str) -> pl.Expr:
        column = pl.col(name)
        risky = pl.any_horizontal(*(column.str.starts_with(start) for start in FORMULA_STARTS))
        number = column.str.replace(",", ".", literal=True).cast(pl.Float64, strict=False).is_not_null()
        return pl.when(risky & ~number).then(pl.concat_str(pl.lit("'"), column)).otherwise(column).alias(name)

    texts = [safe(name) for name, kind in frame.schema.items() if kind == pl.String]
    return frame.with_columns(texts).rename(harmless_text)


def write_table(frame: pl.DataFrame, path: Path) -> None:
    """Writes a table in the format that the file's ending names.

    Raises:
        UsageError: for another ending, or where the file cannot be written.
    """
    ending = path.suffix.lower()
    if ending not in ENDINGS:
        raise UsageError(f"{path.name} must end in one of {', '.join(ENDINGS)} so that the format is known.")
    try:
        if ending == ".csv":
            harmless(frame).write_csv(path)
        elif ending == ".parquet":
            frame.write_parquet(path)
        elif ending == ".json":
            path.write_text(json.dumps(frame.to_dicts(), default=str, indent=2) + "\n", encoding="utf-8")
        else:
            harmless(_without_zones(frame)).write_excel(
                path, worksheet="fleetlog", freeze_panes=(1, 0), autofit=True
            )
    except OSError as error:
        raise UsageError(f"{path} cannot be written: {error.strerror or error}.") from error


def _without_zones(frame: pl.DataFrame) -> pl.DataFrame:
    """A spreadsheet's times have no zone: they stay local, and the heading names the zone."""
    import polars as pl

    zoned = {name: kind.time_zone for name, kind in frame.schema.items() if isinstance(kind, pl.Datetime)}
    return frame.with_columns(pl.col(list(zoned)).dt.replace_time_zone(None)).rename(
        {name: f"{name} ({zone})" for name, zone in zoned.items() if zone}
    )


def _is_number(text: str) -> bool:
    try:
        float(text.replace(",", "."))
    except ValueError:
        return False
    return True
