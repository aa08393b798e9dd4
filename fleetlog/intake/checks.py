"""Reading and checking a whole file: two statements made from the dictionary.

The first reads a source, types every cell and judges every row; it makes a temporary table with the
dictionary's columns that the file has, `bad`, and the text of the row where it is bad. The second looks at
the bad rows alone and says of each its row number, every reason, column and value of the first failed check,
and the row as it stood (JSON). Good rows, nearly all, pay for no sentence.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import datetime

from fleetlog.errors import InputFileError
from fleetlog.intake.cells import (
    COMMA,
    COMMA_OR_GROUP,
    DATES,
    NUMERIC,
    POINT,
    POINT_OR_GROUP,
    SPELLED,
    UNIT,
    Cell,
    DecimalSign,
    Judging,
    trim,
)
from fleetlog.intake.contract import IntakeSettings
from fleetlog.intake.dateforms import DateForms, date_forms
from fleetlog.intake.j1939 import with_trouble_codes
from fleetlog.intake.names import REJECT_ID, REJECT_REASON, squeeze
from fleetlog.intake.profiles.words import translate
from fleetlog.intake.source import Blanks, Source
from fleetlog.intake.sqltext import Bound, all_of, any_of, commas, compose
from fleetlog.store import Store
from fleetlog.store.connection import quoted
from fleetlog.store.dictionary import Type
from fleetlog.tables import FORMULA_STARTS

# Up to this share of the rows, judging those that failed again costs less than reading the whole file again.
_FEW = 0.1

# What cannot come before what, within one row.
_IN_ORDER = {
    "machines": (("acquired_on", "disposed_on"),),
    "components": (("fitted_on", "removed_on"),),
    "work_orders": (("opened_at", "closed_at"),),
    "rentals": (("out_at", "in_at"),),
}


@dataclass(frozen=True)
class Checked:
    """A source read and checked, in temporary tables.

    Attributes:
        source: what was read.
        table: the temporary table of all rows: the dictionary's columns that the file has, `bad`, and
            `row_no` where `numbered`.
        numbered: whether the table says its row numbers; otherwise they are its rowid + 1.
        good: rows that passed.
        rejected: rows that failed; they stand in the table `problems`.
        notes: what was found out on the way.
    """

    source: Source
    table: str
    numbered: bool
    good: int
    rejected: int
    blank: int
    notes: tuple[str, ...] = ()

    @property
    def rows(self) -> int:
        """Data rows; blank rows are none."""
        return self.good + self.rejected

    @property
    def problems(self) -> str:
        """The temporary table of the rows that failed: file_row, row_no, (reject_id,) problem, …, raw."""
        return f"{self.table}_problems"

    def row_no(self, alias: str) -> str:
        """The expression for a row's number (1 = the first below the header)."""
        return f"{alias}.row_no" if self.numbered else f"{alias}.rowid + 1"


def check(
    store: Store,
    source: Source,
    settings: IntakeSettings,
    now: datetime,
    table: str,
    date_order: str | None = None,
    again: Callable[[], None] | None = None,
    place: str = "",
) -> Checked:
    """Reads a source into the table `table`, every row judged.

    The table is a temporary one, or lies where `place` says (`fleetlog.store.scratch`).

    A file is first taken to write numbers and dates the plain way. Where rows fail, they are searched for
    what shows another habit (decimal commas, days before months); if there is one, they are judged by that
    again. Where they are many, or it bears on the others too, the whole file is read again, and `again` is
    called before.

    Raises:
        InputFileError: when most of its dates can be read two ways, or rows do not come through.
    """
    source = with_trouble_codes(_without_apostrophes(source), source.bare_pairs)
    decimal = DecimalSign(doubtful_points=source.doubtful_points)
    judging = Judging(settings, now, decimal, Bound(), DateForms(), place)
    everything, bad = _judge(store, source, judging, table)
    if bad:
        habits = _habits(store, source, judging, table, everything, date_order)
        only_dates = habits.decimal == judging.decimal
        if habits != judging:
            judging = habits
            # More ways to write a date make no good row bad, and no value of one another.
            if only_dates and bad <= everything * _FEW:
                bad = _judge_bad_again(store, source, judging, table)
            else:
                if again:
                    again()
                everything, bad = _judge(store, source, judging, table)
    notes = [*source.notes]
    if judging.decimal.sign == ",":
        notes.append("decimal comma")
    if judging.dates.note:
        notes.append(judging.dates.note)
    checked = Checked(source, table, source.numbered, everything - bad, 0, 0, tuple(notes))
    if not bad:
        return checked
    sql = _description_sql(checked, _cells(source, judging), judging)
    store.execute(sql, judging.bound.used_in(sql))
    rejected = store.execute(compose("SELECT count(*) FROM «table»", table=quoted(checked.problems)))[0][0]
    blank = bad - rejected
    if blank:
        notes.append(f"blank rows passed over: {blank:,}")
    return Checked(source, table, source.numbered, everything - bad, rejected, blank, tuple(notes))


