"""The rows of a table as a page or the workbook shows them; reports/tables.toml names these functions."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import polars as pl

from fleetlog.charts.survival import curve_rows
from fleetlog.phrasing import capital, group_name, repair_name
from fleetlog.reporting.findings import ReportFindings

#: (what the rows come from, the rows of the CSV) -> the rows shown.
View = Callable[[Any, pl.DataFrame], pl.DataFrame]

_STEPS = 400
_MOST_LIKELY = 15


def enough_for_a_shape(findings: ReportFindings, rows: pl.DataFrame) -> pl.DataFrame:
    """The lives without the shapes that rest on a prior; the CSV has them, with the note that says so."""
    if not rows.width or findings.survival_by_variant is None:
        return rows
    enough = pl.col("failures") >= findings.survival_by_variant.minimum_failures
    return rows.with_columns(pl.when(enough).then(pl.col("weibull_shape")).alias("weibull_shape"))


def with_repair_names(findings: ReportFindings, rows: pl.DataFrame) -> pl.DataFrame:
    """The repairs with their names in front."""
    names = [
        capital(repair_name(row["action"], row["component"] or "", findings.words)) for row in rows.to_dicts()
    ]
    return rows.select(pl.Series("repair", names, dtype=pl.String), pl.all())


def corners(findings: ReportFindings, _: pl.DataFrame) -> pl.DataFrame:
    """Curves as corner points: a column of ages and a column a group, so that a spreadsheet draws steps."""
    finding = findings.survival_by_variant
    assert finding is not None
    rows: list[dict[str, Any]] = []
    for group in finding.groups:
        before, name = 1.0, group_name(group.group, findings.words)
        for row in curve_rows(finding, group, name, _STEPS):
            for share in (before, row["survival"]):
                rows.append({"group": name, "age": row["hours"], "still_working": share})
            before = row["survival"]
    return pl.DataFrame(rows, schema={"group": pl.String, "age": pl.Float64, "still_working": pl.Float64})


def _newest(column: str) -> View:
    return lambda _, rows: rows.sort(column, descending=True, nulls_last=True, maintain_order=True)


VIEWS: Mapping[str, View] = {
    "": lambda _, rows: rows,
    "enough_for_a_shape": enough_for_a_shape,
    "with_repair_names": with_repair_names,
    "corners": corners,
    "likeliest": lambda _, rows: rows.head(_MOST_LIKELY),
    "newest": _newest("at"),
    "newest_month": _newest("until"),
    "newest_fitted": _newest("fitted_at"),
    "newest_rental": _newest("out_at"),
    "set_aside": lambda _, rows: _newest("at")(_, rows.filter(~pl.col("kept"))),
}
