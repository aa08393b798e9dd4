"""One column of the dictionary in one file: expressions that type its cells, judge them and say why not.

They are made from the dictionary; the column names in them are made here and the values in them are bound.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

from fleetlog.intake.contract import IntakeSettings
from fleetlog.intake.dateforms import SHORT_YEAR, TWO_WAYS, DateForms
from fleetlog.intake.names import squeeze
from fleetlog.intake.source import Blanks
from fleetlog.intake.sqltext import Bound, any_of, compose
from fleetlog.store.dictionary import Column, Type

EARLIEST = datetime(1950, 1, 1)
"""Before it no machine of this kind was built; spreadsheets write 1899 or 1900 for an empty date."""

BLANKS = " \t\r\n\u00a0\u202f\ufeff"
"""What is trimmed from a cell: spaces, line ends, spaces that do not break, byte order marks."""

_EDGE = "^[ \t\r\n\u00a0\u202f\ufeff]|[ \t\r\n\u00a0\u202f\ufeff]$"

# ISO 8601 date, or date and time, with or without zone. Decides the wording of a reason, not the value.
ISO = r"\d{4}-\d\d-\d\d([T ]\d?\d:\d\d(:\d\d([.]\d{1,9})?)?(Z|[+-]\d\d(:?\d\d)?)?)?"
PARTIAL = r"\d{4}(-\d\d(-\d\d)?)?"

POINT_GROUPS = r"[+-]?\d{1,3}(,\d{3})+([.]\d+)?"
COMMA = r"[+-]?(\d+|\d{1,3}([.]\d{3})+)?,\d+"
COMMA_GROUPS = r"[+-]?\d{1,3}([.]\d{3})+"
COMMA_OR_GROUP = r"[+-]?[1-9]\d{0,2},\d{3}"
POINT = r"[+-]?(\d+|\d{1,3}(,\d{3})+)?[.]\d+"
POINT_OR_GROUP = r"[+-]?[1-9]\d{0,2}[.]\d{3}"

UNIT = r"(?i)\s*\b?(h|hrs?|hours?|std|bstd|bh|heures?|horas?)\.?$"
"""Hours with their unit beside them."""

SPACED = "[+-]?\\d{1,3}([ \u00a0\u202f']\\d{3})+([.,]\\d+)?"
"""Thousands set apart by a space."""

CLOCK = r"(\d{1,6}):([0-5]\d)(:[0-5]\d)?"
"""Hours and minutes."""

AS_DATE = r"19\d\d-\d\d-\d\d( \d\d:\d\d:\d\d([.]\d+)?)?"
"""Hours and minutes in a spreadsheet, which counts them in days from its first one."""

SPELLED = rf"(?i)[+-]?[0-9., ]+{UNIT[4:]}|{SPACED}|{CLOCK}|{AS_DATE}"
"""Hours that are not written as a number alone."""

ERROR = r"#(REF|N/A|NV|VALUE|WERT|NAME|DIV/0|NUM|ZAHL|NULL|BEZUG|VALEUR|NOMBRE|VALOR|REF)[!?]?"
"""What a spreadsheet shows where a formula has failed."""

UNCOMPUTED = "#formula"
"""Stands for a formula whose value was not saved with the file."""

NUMERIC = (Type.HOURS, Type.NUMBER, Type.COUNT)
_DAYS = (Type.TIME, Type.END_TIME, Type.DATE)
DATES = (*_DAYS, Type.PARTIAL_DATE)


@dataclass(frozen=True)
class DecimalSign:
    """How a file writes numbers.

    Attributes:
        sign: what stands before decimals, "." or ",".
        groups: whether the other sign is known to group thousands.
        commas: whether some cell of the file holds a comma.
        doubtful_points: whether "1.234" may be a thousand and more.
        spelled: whether hours may have their unit beside them, or be hours and minutes.
    """

    sign: str = "."
    groups: bool = False
    commas: bool = False
    doubtful_points: bool = False
    spelled: bool = False


@dataclass(frozen=True)
class Judging:
    """What the checks of one file go by, and where the table of its rows lies (empty: a temporary one)."""

    settings: IntakeSettings
    now: datetime
    decimal: DecimalSign
    bound: Bound
    dates: DateForms
    place: str = ""


_NOT_COMPUTED = (
    " is a formula whose value was not saved; open the file in a spreadsheet program, save and load it"
)


class Cell:
    """One column of a file that the dictionary knows.

    Attributes:
        column: the dictionary's column.
        cell: the name of the cell as it stands in the relation.
        text: the name of the trimmed cell (NULL when empty).
        value: the name of the typed cell (NULL when empty or not of the type).
    """

    def __init__(self, column: Column, cell: str, judging: Judging, *, is_utc: bool = False) -> None:
        self.column = column
        self.cell = cell
        self._is_utc = is_utc
        self.text = f"t_{cell}"
        self.value = f"v_{cell}"
        self._go_by = judging
        self._bound = judging.bound

    @property
    def is_free_text(self) -> bool:
        """Whether any text is a value."""
        return self.column.type is Type.TEXT and not self.column.words

    # The value.

    def cast(self, text: str) -> str:
        """The expression `text` as a value of the column's type; NULL when it is none."""
        column = self.column
        if column.words:
            return self._word(text)
        match column.type:
            case Type.TEXT:
                return text
            case Type.DATE:
                iso = compose(
                    "CASE WHEN «t» LIKE '____-__-__%' AND try_cast(«t» AS TIMESTAMPTZ) IS NOT NULL "
                    "THEN try_cast(left(«t», 10) AS DATE) END",
                    t=text,
                )
                other = self._go_by.dates.local(text, self._bound)
                return f"coalesce({iso}, CAST({other} AS DATE))" if other else iso
            case Type.PARTIAL_DATE:
                iso = compose(
                    "CASE WHEN regexp_full_match(«t», «partial») "
                    "AND try_cast(«t» || substring('-01-01', length(«t») - 3) AS DATE) IS NOT NULL THEN «t» "
                    "WHEN «t» LIKE '____-__-__%' AND try_cast(«t» AS TIMESTAMPTZ) IS NOT NULL "
                    "THEN left(«t», 10) END",
                    t=text,
                    partial=self._bound(PARTIAL),
                )
                month = self._go_by.dates.month_of_year(text, self._bound)
                other = self._go_by.dates.local(text, self._bound)
                more = [part for part in (month, f"strftime({other}, '%Y-%m-%d')" if other else None) if part]
                return f"coalesce({', '.join([iso, *more])})" if more else iso
            case Type.TIME | Type.END_TIME:
                return self._moment(text)
            case Type.COUNT:
                return compose(
                    "CASE WHEN isfinite(«n») AND «n» = floor(«n») AND abs(«n») < 9007199254740992 "
                    "THEN CAST(«n» AS BIGINT) END",
                    n=self._number(text),
                )
            case Type.HOURS | Type.NUMBER:
                number = self._number(text)
                if column.low is not None and column.high is not None:
                    return number  # what is not finite fails the limits
                return compose("CASE WHEN isfinite(«n») THEN «n» END", n=number)

    def _word(self, text: str) -> str:
        words = self._vocabulary()
        return compose(
            "(«stored»)[list_position(«squeezed», "
            "replace(replace(replace(lower(«t»), ' ', ''), '-', ''), '_', ''))]",
            stored=self._bound(list(words.values())),
            squeezed=self._bound(list(words)),
            t=text,
        )

    def _vocabulary(self) -> dict[str, str]:
        """Squeezed word -> stored word: the dictionary's, then the fleet's own."""
        words = {squeeze(word): word for word in self.column.words}
        for word in self._go_by.settings.words_for(self.column.name):
            words.setdefault(squeeze(word), word)
        return words

    def _moment(self, text: str) -> str:
        """UTC. A time without a zone is the fleet's, or UTC by its heading; a bare date is its first or last second."""
        zone = "UTC" if self._is_utc else self._go_by.settings.time_zone
        last = ""
        if self.column.type is Type.END_TIME:
            last = " + CASE WHEN contains(«t», ':') THEN INTERVAL 0 SECOND ELSE INTERVAL 86399 SECOND END"
        # The session's zone is UTC, so a time without a zone is read as UTC, and the rest is arithmetic.
        utc = "make_timestamp(epoch_us(try_cast(«t» AS TIMESTAMPTZ)))"
        is_utc = zone.upper() in ("UTC", "ETC/UTC")
        if is_utc:
            value = utc + last
        else:
            value = (
                f"CASE WHEN suffix(«t», 'Z') OR regexp_matches(substring(«t», 11), '[-+Z]') THEN {utc} "
                "ELSE make_timestamp("
                f"epoch_us(timezone(«zone», try_cast(«t» AS TIMESTAMP){last}))) END"
            )
        # What is no moment is NULL in either branch: every cell is cast once.
        iso = f"CASE WHEN «t» LIKE '____-__-__%' THEN {value} END"
        other = self._go_by.dates.local(text, self._bound)
        if other is None:
            return compose(iso, t=text, zone=self._bound(zone))
        local = f"({other}){self._last_of_other()}"
        if not is_utc:
            local = f"make_timestamp(epoch_us(timezone(«zone», {local})))"
        return compose(f"coalesce({iso}, {local})", t=text, zone=self._bound(zone))

    def _last_of_other(self) -> str:
        """The end of the day for a bare date in another form, a spreadsheet's whole number among them."""
        if self.column.type is not Type.END_TIME:
            return ""
        return (
            " + CASE WHEN contains(«t», ':') OR (regexp_full_match(«t», '[0-9.]+') AND contains(«t», '.')) "
            "THEN INTERVAL 0 SECOND ELSE INTERVAL 86399 SECOND END"
        )

    def _number(self, text: str) -> str:
        if not (self._go_by.decimal.spelled and self.column.name.endswith("hours")):
            return self._plain_number(text)
        bare = compose(
            "CASE WHEN regexp_full_match(«t», «spaced») THEN regexp_replace(«t», «blank», '', 'g') ELSE «t» END",
            t=compose("trim(regexp_replace(«t», «unit», ''))", t=text, unit=self._bound(UNIT)),
            spaced=self._bound(SPACED),
            blank=self._bound("[ \u00a0\u202f']"),
        )
        clock = compose(
            "WHEN regexp_full_match(«t», «clock») THEN CAST(split_part(«t», ':', 1) AS DOUBLE) "
            "+ CAST(split_part(«t», ':', 2) AS DOUBLE) / 60 "
            "+ coalesce(try_cast(split_part(«t», ':', 3) AS DOUBLE), 0) / 3600 ",
            t=text,
            clock=self._bound(CLOCK),
        )
        first = self._go_by.dates.serial_from
        days = ""
        if first:
            # Spreadsheets take 1900 for a leap year: before its March they are a day ahead.
            days = compose(
                "WHEN regexp_full_match(«t», «date») THEN round(epoch(CAST(«t» AS TIMESTAMP) "
                "- CAST(«first» AS TIMESTAMP) - CASE WHEN «t» < '1900-03-01' THEN INTERVAL 1 DAY "
                "ELSE INTERVAL 0 DAY END) / 3600, 6) ",
                t=text,
                date=self._bound(AS_DATE),
                first=self._bound(first),
            )
        return f"CASE {clock}{days}ELSE {self._plain_number(bare)} END"

    def _plain_number(self, text: str) -> str:
        decimal = self._go_by.decimal
        point = "try_cast(«t» AS DOUBLE)"
        if decimal.doubtful_points:
            point = "CASE WHEN NOT regexp_full_match(«t», «point») THEN try_cast(«t» AS DOUBLE) END"
        point = compose(point, t=text, point=self._bound(POINT_OR_GROUP))
        if not decimal.commas:
            return point
        if decimal.sign == ",":
            return compose(
                "CASE WHEN regexp_full_match(«t», «comma») OR regexp_full_match(«t», «groups») "
                "THEN try_cast(replace(replace(«t», '.', ''), ',', '.') AS DOUBLE) "
                "WHEN NOT contains(«t», '.') THEN try_cast(«t» AS DOUBLE) END",
                t=text,
                comma=self._bound(COMMA),
                groups=self._bound(COMMA_GROUPS),
            )
        sure = "" if decimal.groups else " AND NOT regexp_full_match(«t», «doubtful»)"
        return compose(
            f"coalesce(«point», CASE WHEN regexp_full_match(«t», «groups»){sure} "
            "THEN try_cast(replace(«t», ',', '') AS DOUBLE) END)",
            t=text,
            point=point,
            groups=self._bound(POINT_GROUPS),
            doubtful=self._bound(COMMA_OR_GROUP),
        )

    # The verdict.

    def fails(self) -> str:
        """The condition under which the cell fails a check."""
        conditions = [self._early(), self._late(), self._outside()]
        if self.is_free_text:
            conditions.append(self._failed_formula())
        if self.column.required:
            conditions.append(f"{self.value} IS NULL")
        elif not self.is_free_text:
            conditions.append(f"{self.value} IS NULL AND {self.text} IS NOT NULL")
        return any_of(condition for condition in conditions if condition)

    def _failed_formula(self) -> str:
        unsaved = f"{self.text} = {self._bound(UNCOMPUTED)}"
        failed = f"regexp_full_match({self.text}, {self._bound(ERROR)})"
        return f"prefix({self.text}, '#') AND ({unsaved} OR {failed})"

    def _early(self) -> str:
        if self.column.type is Type.PARTIAL_DATE:
            return f"{self.value} < {self._bound(str(EARLIEST.year))}"
        return f"{self.value} < {self._bound(EARLIEST)}" if self.column.type in _DAYS else ""

    def _late(self) -> str:
        limit = self._go_by.now + timedelta(days=1)
        if self.column.type is Type.PARTIAL_DATE:
            return f"{self.value} > left({self._bound(limit.date().isoformat())}, length({self.value}))"
        return f"{self.value} > {self._bound(limit)}" if self.column.type in _DAYS else ""

    def _outside(self) -> str:
        low, high = self.column.low, self.column.high
        if low is None or high is None:
            return ""
        return f"NOT ({self.value} BETWEEN {self._bound(float(low))} AND {self._bound(float(high))})"

    # The sentence.

    def reason(self) -> str:
        """What is wrong with the cell and what to do about it; NULL when it passes."""
        column = self.column
        name = column.name
        shown = f"CASE WHEN length({self.text}) > 60 THEN left({self.text}, 60) || '…' ELSE {self.text} END"
        cases: list[str] = []

        def case(condition: str, after: str) -> None:
            text = f"concat({self._bound(f'{name} {chr(39)}')}, {shown}, {self._bound(after)})"
            cases.append(f"WHEN {condition} THEN {text}")

        or_empty = "" if column.required else " or leave the cell empty"
        if column.required:
            cases.append(f"WHEN {self.text} IS NULL THEN {self._bound(f'{name} is empty; fill it in')}")
        unsaved = f"{self.text} = {self._bound(UNCOMPUTED)}"
        cases.append(f"WHEN {unsaved} THEN {self._bound(f'{name}{_NOT_COMPUTED}')}")
        case(self._failed_formula(), "' is the error of a formula in the spreadsheet; mend the formula there")
        unread = f"{self.text} IS NOT NULL AND {self.value} IS NULL"
        if column.words:
            words = ", ".join(self._vocabulary().values())
            case(unread, f"' is not a known word; write one of {words}, or add the word to the settings")
        elif column.type in NUMERIC:
            self._number_cases(case, unread, or_empty)
        elif column.type is not Type.TEXT:
            self._date_cases(case, unread, or_empty)
        if early := self._early():
            case(early, f"' lies before {EARLIEST.year}; correct the date{or_empty}")
        if late := self._late():
            case(late, f"' lies in the future; correct the date{or_empty}")
        if outside := self._outside():
            case(
                outside, f"' lies outside {_plain(column.low)} to {_plain(column.high)}; correct it{or_empty}"
            )
        return f"CASE {' '.join(cases)} END" if cases else "NULL"

    def _number_cases(self, case: Callable[[str, str], None], unread: str, or_empty: str) -> None:
        def matches(pattern: str) -> str:
            return f"{unread} AND regexp_full_match({self.text}, {self._bound(pattern)})"

        if self._go_by.decimal.doubtful_points:
            text = "' may mean thousands or decimals; write it without the point"
            case(matches(POINT_OR_GROUP), text)
        if self._go_by.decimal.sign == ".":
            case(matches(COMMA_OR_GROUP), "' may mean thousands or decimals; write it without the comma")
            case(matches(COMMA), "' has a decimal comma where the file has decimal points; write a point")
        else:
            case(matches(POINT), "' has a decimal point where the file has decimal commas; write a comma")
        whole = self.column.type is Type.COUNT
        form = "a whole number; write one such as 7" if whole else "a number; write one such as 1234.5"
        case(unread, f"' is not {form}{or_empty}")

    def _date_cases(self, case: Callable[[str, str], None], unread: str, or_empty: str) -> None:
        match self.column.type:
            case Type.PARTIAL_DATE:
                pattern, form = PARTIAL, "YYYY, YYYY-MM or YYYY-MM-DD"
            case Type.DATE:
                pattern, form = ISO, "YYYY-MM-DD"
            case _:
                pattern, form = ISO, "YYYY-MM-DD or YYYY-MM-DDThh:mm"
        two_ways = f"{unread} AND regexp_full_match({self.text}, {self._bound(TWO_WAYS)})"
        dates = self._go_by.dates
        if dates.order and not dates.short_years:
            case(
                f"{unread} AND regexp_full_match({self.text}, {self._bound(SHORT_YEAR)})",
                f"' has a year of two digits, and the file does not show which part it is; write it as {form}",
            )
        if dates.mixed:
            case(two_ways, f"' may have the day or the month first, the file has both; write it as {form}")
        elif dates.order is None:
            case(
                two_ways,
                f"' may have the day or the month first; write it as {form}, or say which with --date-order",
            )
        else:
            case(two_ways, f"' is not in the calendar with the {dates.order} first; correct it{or_empty}")
        case(
            f"{unread} AND NOT regexp_full_match({self.text}, {self._bound(pattern)})",
            f"' is not an ISO 8601 date; write it as {form}",
        )
        case(unread, f"' is not in the calendar; correct it{or_empty}")


def trim(cell: str, bound: Bound, blanks: Blanks = Blanks.ANY) -> str:
    """A cell without blanks around it, NULL when nothing is left; the fewer kinds of blanks, the cheaper."""
    match blanks:
        case Blanks.NONE:
            return cell
        case Blanks.SPACES:
            edge = f"prefix({cell}, ' ') OR suffix({cell}, ' ')"
            return f"CASE WHEN {edge} THEN nullif(trim({cell}), '') ELSE {cell} END"
        case Blanks.ANY:
            edge = f"regexp_matches({cell}, {bound(_EDGE)})"
            return f"nullif(CASE WHEN {edge} THEN trim({cell}, {bound(BLANKS)}) ELSE {cell} END, '')"


def _plain(limit: float | None) -> str:
    return "" if limit is None else f"{limit:.0f}"