def _cells(source: Source, judging: Judging) -> list[Cell]:
    return [
        Cell(column, cell, judging, is_utc=source.is_utc(column.name))
        for column in source.kind.columns
        if (cell := source.cell(column.name)) is not None
    ]


def _judge(store: Store, source: Source, judging: Judging, table: str) -> tuple[int, int]:
    """Runs the first statement; how many rows there are, and how many of them are bad."""
    sql = _judging_sql(source, _cells(source, judging), judging, table)
    store.execute(sql, {**source.parameters, **judging.bound.used_in(sql)})
    everything, bad = store.execute(
        compose("SELECT count(*), count(*) FILTER (bad) FROM «table»", table=quoted(table))
    )[0]
    if source.rows is not None and source.rows != everything:
        raise InputFileError(
            f"{source.path} cannot be read row by row ({source.rows:,} rows were found, {everything:,} came "
            "through); export it again."
        )
    return int(everything), int(bad)


def _judge_bad_again(store: Store, source: Source, judging: Judging, table: str) -> int:
    """Judges the rows that failed by other habits; how many fail still."""
    cells = _cells(source, judging)
    again = f"{table}_again"
    failed = replace(
        source,
        relation=compose(
            "(SELECT rowid AS file_row, «numbers»«cells» FROM «table» WHERE bad)",
            numbers="row_no, malformed, " if source.numbered else "",
            cells=commas(f"cells[{i}] AS {c.cell}" for i, c in enumerate(source.columns, start=1)),
            table=quoted(table),
        ),
    )
    sql = _judging_sql(failed, cells, replace(judging, place=""), again, also="file_row, ")
    store.execute(sql, judging.bound.used_in(sql))
    # The cells stay: a row whose list is changed gets another rowid, and with it another number.
    store.execute(
        compose(
            "UPDATE «table» AS f SET «values», bad = false "
            "FROM «again» AS a WHERE f.rowid = a.file_row AND NOT a.bad",
            table=quoted(table),
            values=commas(f"{quoted(cell.column.name)} = a.{quoted(cell.column.name)}" for cell in cells),
            again=quoted(again),
        )
    )
    bad = store.execute(compose("SELECT count(*) FROM «again» WHERE bad", again=quoted(again)))[0][0]
    store.execute(compose("DROP TABLE «again»", again=quoted(again)))
    return int(bad)


def _habits(
    store: Store, source: Source, judging: Judging, table: str, rows: int, date_order: str | None
) -> Judging:
    """How the file writes numbers and dates, from the rows that failed."""
    numbers = _texts(source, table, NUMERIC)
    dates = _texts(source, table, DATES)
    decimal = judging.decimal
    if numbers:
        bound = Bound()
        sql = compose(
            "SELECT coalesce(bool_or(regexp_full_match(trim(text), «spelled»)), false), "
            "coalesce(bool_or(contains(text, ',') OR («doubtful» AND contains(text, '.'))), false) FROM («texts»)",
            spelled=bound(SPELLED),
            doubtful=bound(source.doubtful_points),
            texts=numbers,
        )
        spelled, signs = store.execute(sql, bound.used_in(sql))[0]
        if signs:
            decimal = _decimal_sign(store, source)
        decimal = replace(decimal, spelled=spelled)
    forms = judging.dates
    if dates:
        forms = date_forms(
            store, dates, Bound(), date_order, rows, source.path, source.serial_from, judging.now.year
        )
    return replace(judging, decimal=decimal, dates=forms)


