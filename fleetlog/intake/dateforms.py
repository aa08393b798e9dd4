"""Dates that are not written the ISO way: whether day or month comes first is found out, never guessed.

Such dates fail the first reading of a file. Only then are the failed rows looked at: whether any of them can
only have the day first (31/12/2024) or only the month (12/31/2024). Where neither shows, the user is asked.
"""

from __future__ import annotations

from dataclasses import dataclass

from fleetlog.errors import InputFileError
from fleetlog.intake.sqltext import Bound, compose
from fleetlog.store import Store

ORDERS = ("day", "month")
"""What may come first in a date such as 05/06/2024."""

TWO_WAYS = r"\d{1,2}[./-]\d{1,2}[./-](\d{4}|\d{2})([ T].*)?"
"""Day and month before the year: which is which must be known."""

SHORT_YEAR = r"\d{1,2}[./-]\d{1,2}[./-]\d{2}([ T].*)?"
"""The same with a year of two digits, which may also be year, month and day."""

MAJORITY = 0.8
"""Of the dates that can be read one way only, the share that tells the order of the file. A default from memory."""

ONE_WAY = (
    r"\d{4}[./-]\d{1,2}[./-]\d{1,2}([ T].*)?|\d{8}"
    r"|\d{1,2}[ -][A-Za-z]{3,9}[ -]\d{4}( .*)?|[A-Za-z]{3,9} \d{1,2},? \d{4}( .*)?"
)
"""Year before month before day, or the month by its name: there is only one way to read it."""

MONTH_OF_YEAR = r"(\d{1,2})[./-](\d{4})"
"""A month and its year."""

SERIAL = r"\d{5}([.]\d+)?"
"""A day's number as spreadsheets count."""

_DATE_PART = r"^(\d{1,4})[./-](\d{1,2})[./-](\d{1,4})"
_TIMES = ("", " %H:%M", " %H:%M:%S", " %H:%M:%S.%f", " %I:%M %p", " %I:%M:%S %p", "T%H:%M", "T%H:%M:%S")
_ONE_WAY_FORMATS = ("%Y-%m-%d", "%d-%b-%Y", "%d-%B-%Y", "%d %b %Y", "%d %B %Y", "%b %d, %Y", "%B %d, %Y")
_FORMATS = {"day": ("%d-%m-%Y",), "month": ("%m-%d-%Y",)}
_SHORT_FORMATS = {"day": ("%d-%m-%y",), "month": ("%m-%d-%y",)}


@dataclass(frozen=True)
class DateForms:
    """Which dates a file may hold beside those of ISO 8601.

    Attributes:
        order: what comes first where day and month stand before the year; None = unknown.
        mixed: whether many dates of the file start with the day, and many with the month.
        short_years: whether dates with a year of two digits are read too, in the same order.
        others: whether to try other forms than ISO 8601 at all.
        serial_from: the day that a spreadsheet counts from ("1899-12-30" or "1904-01-01"); None = numbers are
            no dates.
    """

    order: str | None = None
    mixed: bool = False
    short_years: bool = False
    others: bool = False
    serial_from: str | None = None

    def local(self, text: str, bound: Bound) -> str | None:
        """The expression `text` as a time without a zone, NULL where it is none; None = do not try."""
        parts = []
        if self.others:
            formats = [day + time for day in _ONE_WAY_FORMATS for time in _TIMES] + ["%Y%m%d"]
            parts.append((ONE_WAY, formats))
        if self.others and self.order and self.short_years:
            parts.append((SHORT_YEAR, [day + time for day in _SHORT_FORMATS[self.order] for time in _TIMES]))
        if self.others and self.order:
            parts.append((TWO_WAYS, [day + time for day in _FORMATS[self.order] for time in _TIMES]))
        whens = [
            compose(
                "WHEN regexp_full_match(«t», «shape») THEN "
                "try_strptime(regexp_replace(«t», «date», '\\1-\\2-\\3'), «formats»)",
                t=text,
                shape=bound(shape),
                date=bound(_DATE_PART),
                formats=bound(formats),
            )
            for shape, formats in parts
        ]
        if self.serial_from:
            whens.append(
                compose(
                    "WHEN regexp_full_match(«t», «shape») THEN CAST(«first» AS TIMESTAMP) "
                    "+ to_microseconds(CAST(round(try_cast(«t» AS DOUBLE) * 86400) AS BIGINT) * 1000000)",
                    t=text,
                    shape=bound(SERIAL),
                    first=bound(self.serial_from),
                )
            )
        return f"CASE {' '.join(whens)} END" if whens else None

    def month_of_year(self, text: str, bound: Bound) -> str | None:
        """The expression `text` as YYYY-MM where it is a month and its year; None: do not try."""
        if not self.others:
            return None
        return compose(
            "CASE WHEN regexp_full_match(«t», «shape») THEN strftime(try_strptime("
            "regexp_replace(«t», «shape», '\\1-\\2'), '%m-%Y'), '%Y-%m') END",
            t=text,
            shape=bound(MONTH_OF_YEAR),
        )

    @property
    def note(self) -> str | None:
        """What a result says about it."""
        return f"dates with the {self.order} first" if self.order else None


