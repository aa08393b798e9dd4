"""When which maker went over to another variant of a part: rules that a fleet states, as rows for SQL."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from typing import NamedTuple

from fleetlog.faults.model import Part
from fleetlog.faults.reading import Day, Text, refuse

_NUMBER = re.compile(r"(.*?)([0-9]+)")


@dataclass(frozen=True)
class DesignChange:
    """A maker went over to a variant of a part; what was built before has the variant before it.

    Attributes:
        component, variant: the part, and what it is from then on.
        make, model: whose machines; "" = all.
        built_from, built_to: first and last build day (both included) of the part with it, else of the part it
            came in, else of the machine; None where serial numbers decide, and without an end.
        serial_from, serial_to: first and last serial number (both included) of a machine with it; "" where a
            day decides, and without an end.
    """

    component: Text
    variant: Text
    make: str = ""
    model: str = ""
    built_from: Day | None = None
    built_to: Day | None = None
    serial_from: str = ""
    serial_to: str = ""

    @property
    def first(self) -> tuple[str, str, str, str, str]:
        """Which parts it speaks of, and from where on: two changes that agree in it contradict each other."""
        return self.component, self.make.lower(), self.model.lower(), self.serial_from, str(self.built_from)

    @property
    def serial_pattern(self) -> str:
        """LIKE pattern of the serial numbers it can be compared with: as long, and of the same letters."""
        letters, digits = serial_parts(self.serial_from)
        return letters + "_" * len(digits)

    def before(self, variant: str) -> DesignChange | None:
        """What held before it began, None where nothing can come before."""
        if self.built_from is not None:
            last_day = self.built_from - timedelta(days=1)
            return replace(self, variant=variant, built_from=None, built_to=last_day)
        letters, digits = serial_parts(self.serial_from)
        if int(digits) == 0:
            return None
        first, last = "0" * len(digits), str(int(digits) - 1).zfill(len(digits))
        return replace(self, variant=variant, serial_from=letters + first, serial_to=letters + last)


class ChangeRow(NamedTuple):
    """A rule as SQL joins it: a part that fits all of it has the variant; of several the highest precedence counts.

    Attributes:
        spare: it speaks of parts fitted later, else of those that the machine left the factory with.
        make, model: in lower case; None = all.
    """

    component: str
    variant: str
    spare: bool
    make: str | None
    model: str | None
    serial_pattern: str | None
    serial_from: str | None
    serial_to: str | None
    built_from: date | None
    built_to: date | None
    precedence: int


def serial_parts(serial: str) -> tuple[str, str]:
    """The letters that a serial number begins with, and the digits that it ends in ("" where it ends in none)."""
    found = _NUMBER.fullmatch(serial)
    return (found[1], found[2]) if found else (serial, "")


def checked_change(change: DesignChange) -> DesignChange:
    """The change itself; refuses one that does not say from where to where it holds."""
    first, last = serial_parts(change.serial_from), serial_parts(change.serial_to)
    if (change.built_from is None) == (not change.serial_from):
        raise refuse("must have exactly one of built_from, serial_from")
    if change.built_to is not None and (change.built_from is None or change.built_to < change.built_from):
        raise refuse("must be a day not before built_from", "built_to")
    if change.serial_from and not first[1]:
        raise refuse('must end in digits, such as "TV208400"', "serial_from")
    if change.serial_to and (last[0] != first[0] or len(last[1]) != len(first[1]) or last[1] < first[1]):
        raise refuse("must be of the letters and length of serial_from, and not before it", "serial_to")
    return change


def change_rows(changes: Sequence[DesignChange], parts: Iterable[Part]) -> list[ChangeRow]:
    """The changes as rows, with what they say of the time before them and of spare parts.

    The most specific counts (a range of serial numbers, then make and model, then the make), then the latest.
    Before the first change of its kind a part has the variant that stands before the new one among the known
    variants. A part fitted later is the service variant from the day on which anyone builds that in.

    Args:
        changes: as the fleet states them.
        parts: of the families in force.
    """
    known = {part.component: part for part in parts if part.known_variants}
    ordered = sorted(changes, key=lambda one: (one.built_from or date.min, one.serial_from))
    factory = sorted((*_befores(ordered, known), *ordered), key=_specific)  # stable: the latest comes last
    spares = [one for part in known.values() for one in _spares(ordered, part)]
    return [
        _row(one, spare, n)
        for spare, some in ((False, factory), (True, spares))
        for n, one in enumerate(some)
    ]


def _specific(change: DesignChange) -> tuple[bool, bool, bool]:
    return bool(change.serial_from), bool(change.model), bool(change.make)


def _befores(ordered: Iterable[DesignChange], known: dict[str, Part]) -> Iterator[DesignChange]:
    """What held before the first change of each make and model, by days and by serial numbers."""
    seen: set[tuple[str, ...]] = set()
    for change in ordered:
        kind = (*change.first[:3], change.serial_pattern)
        if kind not in seen:
            seen.add(kind)
            yield from _before(change, known.get(change.component))


def _before(change: DesignChange, part: Part | None) -> Iterator[DesignChange]:
    variants = part.known_variants if part is not None else ()
    place = variants.index(change.variant) if change.variant in variants else 0
    before = change.before(variants[place - 1]) if place > 0 else None
    if before is not None:
        yield before


def _spares(ordered: Iterable[DesignChange], part: Part) -> Iterator[DesignChange]:
    """The service variant once a maker builds it in, and what was fitted before."""
    for change in ordered:
        served = change.variant == part.service_variant and change.component == part.component
        if served and change.built_from is not None:
            first = replace(change, make="", model="", built_to=None)
            yield first
            yield from _before(first, part)
            return


def _row(change: DesignChange, spare: bool, precedence: int) -> ChangeRow:
    return ChangeRow(
        change.component,
        change.variant,
        spare,
        change.make.lower() or None,
        change.model.lower() or None,
        change.serial_pattern or None,
        change.serial_from or None,
        change.serial_to or None,
        change.built_from,
        change.built_to,
        precedence,
    )