def _texts(source: Source, table: str, types: tuple[Type, ...]) -> str:
    """A SELECT of the cells of all columns of some types in the rows that failed; empty if there is none."""
    places = [
        i
        for i, column in enumerate(source.columns, start=1)
        if column.name is not None and source.kind.column(column.name).type in types
    ]
    return " UNION ALL ".join(
        compose("SELECT cells[«i»] AS text FROM «table» WHERE bad", i=str(i), table=quoted(table))
        for i in places
    )


def _without_apostrophes(source: Source) -> Source:
    """A file as it was before an apostrophe was put before formulas (`fleetlog.tables.harmless_text`)."""
    if not source.guarded:
        return source
    bound = Bound("guard_")
    cells = commas(
        compose(
            "CASE WHEN prefix(«cell», chr(39)) AND regexp_matches(«cell», «formula») "
            "THEN substring(«cell», 2) ELSE «cell» END AS «cell»",
            cell=column.cell,
            formula=bound(f"^'+({'|'.join(map(re.escape, FORMULA_STARTS))})"),
        )
        for column in source.columns
    )
    numbers = "row_no, malformed, " if source.numbered else ""
    relation = compose(
        "(SELECT «numbers»«cells» FROM «relation»)", numbers=numbers, cells=cells, relation=source.relation
    )
    return replace(source, relation=relation, parameters={**source.parameters, **bound.values})


def _decimal_sign(store: Store, source: Source) -> DecimalSign:
    """Counts, over the whole file, the numbers that can only be read with a comma or only with a point."""
    cells = [
        cell
        for column in source.kind.columns
        if column.type in NUMERIC and (cell := source.cell(column.name)) is not None
    ]
    bound = Bound()

    def counted(pattern: str, doubtful: str) -> str:
        return " + ".join(
            compose(
                "count(*) FILTER (regexp_full_match(trim(«cell»), «pattern») "
                "AND NOT regexp_full_match(trim(«cell»), «doubtful»))",
                cell=compose("regexp_replace(«cell», «unit», '')", cell=cell, unit=bound(UNIT)),
                pattern=bound(pattern),
                doubtful=bound(doubtful),
            )
            for cell in cells
        )

    sql = compose(
        "SELECT «comma», «point» FROM «relation»",
        comma=counted(COMMA, COMMA_OR_GROUP),
        point=counted(POINT, POINT_OR_GROUP),
        relation=source.relation,
    )
    comma, point = store.execute(sql, {**source.parameters, **bound.used_in(sql)})[0]
    if comma > point:
        return DecimalSign(",", groups=True, commas=True)
    return DecimalSign(
        ".", groups=point > 0, commas=True, doubtful_points=source.doubtful_points and not point
    )


def _text(source: Source, cell: str, name: str | None, bound: Bound, blanks: Blanks) -> str:
    """A cell trimmed, and its words those of the store where a mapping profile says so."""
    return translate(trim(cell, bound, blanks), source.words_of(name), bound)


def _judging_sql(source: Source, cells: list[Cell], judging: Judging, table: str, also: str = "") -> str:
    """The first statement: all rows typed and judged; `also` names columns of the relation to keep."""
    conditions = [cell.fails() for cell in cells]
    conditions += [condition for condition, *_ in _between_cells(source, cells, judging.bound)]
    columns = [f"{cell.value} AS {quoted(cell.column.name)}" for cell in cells]
    if source.numbered:
        conditions.append("malformed IS NOT NULL")
        columns.append("CAST(row_no AS BIGINT) AS row_no")
        columns.append("malformed")
    if reject_id := source.extra(REJECT_ID):
        columns.append(f"try_cast({reject_id} AS BIGINT) AS reject_id")
    return compose(
        """
        CREATE OR REPLACE «place»«table» AS
        WITH trimmed AS (SELECT *, «trimmed» FROM «relation»),
        typed AS (SELECT *, «typed» FROM trimmed),
        judged AS (SELECT *, coalesce(«bad», false) AS bad FROM typed)
        SELECT «also»«columns», bad, CASE WHEN bad THEN [«kept»] END AS cells FROM judged
        """,
        also=also,
        place=f"TABLE {judging.place}" if judging.place else "TEMPORARY TABLE ",
        table=quoted(table),
        relation=source.relation,
        trimmed=commas(
            f"{_text(source, cell.cell, cell.column.name, judging.bound, source.blanks)} AS {cell.text}"
            for cell in cells
        ),
        typed=commas(f"{cell.cast(cell.text)} AS {cell.value}" for cell in cells),
        bad=any_of(conditions),
        columns=commas(columns),
        kept=commas(column.cell for column in source.columns),
    )


