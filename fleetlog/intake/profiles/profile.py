"""A mapping profile: how the files of one source name their columns and write their words."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from fleetlog.errors import InputFileError
from fleetlog.intake.names import REJECT_ID, UTC_HEADING, squeeze
from fleetlog.store.dictionary import KINDS


@dataclass(frozen=True)
class Profile:
    """How the headings and words of one source become those of the dictionary.

    Attributes:
        name: how messages call it: the file it was read from.
        kind: the kind of table its files hold.
        columns: heading as the source writes it -> the dictionary's column.
        ignored: headings known to be of no use; they are read past without a note.
        words: the dictionary's column -> word as the source writes it -> stored word ("" = leave empty).
        date_order: what comes first in its dates such as 05/06/2024, "day" or "month"; None = find out.
        headings: the whole heading line that it is for, in any order; empty = any whose headings it knows.
    """

    name: str
    kind: str
    columns: Mapping[str, str] = field(default_factory=dict)
    ignored: tuple[str, ...] = ()
    words: Mapping[str, Mapping[str, str]] = field(default_factory=dict)
    date_order: str | None = None
    headings: tuple[str, ...] = ()

    def columns_in(self, header: Sequence[str]) -> tuple[str | None, ...]:
        """The dictionary's column for each heading: by this profile, else by its own name, else None.

        A heading of the profile goes before one that merely bears the column's name.
        """
        mapped = {squeeze(heading): column for heading, column in self.columns.items()}
        taken = {mapped[squeeze(heading)] for heading in header if squeeze(heading) in mapped}
        passed = {squeeze(heading) for heading in self.ignored}
        own = {
            squeeze(column.name): column.name
            for column in KINDS[self.kind].columns
            if column.name not in taken and squeeze(column.name) not in passed
        }
        known = own | mapped
        there = {squeeze(heading) for heading in header}

        def named(heading: str) -> str | None:
            bare = squeeze(UTC_HEADING.sub("", heading))
            return known.get(squeeze(heading)) or (None if bare in there else known.get(bare))

        return tuple(named(heading) for heading in header)

    def lacks(self, header: Sequence[str]) -> tuple[str, ...]:
        """The required columns that the header does not bring, by this profile or by their own name."""
        found = self.columns_in(header)
        return tuple(name for name in KINDS[self.kind].required if name not in found)

    def fits(self, header: Sequence[str]) -> bool:
        """Whether a file with this header can be read by this profile: no required column is missing."""
        return not self.lacks(header)

    def strangers(self, header: Sequence[str]) -> tuple[str, ...]:
        """Headings of a file that it says nothing of, or that it expects and the file lacks.

        A file whose headings merely include those of a profile is another one.
        """
        there = {squeeze(UTC_HEADING.sub("", heading)): heading for heading in header if squeeze(heading)}
        if self.headings:
            meant = {squeeze(UTC_HEADING.sub("", heading)): heading for heading in self.headings}
            return tuple(
                (there | meant)[name]
                for name in dict.fromkeys([*there, *meant])
                if (name in there) != (name in meant)
            )
        known = {squeeze(name) for name in (*self.columns, *self.ignored)}
        known |= {squeeze(column.name) for column in KINDS[self.kind].columns}
        return tuple(
            heading for name, heading in there.items() if name not in known and squeeze(heading) not in known
        )

    def takes(self, header: Sequence[str]) -> bool:
        """Whether a file with this header is one that it was made for: the whole line, not a part of it."""
        return self.fits(header) and not self.strangers(header)

    @property
    def anything(self) -> bool:
        """Whether it stands for a file of which nothing is known."""
        return False

    def weight(self, header: Sequence[str]) -> int:
        """How well cells pass for its header: two a known column, one more if no required one is missing."""
        columns = {column for column in self.columns_in(header) if column}
        return 2 * len(columns) + (bool(columns) and self.fits(header))

    def foreign(self) -> set[str]:
        """Its headings (squeezed) that are not the dictionary's own names."""
        own = {squeeze(column.name) for column in KINDS[self.kind].columns}
        return {squeeze(heading) for heading in self.columns} - own

    def recognises(self, header: Sequence[str]) -> int:
        """How many headings are its own; those that are merely the dictionary's names do not count."""
        return len(self.foreign() & {squeeze(heading) for heading in header})

    def fingerprint(self) -> str:
        """Stable hash of what it does, whatever it is called."""
        content = [
            self.kind,
            sorted((squeeze(heading), column) for heading, column in self.columns.items()),
            sorted(squeeze(heading) for heading in self.ignored),
            sorted(
                (column, squeeze(word), stored)
                for column, words in self.words.items()
                for word, stored in words.items()
            ),
            self.date_order,
            *([sorted(squeeze(heading) for heading in self.headings)] if self.headings else []),
        ]
        return hashlib.sha256(json.dumps(content, ensure_ascii=True).encode()).hexdigest()[:16]


def choose_profile(profiles: Sequence[Profile], header: Sequence[str], where: str) -> Profile | None:
    """The profile by which a file is to be read, None where it speaks the dictionary's own names.

    A profile is taken when the whole header is one that it knows and shows one of its own headings, or when it
    translates words alone. A file of corrected rows bears the dictionary's headings but its source's words: those of
    all profiles of its kind are tried on it, as far as they do not contradict each other.

    Raises:
        InputFileError: when several profiles fit equally well and do different things.
    """
    if any(squeeze(heading) == squeeze(REJECT_ID) for heading in header):
        return _for_corrections(profiles, header)
    fitting = [
        (profile.recognises(header), profile)
        for profile in profiles
        if profile.takes(header) and (profile.recognises(header) or not profile.foreign())
    ]
    if not fitting:
        return None
    most = max(count for count, _ in fitting)
    best = {profile.fingerprint(): profile for count, profile in fitting if count == most}
    if len(best) > 1:
        names = " and ".join(sorted(profile.name for profile in best.values()))
        raise InputFileError(f"{where} fits the mapping profiles {names}; name one with --profile.")
    return next(iter(best.values()))


def _for_corrections(profiles: Sequence[Profile], header: Sequence[str]) -> Profile | None:
    """The words of all profiles of the kind whose own names the header bears."""
    bearing = {kind.name for kind in KINDS.values() if Profile("", kind.name).fits(header)}
    kinds = {profile.kind for profile in profiles if profile.words} & bearing
    if len(kinds) != 1:
        return None
    kind = kinds.pop()
    stored: dict[tuple[str, str], set[str]] = {}
    for profile in profiles:
        if profile.kind == kind:
            for column, words in profile.words.items():
                for word, meaning in words.items():
                    stored.setdefault((column, squeeze(word)), set()).add(meaning)
    words_of: dict[str, dict[str, str]] = {}
    for (column, word), meanings in stored.items():
        if len(meanings) == 1:
            words_of.setdefault(column, {})[word] = next(iter(meanings))
    return Profile("the words of the mapping profiles", kind, words=words_of)
