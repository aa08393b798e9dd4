"""From text cells to checked values, in one SQL statement made from the dictionary.

The statement reads a source, trims and types every cell, judges it, and keeps the text of a row only where a
check failed. Its result is the temporary table `checked`: the dictionary's columns that the file has, then
`problem` (NULL: the row is good; empty: the row is blank; else every reason), `problem_column` and
`problem_value` of the first failed check, and `raw`, the row as it stood (JSON).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

from fleetlog.intake.contract import IntakeSettings
from fleetlog.intake.header import REJECT_ID, REJECT_REASON
from fleetlog.intake.names import squeezed
from fleetlog.intake.source import Source
from fleetlog.intake.sqltext import Bound, all_of, any_of, commas, compose
from fleetlog.store import Store
from fleetlog.store.connection import quoted
from fleetlog.store.dictionary import Column, Type

EARLIEST = datetime(1950, 1, 1)
"""Before it no machine of this kind was built; spreadsheets write 1899 or 1900 for an empty date."""

# ISO 8601 date, or date and time, with or without zone.
_ISO = r"\d{4}-\d\d-\d\d([T ]\d?\d:\d\d(:\d\d([.]\d{1,9})?)?([Zz]|[+-]\d\d(:?\d\d)?)?)?"
_PARTIAL = r"\d{4}(-\d\d(-\d\d)?)?"
_POINT_GROUPS = r"[+-]?\d{1,3}(,\d{3})+([.]\d+)?"
_COMMA = r"[+-]?(\d+|\d{1,3}([.]\d{3})+)?,\d+"
_COMMA_GROUPS = r"[+-]?\d{1,3}([.]\d{3})+"
_COMMA_OR_GROUP = r"[+-]?[1-9]\d{0,2},\d{3}"
_POINT = r"[+-]?(\d+|\d{1,3}(,\d{3})+)?[.]\d+"
_POINT_OR_GROUP = r"[+-]?[1-9]\d{0,2}[.]\d{3}"

_NUMERIC = (Type.HOURS, Type.NUMBER, Type.COUNT)
_MOMENTS = (Type.TIME, Type.END_TIME)

# What cannot come before what, within one row.
_IN_ORDER = {
    "machines": (("acquired_on", "disposed_on"),),
    "components": (("fitted_on", "removed_on"),),
    "work_orders": (("opened_at", "closed_at"),),
    "rentals": (("out_at", "in_at"),),
}


@dataclass(frozen=True)
class DecimalSign:
    """How a file writes numbers: the sign before decimals, and whether the other one groups thousands."""

    sign: str = "."
    groups: bool = False
    plain: bool = True  # no cell of the file can hold a comma


@dataclass(frozen=True)
class Counted:
    """What came out of the checks."""

    rows: int
    good: int
    rejected: int
    blank: int


def check(
    store: Store, source: Source, settings: IntakeSettings, now: datetime, into: str = "checked"
) -> tuple[Counted, list[str]]:
    """Reads a source into the temporary table `into`, every row judged; returns the counts and notes."""
    decimal = _decimal_sign(store, source)
    sql, bound = _statement(source, settings, now, decimal, into)
    store.execute(sql, bound)
    counts = store.execute(
        compose(
            "SELECT count(*), count(*) FILTER (problem IS NULL), count(*) FILTER (problem <> '') "
            "FROM «table»",
            table=quoted(into),
        )
    )[0]
    counted = Counted(counts[1] + counts[2], counts[1], counts[2], counts[0] - counts[1] - counts[2])
    notes = [] if decimal.plain or decimal.sign == "." else ["decimal comma"]
    if counted.blank:
        notes.append(f"{counted.blank:,} blank rows passed over")
    return counted, notes


def _decimal_sign(store: Store, source: Source) -> DecimalSign:
    """Counts, over the whole file, the numbers that can only be read with a comma or only with a point."""
    cells = [
        cell
        for column in source.kind.columns
        if column.type in _NUMERIC and (cell := source.cell(column.name)) is not None
    ]
    if not source.commas or not cells:
        return DecimalSign()
    bound = Bound()

    def counted(pattern: str, doubtful: str) -> str:
        return " + ".join(
            compose(
                "count(*) FILTER (regexp_full_match(trim(«cell»), «pattern») "
                "AND NOT regexp_full_match(trim(«cell»), «doubtful»))",
                cell=cell,
                pattern=bound(pattern),
                doubtful=bound(doubtful),
            )
            for cell in cells
        )

    sql = compose(
        "SELECT «comma», «point» FROM «relation»",
        comma=counted(_COMMA, _COMMA_OR_GROUP),
        point=counted(_POINT, _POINT_OR_GROUP),
        relation=source.relation,
    )
    comma, point = store.execute(sql, {**source.parameters, **bound.used_in(sql)})[0]
    if comma > point:
        return DecimalSign(",", groups=True, plain=False)
    return DecimalSign(".", groups=point > 0, plain=False)


class _Cell:
    """One column of the dictionary as this file has it: the expressions that type and judge it."""

    def __init__(self, column: Column, cell: str, bound: Bound, decimal: DecimalSign) -> None:
        self.column = column
        self.cell = cell
        self.text = f"t_{cell}"
        self.value = f"v_{cell}"
        self._bound = bound
        self._decimal = decimal

    def typed(self, settings: IntakeSettings) -> str:
        """The text as a value of its type; NULL when it is none."""
        column = self.column
        if column.words:
            return self._word(settings)
        match column.type:
            case Type.TEXT:
                return self.text
            case Type.DATE:
                return self._fill(
                    "CASE WHEN regexp_full_match(«t», «iso») AND try_cast(«t» AS TIMESTAMPTZ) IS NOT NULL "
                    "THEN try_cast(left(«t», 10) AS DATE) END"
                )
            case Type.PARTIAL_DATE:
                return self._fill(
                    "CASE WHEN regexp_full_match(«t», «partial») "
                    "AND try_cast(«t» || substring('-01-01', length(«t») - 3) AS DATE) IS NOT NULL THEN «t» "
                    "WHEN regexp_full_match(«t», «iso») AND try_cast(«t» AS TIMESTAMPTZ) IS NOT NULL "
                    "THEN left(«t», 10) END"
                )
            case Type.TIME | Type.END_TIME:
                return self._moment(settings.time_zone)
            case Type.COUNT:
                return self._fill(
                    "CASE WHEN isfinite(«n») AND «n» = floor(«n») AND abs(«n») < 9007199254740992 "
                    "THEN CAST(«n» AS BIGINT) END",
                    n=self._number(),
                )
            case Type.HOURS | Type.NUMBER:
                if column.low is not None and column.high is not None:
                    return self._number()  # what is not finite fails the limits
                return self._fill("CASE WHEN isfinite(«n») THEN «n» END", n=self._number())

    def _fill(self, template: str, **parts: str) -> str:
        return compose(template, t=self.text, iso=self._bound(_ISO), partial=self._bound(_PARTIAL), **parts)

    def _word(self, settings: IntakeSettings) -> str:
        words = _vocabulary(self.column, settings)
        return compose(
            "(«stored»)[list_position(«squeezed», "
            "replace(replace(replace(lower(«t»), ' ', ''), '-', ''), '_', ''))]",
            stored=self._bound(list(words.values())),
            squeezed=self._bound(list(words)),
            t=self.text,
        )

    def _moment(self, zone: str) -> str:
        """UTC. A time without a zone is the fleet's; a bare date is its first second, or its last."""
        last = ""
        if self.column.type is Type.END_TIME:
            last = " + CASE WHEN length(«t») = 10 THEN INTERVAL 86399 SECOND ELSE INTERVAL 0 SECOND END"
        if zone.upper() in ("UTC", "ETC/UTC"):
            value = "timezone('UTC', try_cast(«t» AS TIMESTAMPTZ))" + last
        else:
            value = (
                "CASE WHEN regexp_matches(substring(«t», 11), '[-+Zz]') "
                "THEN timezone('UTC', try_cast(«t» AS TIMESTAMPTZ)) "
                f"ELSE timezone('UTC', timezone(«zone», try_cast(«t» AS TIMESTAMP){last})) END"
            )
        return self._fill(
            "CASE WHEN regexp_full_match(«t», «iso») THEN " + value + " END", zone=self._bound(zone)
        )

    def _number(self) -> str:
        if self._decimal.plain:
            return self._fill("try_cast(«t» AS DOUBLE)")
        if self._decimal.sign == ",":
            return self._fill(
                "CASE WHEN regexp_full_match(«t», «comma») OR regexp_full_match(«t», «groups») "
                "THEN try_cast(replace(replace(«t», '.', ''), ',', '.') AS DOUBLE) "
                "WHEN NOT contains(«t», '.') THEN try_cast(«t» AS DOUBLE) END",
                comma=self._bound(_COMMA),
                groups=self._bound(_COMMA_GROUPS),
            )
        sure = "" if self._decimal.groups else " AND NOT regexp_full_match(«t», «doubtful»)"
        return self._fill(
            f"coalesce(try_cast(«t» AS DOUBLE), CASE WHEN regexp_full_match(«t», «groups»){sure} "
            "THEN try_cast(replace(«t», ',', '') AS DOUBLE) END)",
            groups=self._bound(_POINT_GROUPS),
            doubtful=self._bound(_COMMA_OR_GROUP),
        )

    def fails(self, now: datetime) -> str:
        """The condition under which the cell fails a check."""
        column = self.column
        empty = (
            f"{self.value} IS NULL"
            if column.required
            else ("" if self.value_is_text else f"({self.text} IS NOT NULL AND {self.value} IS NULL)")
        )
        return any_of(part for part in (empty, self._out_of_range(now)) if part)

    @property
    def value_is_text(self) -> bool:
        """Whether any text is a value."""
        return self.column.type is Type.TEXT and not self.column.words

    def _early(self) -> str:
        if self.column.type is Type.PARTIAL_DATE:
            return f"{self.value} < {self._bound(str(EARLIEST.year))}"
        if self.column.type in (*_MOMENTS, Type.DATE):
            return f"{self.value} < {self._bound(EARLIEST)}"
        return ""

    def _late(self, now: datetime) -> str:
        limit = now + timedelta(days=1)
        if self.column.type is Type.PARTIAL_DATE:
            return f"{self.value} > left({self._bound(limit.date().isoformat())}, length({self.value}))"
        if self.column.type in (*_MOMENTS, Type.DATE):
            return f"{self.value} > {self._bound(limit)}"
        return ""

    def _outside(self) -> str:
        column = self.column
        if column.low is None or column.high is None:
            return ""
        return f"NOT ({self.value} BETWEEN {self._bound(column.low)} AND {self._bound(column.high)})"

    def _out_of_range(self, now: datetime) -> str:
        parts = [part for part in (self._early(), self._late(now), self._outside()) if part]
        return any_of(parts) if parts else ""

    def reason(self, settings: IntakeSettings, now: datetime) -> str:
        """The sentence for a failed check; NULL when the cell passes."""
        column = self.column
        name = column.name
        shown = f"CASE WHEN length({self.text}) > 60 THEN left({self.text}, 60) || '…' ELSE {self.text} END"
        cases: list[tuple[str, str]] = []

        def case(condition: str, after: str) -> None:
            cases.append(
                (condition, f"concat({self._bound(name + ' ' + chr(39))}, {shown}, {self._bound(after)})")
            )

        or_empty = "" if column.required else " or leave the cell empty"
        if column.required:
            cases.append((f"{self.text} IS NULL", self._bound(f"{name} is empty; fill it in")))
        unread = f"{self.text} IS NOT NULL AND {self.value} IS NULL"
        if column.words:
            words = ", ".join(_vocabulary(column, settings).values())
            case(unread, f"' is not a known word; write one of {words}, or add the word to the settings")
        elif column.type in _NUMERIC:
            self._number_cases(case, unread, or_empty)
        elif column.type is Type.PARTIAL_DATE:
            case(
                f"{unread} AND NOT regexp_full_match({self.text}, {self._bound(_PARTIAL)})",
                "' is not an ISO 8601 date; write it as YYYY, YYYY-MM or YYYY-MM-DD",
            )
            case(unread, f"' is not in the calendar; correct it{or_empty}")
        elif column.type is not Type.TEXT:
            form = "YYYY-MM-DD" if column.type is Type.DATE else "YYYY-MM-DD or YYYY-MM-DDThh:mm"
            case(
                f"{unread} AND NOT regexp_full_match({self.text}, {self._bound(_ISO)})",
                f"' is not an ISO 8601 date; write it as {form}",
            )
            case(unread, f"' is not in the calendar; correct it{or_empty}")
        if early := self._early():
            case(early, f"' lies before {EARLIEST.year}; correct the date{or_empty}")
        if late := self._late(now):
            case(late, f"' lies in the future; correct the date{or_empty}")
        if outside := self._outside():
            case(
                outside, f"' lies outside {_plain(column.low)} to {_plain(column.high)}; correct it{or_empty}"
            )
        if not cases:
            return "NULL"
        return "CASE " + " ".join(f"WHEN {condition} THEN {text}" for condition, text in cases) + " END"

    def _number_cases(self, case: Callable[[str, str], None], unread: str, or_empty: str) -> None:
        def matches(pattern: str) -> str:
            return f"{unread} AND regexp_full_match({self.text}, {self._bound(pattern)})"

        if self._decimal.sign == ".":
            case(matches(_COMMA_OR_GROUP), "' may mean thousands or decimals; write it without the comma")
            case(matches(_COMMA), "' has a decimal comma where the file has decimal points; write a point")
        else:
            case(matches(_POINT), "' has a decimal point where the file has decimal commas; write a comma")
        what = (
            "a whole number; write one such as 7"
            if self.column.type is Type.COUNT
            else ("a number; write one such as 1234.5")
        )
        case(unread, f"' is not {what}{or_empty}")


