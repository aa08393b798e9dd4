"""Numbers, names and titles in plain words, the same in every picture and page."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from typing import Any

#: Stored value -> what a reader would say.
Words = Mapping[str, str]
NO_WORDS: Words = {}
_UNPRINTABLE = re.compile("[\x00-\x08\x0b\x0c\x0e-\x1f\ud800-\udfff\ufffe\uffff]")
_DOING = {
    "inspect": "inspecting",
    "test": "testing",
    "adjust": "adjusting",
    "calibrate": "calibrating",
    "clean": "cleaning",
    "repair": "repairing",
    "replace": "replacing",
    "overhaul": "overhauling",
}
_SPEAK_FOR_THEMSELVES = ("variant", "side", "component", "cause")
#: Nouns without a plural, as last words of a component: the one grammar that no rule of spelling can give.
_UNCOUNTED = ("wiring", "cooling", "oil", "fluid", "other")


def printable(text: str) -> str:
    """`text` with a mark in place of each control character that neither pages nor pictures may hold."""
    return _UNPRINTABLE.sub("\ufffd", text)


def said(name: str, words: Words = NO_WORDS) -> str:
    """A stored value as a reader would say it within a sentence.

    `words[name]` where given, its first letter small unless it begins like an abbreviation; else underscores
    become spaces.
    """
    spoken = words.get(name)
    if not spoken:
        return name.replace("_", " ")
    return spoken[:1].lower() + spoken[1:] if spoken[1:2].islower() else spoken


def hours(value: float | None) -> str:
    """Running hours without false precision: "5,100 h", "84 h"; "–" for none. The space does not break."""
    if value is None or not math.isfinite(value):
        return "–"
    return f"{rounded(value):,.0f}\u00a0h"


def rounded(value: float) -> float:
    """To the nearest 100 from 1,000 on, to the nearest 10 from 100 on, else to 1."""
    step = 100 if abs(value) >= 1000 else 10 if abs(value) >= 100 else 1
    return float(math.floor(value / step + 0.5) * step)


def percent(share: float | None) -> str:
    """A share as whole percent; never "0%" or "100%" for what is neither."""
    if share is None or not math.isfinite(share):
        return "–"
    if 0 < share < 0.005:
        return "<1%"
    if 0.995 < share < 1:
        return ">99%"
    return f"{math.floor(share * 100 + 0.5)}%"


def money(amount: float | None, currency: str) -> str:
    """An amount in whole units of the currency, code first: "USD 1,240"."""
    if amount is None or not math.isfinite(amount):
        return "–"
    return f"{currency}\u00a0{math.floor(amount + 0.5):,}"


def number(value: float) -> str:
    """A figure that need not be whole, to one decimal: "2.9", "3", "0"."""
    return f"{value:,.1f}".removesuffix(".0")


def plural(count: int, one: str, many: str = "") -> str:
    """ "1 failure", "3 failures", "no failures"."""
    if count == 0:
        return f"no {many or one + 's'}"
    return f"{count:,} {one if count == 1 else many or one + 's'}"


def counted(count: float) -> str:
    """How many, each by its chance: "9.31", "12", and never more digits than say something: "<0.1"."""
    return "<0.1" if 0 < count < 0.1 else f"{count:.3g}" if count < 1000 else f"{count:,.0f}"


def between(lower: float, upper: float) -> str:
    """A range of counts: "0 to 3", "0" where it has one value."""
    return number(lower) if lower == upper else f"{number(lower)} to {number(upper)}"


def listed(parts: Sequence[str], last: str = "and") -> str:
    """ "a", "a and b", "a, b and c"."""
    if len(parts) < 2:
        return "".join(parts)
    return f"{', '.join(parts[:-1])} {last} {parts[-1]}"


def capital(text: str) -> str:
    """`text` with its first letter large."""
    return text[:1].upper() + text[1:]


def plural_part(component: str) -> str:
    """A component in the plural: "batteries" of "battery"; a substance has none."""
    spoken = component.replace("_", " ")
    if spoken.rpartition(" ")[2] in _UNCOUNTED:
        return spoken
    return spoken[:-1] + "ies" if spoken.endswith("y") else spoken + "s"


def repair_name(action: str, component: str, words: Words = NO_WORDS) -> str:
    """A repair in words: "replacing the hose"; `words["replace hose"]` where given."""
    given = words.get(f"{action} {component}")
    if given:
        return given
    doing = _DOING.get(action, said(action, words))
    # The words of a family name causes, and a cause may be called like the part: here the part is meant.
    return f"{doing} the {said(component)}" if component else doing


def surprise_of(row: Mapping[str, Any], words: Words) -> str:
    """What a row of a month's forecast is about, as the beginning of a sentence."""
    if row["component"] == "all":
        return "All together"
    named = row["cause"] if row["cause"] in words else row["component"]
    return capital(said(named, words))


def group_name(group: Mapping[str, str], words: Words = NO_WORDS) -> str:
    """The group as a reader would say it: "original", "build year 2016, left"; "all" when not split."""
    parts = [
        said(value, words)
        if column in _SPEAK_FOR_THEMSELVES or column.endswith("_kind") or value in words
        else f"{said(column, words)} {value}"
        for column, value in ((column, str(value)) for column, value in group.items())
    ]
    return ", ".join(parts) or "all"


def group_names(groups: Sequence[Mapping[str, str]], words: Words = NO_WORDS) -> str:
    """Several groups of one split in a sentence: "build years 2019 and 2021", "original, left and improved, left"."""
    names = [group_name(group, words) for group in groups]
    columns = {column for group in groups for column in group}
    if len(names) > 1 and len(columns) == 1:
        shared = f"{said(columns.pop(), words)} "
        if all(name.startswith(shared) for name in names):
            return f"{shared.strip()}s {listed([name.removeprefix(shared) for name in names])}"
    return listed(names)
