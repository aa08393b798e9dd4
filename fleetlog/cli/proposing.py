"""Mappings that a load proposes: shown, with what they would change, and taken once a person accepts them."""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fleetlog.cli.options import Format
from fleetlog.cli.output import render, say

if TYPE_CHECKING:
    from fleetlog.intake import FileResult, LoadResult
    from fleetlog.intake.profiles.profile import Profile
    from fleetlog.intake.profiles.proposal import Proposal
    from fleetlog.session.fleet import Fleet

PROFILES = "profiles"
"""Folder beside the store whose mapping profiles are in force."""

PROPOSED = "proposed"
"""Folder within it for mappings that nobody has accepted yet; a mended one is proposed in place of our own."""


A_HANDFUL = 5
"""Rows that a load may overwrite without being asked. A default from memory."""


def asks() -> bool:
    """Whether there is a person at a terminal to ask."""
    return sys.stdin.isatty() and sys.stderr.isatty()


def agreed(question: str, accept: bool) -> bool:
    """Whether a person agrees: beforehand by --accept, or asked at a terminal; nobody there is no."""
    if accept or not asks():
        return accept
    import typer

    return typer.confirm(question, default=False, err=True)


def agreed_changes(result: LoadResult, accept: bool) -> bool:
    """Whether what a load overwrites may stand: a handful of rows may, more are told and asked about."""
    overwriting = [one for one in result.files if one.overwritten]
    if sum(one.overwritten for one in overwriting) <= A_HANDFUL:
        return True
    for one in overwriting:
        say(f"{Path(one.path).name} overwrites {one.overwritten:,} known rows: {one.changes_in_words()}.")
    return agreed("Store it so?", accept)


def settle_proposals(
    fleet: Fleet,
    result: LoadResult,
    folder: Path,
    profiles: Sequence[Profile],
    asked: dict[str, Any],
    accept: bool,
) -> LoadResult:
    """Proposes mappings for the refused files, and loads those whose mapping is accepted.

    Args:
        fleet: open for writing.
        result: of the load that refused files.
        folder: of the profiles in force.
        profiles: in force.
        asked: what else the load was asked, as `Fleet.load` takes it.
        accept: whether every proposal is accepted beforehand.

    Returns:
        The result, with what became of the files whose mapping was accepted.
    """
    at_first = len(profiles)
    for path in dict.fromkeys(_file(one) for one in result.files if one.refused):
        if path.is_file():
            if len(profiles) > at_first:  # what was accepted for another file may do for this one
                result = _with(result, path, fleet.load([path], profiles=profiles, settle=False, **asked))
            found = _proposals(fleet, path, folder, profiles, asked)
            answers = [
                _accepted(fleet, path, folder, proposal, profile, asked, accept)
                for proposal, profile in found
            ]
            taken = [profile for profile in answers if profile is not None]
            if taken:
                profiles = [*profiles, *taken]
                again = fleet.load([path], profiles=profiles, settle=False, **asked)
                result = _with(result, path, again)
    return result


def _file(result: FileResult) -> Path:
    """The file itself, of a sheet or a member of an archive as well."""
    return Path(result.path.split(" › ")[0])


def _with(result: LoadResult, path: Path, again: LoadResult) -> LoadResult:
    """What the second reading of a file says, except of parts that the first had loaded."""
    first = {one.path: one for one in result.files if _file(one) == path and one.kind and not one.refused}
    read = tuple(first.get(one.path, one) for one in again.files)
    place = next(i for i, one in enumerate(result.files) if _file(one) == path)
    others = [one for one in result.files if _file(one) != path]
    before = sum(_file(one) != path for one in result.files[:place])
    return replace(result, files=(*others[:before], *read, *others[before:]))


def _proposals(
    fleet: Fleet, path: Path, folder: Path, profiles: Sequence[Profile], asked: dict[str, Any]
) -> list[tuple[Proposal, Profile]]:
    """A proposal for every table of a file that is not understood; one for tables with the same headings."""
    from fleetlog.intake.profiles.files import read_profiles
    from fleetlog.intake.profiles.look import propose_for
    from fleetlog.session.fleet import intake_settings

    mended = [profile for profile in read_profiles(folder / PROPOSED) if profile.headings]
    found: dict[str, tuple[Proposal, Profile]] = {}
    for where, proposal in propose_for(
        fleet.store, path, profiles=profiles, settings=intake_settings(fleet.settings), kind=asked["kind"]
    ):
        profile = next((one for one in mended if not one.strangers(proposal.header)), None)
        if profile is not None and profile.fingerprint() != proposal.profile().fingerprint():
            proposal = proposal.mended(profile)
        profile = replace(profile or proposal.profile(), name=f"{path.stem}.toml")
        found.setdefault(profile.fingerprint(), (replace(proposal, where=where), profile))
    return list(found.values())


def _accepted(
    fleet: Fleet,
    path: Path,
    folder: Path,
    proposal: Proposal,
    profile: Profile,
    asked: dict[str, Any],
    accept: bool,
) -> Profile | None:
    """Shows a proposal and what it would change, asks, and puts an accepted one among those in force."""
    from fleetlog.intake.profiles.files import write_profile

    say(f"\n{proposal.where} looks like {proposal.kind}:\n{render(proposal.columns_frame(), Format.TABLE)}")
    if proposal.words:
        say(f"Its words:\n{render(proposal.words_frame(), Format.TABLE)}")
    if proposal.missing:
        say(f"No column was found for {', '.join(proposal.missing)}; name it in the mapping.")
    else:
        would = fleet.load([path], profiles=[profile], **{**asked, "check_only": True})
        say(
            "\n".join(
                f"{Path(one.path).name}: it would {one.in_words()}"
                for one in would.files
                if one.kind == profile.kind and not one.refused
            )
        )
    place = folder / PROPOSED / f"{path.stem}.toml"
    if not proposal.missing and not asked["check_only"] and agreed("Read it so, now and in future?", accept):
        folder.mkdir(exist_ok=True)
        target = _free(folder / place.name)
        write_profile(profile, target)
        _forget(folder, profile)
        say(f"The mapping is in force for files with just these headings: {target}")
        return replace(profile, name=target.name)
    if not asked["check_only"]:
        if not any(not one.strangers(proposal.header) for one in _kept(folder)):
            place.parent.mkdir(parents=True, exist_ok=True)
            place = _free(place)
            write_profile(proposal, place)
        say(f"Nothing was read by it. Accept it with --accept, or mend it first in {place.parent}.")
    return None


def _kept(folder: Path) -> list[Profile]:
    from fleetlog.intake.profiles.files import read_profiles

    return [one for one in read_profiles(folder / PROPOSED) if one.headings]


def _forget(folder: Path, profile: Profile) -> None:
    """Takes an accepted mapping away from the proposed ones."""
    for one in _kept(folder):
        if not one.strangers(profile.headings):
            (folder / PROPOSED / one.name).unlink(missing_ok=True)


def _free(path: Path) -> Path:
    number = 1
    free = path
    while free.exists():
        number += 1
        free = path.with_stem(f"{path.stem}-{number}")
    return free