def _plain(limit: float | None) -> str:
    return f"{limit:,.0f}".replace(",", " ") if limit is not None else ""


def _vocabulary(column: Column, settings: IntakeSettings) -> dict[str, str]:
    """Squeezed word -> stored word: the dictionary's, then the fleet's own."""
    words = {squeezed(word): word for word in column.words}
    for word in settings.words_for(column.name):
        words.setdefault(squeezed(word), word)
    return words


def _statement(
    source: Source, settings: IntakeSettings, now: datetime, decimal: DecimalSign, into: str
) -> tuple[str, dict[str, object]]:
    bound = Bound()
    kind = source.kind
    cells = [
        _Cell(column, cell, bound, decimal)
        for column in kind.columns
        if (cell := source.cell(column.name)) is not None
    ]
    blank = all_of(f"nullif(trim({column.cell}), '') IS NULL" for column in source.columns)
    failed = [(cell.fails(now), cell.reason(settings, now), cell.column.name, cell.text) for cell in cells]
    failed += _between_cells(source, cells, bound)
    malformed = "malformed" if source.numbered else "CAST(NULL AS VARCHAR)"
    reject_id = source.extra(REJECT_ID)
    sql = compose(
        """
        CREATE OR REPLACE TEMPORARY TABLE «into» AS
        WITH trimmed AS (SELECT *, «trimmed» FROM «relation»),
        typed AS (SELECT *, «typed» FROM trimmed),
        judged AS (SELECT *, «bad» AS bad FROM typed)
        SELECT «values»,
               «numbers»
               CASE WHEN bad THEN CASE WHEN «malformed» IS NOT NULL THEN «malformed» WHEN «blank» THEN ''
                    ELSE concat_ws('; ', «reasons») END END AS problem,
               CASE WHEN bad AND «malformed» IS NULL THEN CASE «columns» END END AS problem_column,
               CASE WHEN bad AND «malformed» IS NULL THEN left(CASE «shown» END, 200) END AS problem_value,
               CASE WHEN bad THEN CAST(json_object(«raw») AS VARCHAR) END AS raw
        FROM judged
        """,
        into=quoted(into),
        relation=source.relation,
        trimmed=commas(f"nullif(trim({c.cell}, {bound(_BLANKS)}), '') AS t_{c.cell}" for c in source.columns),
        typed=commas(f"{cell.typed(settings)} AS {cell.value}" for cell in cells),
        bad=any_of([*(condition for condition, *_ in failed), f"{malformed} IS NOT NULL"]),
        values=commas(f"{cell.value} AS {quoted(cell.column.name)}" for cell in cells),
        numbers=("CAST(row_no AS BIGINT) AS row_no, " if source.numbered else "")
        + (f"try_cast(t_{reject_id} AS BIGINT) AS reject_id, " if reject_id else ""),
        blank=blank,
        malformed=malformed,
        reasons=commas(f"CASE WHEN {condition} THEN {reason} END" for condition, reason, *_ in failed),
        columns=" ".join(f"WHEN {condition} THEN {bound(name)}" for condition, _, name, _ in failed),
        shown=" ".join(f"WHEN {condition} THEN {text}" for condition, _, _, text in failed),
        raw=commas(
            f"{bound(_raw_name(source, i))}, {c.cell}"
            for i, c in enumerate(source.columns)
            if _kept(c.header)
        ),
    )
    return sql, {**source.parameters, **bound.used_in(sql)}


