"""From a header to a kind: names compared without case, spaces, dashes and underscores."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from fleetlog.errors import InputFileError
from fleetlog.intake.names import REJECT_ID, REJECT_REASON, UTC_HEADING, squeeze
from fleetlog.intake.profiles.profile import Profile, choose_profile
from fleetlog.intake.source import SourceColumn
from fleetlog.store.dictionary import KINDS, Kind, kind_named
from fleetlog.store.outward import made_here

HEADER_WITHIN = 30
"""Lines or rows from the top in which a header is looked for."""


class NoTableError(InputFileError):
    """The file is some other text than a table: a note that lies among the tables."""


class MadeHereError(InputFileError):
    """The file is an export of what fleetlog itself makes of the loaded tables."""


@dataclass(frozen=True)
class LoadOptions:
    """What the user says about the files of a load.

    Attributes:
        kind: read every file as this kind; None = as its columns suggest.
        profiles: mapping profiles, each used on the files that fit it.
        machine: the machine of telematics pages that name none.
        machine_from: a pattern with a group "machine" that finds it in the file's name.
        date_order: what comes first in dates such as 05/06/2024, "day" or "month"; None = find out per file.
        told_at: the moment that the files tell of, UTC; None = as each file says.
    """

    kind: str | None = None
    profiles: tuple[Profile, ...] = ()
    date_order: str | None = None
    machine: str | None = None
    machine_from: str | None = None
    told_at: datetime | None = None


@dataclass(frozen=True)
class HeaderReading:
    """A header understood.

    Attributes:
        kind: what the table holds.
        columns: its columns in order.
        notes: what was found out on the way.
        profile: the mapping profile by which it is read, None where it needs none.
    """

    kind: Kind
    columns: tuple[SourceColumn, ...]
    notes: tuple[str, ...] = ()
    profile: Profile | None = None


def read_header(headings: Sequence[str], where: str, asked: LoadOptions) -> HeaderReading:
    """What a header announces: by a mapping profile that fits it, otherwise by the dictionary's own names.

    Raises:
        InputFileError: for a header that fits no kind or several, or in which a column stands twice.
        UsageError: when the kind asked for is none.
    """
    if table := made_here(headings):
        raise MadeHereError(
            f"{where} is an export of {table}, which is made of the tables that a yard keeps; load those instead."
        )
    profiles = [profile for profile in asked.profiles if asked.kind in (None, profile.kind)]
    profile = choose_profile(profiles, headings, where)
    if profile is None:
        try:
            kind = kind_of(headings, where, asked.kind)
        except InputFileError as error:
            better = _not_by_profile(error, headings, where, profiles)
            raise better from (None if better is error else error)
        columns = columns_of(headings, kind, where)
        return HeaderReading(kind, columns, tuple(unused_columns(columns)))
    kind = KINDS[profile.kind]
    columns = columns_of(headings, kind, where, profile)
    known = {squeeze(heading) for heading in profile.ignored}
    notes = [f"mapping profile {profile.name}"]
    notes += unused_columns([column for column in columns if squeeze(column.header) not in known])
    return HeaderReading(kind, columns, tuple(notes), profile)


def _not_by_profile(
    error: InputFileError, headings: Sequence[str], where: str, profiles: Sequence[Profile]
) -> InputFileError:
    """The same error, or the better one where a single profile was given that nearly fits."""
    if len(profiles) != 1 or not profiles[0].recognises(headings):
        return error
    profile = profiles[0]
    lacking = profile.lacks(headings)
    if not lacking:
        others = [f"'{heading}'" for heading in profile.strangers(headings)]
        return InputFileError(
            f"{where} does not fit the mapping profile {profile.name}, which was made for another heading line "
            f"({', '.join(others)} stands in one of them alone); name those under columns or ignore there, or "
            "accept a mapping of its own."
        )
    heads = [f"'{heading}'" for heading, column in profile.columns.items() if column in lacking]
    return InputFileError(
        f"{where} does not fit the mapping profile {profile.name}: it lacks {_columns(lacking)}"
        + (f", there called {' or '.join(heads)}" if heads else "")
        + "; correct the headings or the profile."
    )


def fitness(headings: Sequence[str], asked: LoadOptions) -> int:
    """How well cells pass for a header: two a known column of some kind, one more if the kind is complete."""
    kinds = [KINDS[asked.kind]] if asked.kind else list(KINDS.values())
    best = 0
    for kind in kinds:
        known = len(known_columns(headings, kind))
        best = max(best, 2 * known + (known > 0 and not _missing(headings, kind)))
    for profile in asked.profiles:
        best = max(best, profile.weight(headings))
    return best


def begins_table(headings: Sequence[str], asked: LoadOptions) -> tuple[bool, int]:
    """Whether a line can be the header of a table that is read as it is, and how much it looks like one.

    Only where nothing is known of a file does a likeness count: a row of data below an unknown header may
    hold a word that is some column's name.
    """
    if made_here(headings):
        return True, 0
    kinds = [KINDS[asked.kind]] if asked.kind else list(KINDS.values())
    complete = any(not _missing(headings, kind) for kind in kinds)
    takes = any(profile.takes(headings) for profile in asked.profiles if not profile.anything)
    like = max((profile.weight(headings) for profile in asked.profiles if profile.anything), default=0)
    return complete or takes, like


def known_columns(headings: Sequence[str], kind: Kind) -> set[str]:
    """The columns of a kind that stand among the headings."""
    present = {squeeze(bare) for heading in headings for bare in (heading, UTC_HEADING.sub("", heading))}
    return {column.name for column in kind.columns if squeeze(column.name) in present}


def kind_of(headings: Sequence[str], where: str, forced: str | None = None) -> Kind:
    """The kind that a header announces.

    Args:
        headings: the headings as they stand.
        where: the file as messages show it.
        forced: a kind's name when the user says what the file is.

    Raises:
        InputFileError: for a header that fits no kind, or several equally well.
        UsageError: when `forced` is no kind.
    """
    if forced is not None:
        kind = kind_named(forced)
        missing = _missing(headings, kind)
        if missing:
            raise InputFileError(
                f"{where} was to be read as {forced} but lacks {_columns(missing)}; "
                "rename the columns that hold them, or give a mapping profile."
            )
        return kind
    found = {kind.name: known_columns(headings, kind) for kind in KINDS.values()}
    complete = [kind for kind in KINDS.values() if not _missing(headings, kind)]
    if not complete:
        is_text = not any(found.values()) and sum(bool(heading) for heading in headings) < 2
        raise (NoTableError if is_text else InputFileError)(_no_kind(headings, where, found))
    most = max(len(found[kind.name]) for kind in complete)
    best = [kind for kind in complete if len(found[kind.name]) == most]
    if len(best) > 1:
        names = " or ".join(kind.name for kind in best)
        raise InputFileError(f"{where} could hold {names}; say which with --as.")
    other = _better_but_incomplete(headings, best[0], found)
    if other is not None:
        raise InputFileError(
            f"{where} looks like {other.name} but lacks {_columns(_missing(headings, other))}; "
            f"rename the columns that hold them, or load it with --as {best[0].name}."
        )
    return best[0]


def _missing(headings: Sequence[str], kind: Kind) -> list[str]:
    present = known_columns(headings, kind)
    return [name for name in kind.required if name not in present]


def _better_but_incomplete(headings: Sequence[str], best: Kind, found: dict[str, set[str]]) -> Kind | None:
    """A kind that the header fits as well as `best`, and of which it shows a telling column.

    Nearly every file has a machine_id, so nearly every file would pass as a list of machines: a misspelt
    heading must not turn readings into machines.
    """
    own = {column.name for column in best.columns}
    for kind in KINDS.values():
        telling = (set(kind.required) & found[kind.name]) - own
        if telling and _missing(headings, kind) and len(found[kind.name]) >= len(found[best.name]):
            return kind
    return None


def _no_kind(headings: Sequence[str], where: str, found: dict[str, set[str]]) -> str:
    nearest = max(KINDS.values(), key=lambda kind: (len(found[kind.name]), -len(_missing(headings, kind))))
    if not found[nearest.name]:
        first = ", ".join(repr(heading[:40]) for heading in headings[:4])
        return (
            f"{where} has no column of any kind of table (its header begins {first}); put the column names "
            "in the first line, separated by commas, semicolons or tabs, or give a mapping profile."
        )
    return (
        f"{where} fits no kind of table: nearest is {nearest.name}, which lacks "
        f"{_columns(_missing(headings, nearest))}; rename the columns that hold them, "
        "or give a mapping profile."
    )


def _columns(names: Sequence[str]) -> str:
    return ("the column " if len(names) == 1 else "the columns ") + ", ".join(names)


def columns_of(
    headings: Sequence[str], kind: Kind, where: str, profile: Profile | None = None
) -> tuple[SourceColumn, ...]:
    """The headings as columns of a kind.

    Raises:
        InputFileError: when a heading stands twice, or two stand for one column.
    """
    counts = Counter(squeeze(heading) for heading in headings if heading.strip())
    for name, count in counts.items():
        if count > 1:
            places = [i + 1 for i, heading in enumerate(headings) if squeeze(heading) == name]
            raise InputFileError(
                f"{where} has the column '{headings[places[0] - 1].strip()}' {count} times (columns "
                f"{', '.join(map(str, places))}); rename or remove all but one."
            )
    names = (profile or Profile("", kind.name)).columns_in(headings)
    for name, count in Counter(name for name in names if name).items():
        if count > 1:
            rivals = [f"'{heading}'" for heading, own in zip(headings, names, strict=True) if own == name]
            raise InputFileError(
                f"{where} has {' and '.join(rivals)}, which both stand for {name}; "
                "let the mapping profile ignore all but one."
            )
    return tuple(
        SourceColumn(f"c{i}", heading.strip().strip("\ufeff"), name)
        for i, (heading, name) in enumerate(zip(headings, names, strict=True))
    )


def unused_columns(columns: Sequence[SourceColumn]) -> list[str]:
    """A note on columns that the kind does not have: they are read past, and said to be."""
    own = {squeeze(REJECT_ID), squeeze(REJECT_REASON)}
    unknown = [
        column.header or f"column {i + 1} (no name)"
        for i, column in enumerate(columns)
        if column.name is None and squeeze(column.header) not in own
    ]
    if not unknown:
        return []
    return [f"columns not used: {', '.join(unknown)}"]