def _description_sql(checked: Checked, cells: list[Cell], judging: Judging) -> str:
    """The second statement: what is wrong with each bad row. A row with nothing in it is none."""
    source, bound = checked.source, judging.bound
    failed = [(cell.fails(), cell.reason(), cell.column.name, cell.text) for cell in cells]
    failed += _between_cells(source, cells, bound)
    return compose(
        """
        CREATE OR REPLACE TEMPORARY TABLE «problems» AS
        WITH bad_rows AS (
            SELECT f.rowid AS file_row, «row_no» AS row_no, «reject_id» «malformed» AS malformed, «cells»
            FROM «table» AS f WHERE bad),
        trimmed AS (SELECT *, «trimmed» FROM bad_rows),
        typed AS (SELECT *, «typed» FROM trimmed),
        described AS (
            SELECT file_row, row_no, «reject_id»
                   CASE WHEN malformed IS NOT NULL THEN malformed WHEN «blank» THEN ''
                        ELSE coalesce(nullif(concat_ws('; ', «reasons»), ''), «unclear») END AS problem,
                   CASE WHEN malformed IS NULL THEN CASE «columns» END END AS column_name,
                   CASE WHEN malformed IS NULL THEN left(CASE «shown» END, 200) END AS value,
                   CAST(json_object(«raw») AS VARCHAR) AS raw
            FROM typed)
        SELECT * FROM described WHERE problem <> '' ORDER BY file_row
        """,
        problems=quoted(checked.problems),
        table=quoted(checked.table),
        row_no=checked.row_no("f"),
        reject_id="reject_id, " if source.extra(REJECT_ID) else "",
        cells=commas(f"f.cells[{i}] AS {c.cell}" for i, c in enumerate(source.columns, start=1)),
        trimmed=commas(
            f"{_text(source, c.cell, c.name, bound, Blanks.ANY)} AS t_{c.cell}" for c in source.columns
        ),
        typed=commas(f"{cell.cast(cell.text)} AS {cell.value}" for cell in cells),
        malformed="malformed" if source.numbered else "CAST(NULL AS VARCHAR)",
        blank=all_of(f"t_{column.cell} IS NULL" for column in source.columns),
        reasons=commas(f"CASE WHEN {condition} THEN {reason} END" for condition, reason, *_ in failed),
        unclear=bound("the row cannot be read; write its cells afresh"),
        columns=" ".join(f"WHEN {condition} THEN {bound(name)}" for condition, _, name, _ in failed),
        shown=" ".join(f"WHEN {condition} THEN {text}" for condition, _, _, text in failed),
        raw=commas(
            f"{bound(column.name or column.header or f'column {i + 1}')}, {column.cell}"
            for i, column in enumerate(source.columns)
            if column.given and squeeze(column.header) not in (squeeze(REJECT_ID), squeeze(REJECT_REASON))
        ),
    )


def _between_cells(source: Source, cells: list[Cell], bound: Bound) -> list[tuple[str, str, str, str]]:
    """Checks that look at several cells of a row: (condition, reason, column, shown text)."""
    by_name = {cell.column.name: cell for cell in cells}
    found = []
    groups = source.kind.one_of
    if groups:
        filled = [
            all_of(f"{by_name[name].value} IS NOT NULL" for name in group)
            for group in groups
            if all(name in by_name for name in group)
        ]
        names = ", nor ".join(" and ".join(group) for group in groups)
        reason = f"the row gives neither {names}; fill in at least one of them"
        found.append((f"NOT ({any_of(filled)})", bound(reason), groups[0][0], "CAST(NULL AS VARCHAR)"))
    for first, second in _IN_ORDER.get(source.kind.name, ()):
        if first in by_name and second in by_name:
            before, after = by_name[first], by_name[second]
            reason = compose(
                "concat(«start», «after», «between», «before», «end»)",
                start=bound(f"{second} '"),
                after=after.text,
                between=bound(f"' lies before {first} '"),
                before=before.text,
                end=bound("'; correct one of them"),
            )
            found.append((f"{after.value} < {before.value}", reason, second, after.text))
    return found