_BLANKS = " \t\r\n\u00a0\u202f\ufeff"


def _kept(header: str) -> bool:
    return squeezed(header) not in (squeezed(REJECT_ID), squeezed(REJECT_REASON))


def _raw_name(source: Source, i: int) -> str:
    column = source.columns[i]
    return column.name or column.header or f"column {i + 1}"


def _between_cells(source: Source, cells: list[_Cell], bound: Bound) -> list[tuple[str, str, str, str]]:
    """Checks that look at several cells of a row: (condition, reason, column, shown text)."""
    by_name = {cell.column.name: cell for cell in cells}
    found = []
    groups = source.kind.one_of
    if groups:
        filled = [
            all_of(f"{by_name[name].text} IS NOT NULL" for name in group)
            for group in groups
            if all(name in by_name for name in group)
        ]
        names = ", nor ".join(" and ".join(group) for group in groups)
        found.append(
            (
                f"NOT ({any_of(filled)})",
                bound(f"the row gives neither {names}; fill in at least one of them"),
                groups[0][0],
                "CAST(NULL AS VARCHAR)",
            )
        )
    for first, second in _IN_ORDER.get(source.kind.name, ()):
        if first in by_name and second in by_name:
            before, after = by_name[first], by_name[second]
            found.append(
                (
                    f"{after.value} < {before.value}",
                    compose(
                        "concat(«start», «after», «between», «before», «end»)",
                        start=bound(f"{second} '"),
                        after=after.text,
                        between=bound(f"' lies before {first} '"),
                        before=before.text,
                        end=bound("'; correct one of them"),
                    ),
                    second,
                    after.text,
                )
            )
    return found