def date_forms(
    store: Store,
    texts: str,
    bound: Bound,
    asked: str | None,
    rows: int,
    where: str,
    serial_from: str | None,
    this_year: int,
) -> DateForms:
    """What the failed rows of a file say about its dates.

    Args:
        texts: a SELECT whose column `text` gives every cell of a date column in the failed rows.
        bound: the values that it binds.
        asked: what the user says comes first.
        rows: rows of the file, to judge whether the question is one about the file or about single rows.
        where: the file as messages show it.
        serial_from: the day that this spreadsheet counts from, None for other files.
        this_year: the latest year that a date can have.

    Raises:
        InputFileError: when most rows have dates that can be read two ways and nothing decides.
    """
    counted = compose(
        """
        WITH cells AS (SELECT trim(text) AS text FROM («texts»)),
        parts AS (
            SELECT text, regexp_full_match(text, «two») AS two_ways,
                   CAST(regexp_extract(text, '^(\\d{1,2})[./-]', 1) AS VARCHAR) AS first,
                   CAST(regexp_extract(text, '^\\d{1,2}[./-](\\d{1,2})[./-]', 1) AS VARCHAR) AS second,
                   regexp_full_match(text, «short») AS short,
                   CAST(regexp_extract(text, '^\\d{1,2}[./-]\\d{1,2}[./-](\\d{2})', 1) AS VARCHAR) AS third
            FROM cells),
        numbers AS (
            SELECT *, try_cast(first AS INTEGER) AS a, try_cast(second AS INTEGER) AS b,
                   try_cast(third AS INTEGER) AS c FROM parts)
        SELECT count(*) FILTER (two_ways AND a > 12 AND b <= 12),
               count(*) FILTER (two_ways AND b > 12 AND a <= 12),
               count(*) FILTER (two_ways AND a <= 12 AND b <= 12 AND a <> b AND NOT short),
               count(*) FILTER (two_ways),
               count(*) FILTER (regexp_full_match(text, «one») OR regexp_full_match(text, «month»)),
               min(text) FILTER (two_ways AND a <= 12 AND b <= 12 AND a <> b),
               count(*) FILTER (short AND c > «year» AND c <= 31), count(DISTINCT a) FILTER (short),
               count(DISTINCT c) FILTER (short), count(*) FILTER (two_ways AND a <= 12 AND a = b)
        FROM numbers
        """,
        texts=texts,
        two=bound(TWO_WAYS),
        one=bound(ONE_WAY),
        month=bound(MONTH_OF_YEAR),
        short=bound(SHORT_YEAR),
        year=bound(this_year % 100),
    )
    found = store.execute(counted, bound.used_in(counted))[0]
    day, month, either, two_ways, one_way, example, no_year, firsts, thirds, same = found
    # Where the first part hardly changes and the last does, or the last can be no year, the year may come first.
    short_years = not no_year and (firsts >= thirds or thirds <= 1)
    if not two_ways and not one_way:
        return DateForms(serial_from=serial_from)
    if asked or not two_ways:
        return DateForms(asked, short_years=asked is not None, others=True, serial_from=serial_from)
    if day and month and max(day, month) < MAJORITY * (day + month):
        return DateForms(mixed=True, others=True, serial_from=serial_from)
    if day or month or two_ways == same:
        order = "month" if month > day else "day"
        return DateForms(order, short_years=short_years, others=True, serial_from=serial_from)
    if 2 * either > rows:
        raise InputFileError(
            f"{where} has dates such as '{example}' whose day and month cannot be told apart; "
            "say which comes first with --date-order day or --date-order month."
        )
    return DateForms(others=True, serial_from=serial_from)
