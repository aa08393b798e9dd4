"""What stands before and beside every step that an answer proposes: holds, cautions, the release check.

Nothing here says that a machine is safe: a hold that is not listed may only mean that nothing is on record.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date
from typing import Any

import polars as pl

CAUTIONS_HEADING = "Before any work on the machine"
RELEASE_HEADING = "Before the machine goes back to use, checked by a qualified person and written down"
USUAL_GAP = 3
"""Days without any record that say nothing yet: a weekend and a late reading."""
SHOWN_HOLDS = 12
"""Holds that stand before a table; the command `holds` lists all."""

_HOLD_COLUMNS = {
    "machine_id": pl.String,
    "sides": pl.String,
    "since": pl.Date,
    "why": pl.String,
    "site": pl.String,
    "on_rent_since": pl.Date,
    "last_heard": pl.Date,
}


@dataclass(frozen=True)
class Hold:
    """A machine that is kept from use and rental.

    Attributes:
        sides: the sides in question; empty where the records name none.
        since: the day of the first sign that still stands.
        why: what raised it, in words.
        on_rent_since: since when it has been out, where the records say that it is.
        last_heard: the last day with anything on record.
        silent: whether that is too long ago to know anything of the machine.
    """

    machine_id: str
    sides: tuple[str, ...]
    since: date | None
    why: str
    site: str = ""
    on_rent_since: date | None = None
    last_heard: date | None = None
    silent: bool = False

    @property
    def rental(self) -> str:
        """What the rentals ask for: to call the machine back, or nothing."""
        if self.on_rent_since is None:
            return ""
        return f"on rent now, since {self.on_rent_since}: call back"

    @property
    def sentence(self) -> str:
        """The hold in one line."""
        sides = f" {' and '.join(self.sides)}" if any(self.sides) else ""
        parts = [f"{self.machine_id}{sides}: {self.why}"]
        if self.since:
            parts.append(f"since {self.since}")
        if self.site:
            parts.append(self.site)
        if self.rental:
            parts.append(self.rental)
        if self.silent:
            parts.append(f"not heard of since {self.last_heard}")
        return ", ".join(parts)


@dataclass(frozen=True)
class Silent:
    """A machine that nothing has been heard of for too long: nothing can be said of it."""

    machine_id: str
    site: str
    last_heard: date | None


@dataclass(frozen=True)
class Safety:
    """Holds, cautions and the release check that go with an answer.

    Attributes:
        as_of: the day that the answer speaks of.
        records_end: the last day on record; what came later is not known.
        danger: what may happen, in one sentence; empty where the family names none.
        instruction: what to do with a machine on hold.
        holds: in the order of machines.
        cautions: for the work that the answer proposes; empty where it proposes none.
        release: item -> what is checked before a machine goes back to use.
        silent: machines not heard of, in the order of machines.
    """

    as_of: date
    records_end: date
    danger: str = ""
    instruction: str = ""
    holds: tuple[Hold, ...] = ()
    cautions: tuple[str, ...] = ()
    release: dict[str, str] = field(default_factory=dict)
    silent: tuple[Silent, ...] = ()

    def first_lines(self, most: int = SHOWN_HOLDS) -> list[str]:
        """What stands before everything else: the holds, and when the records end."""
        lines = []
        if self.holds:
            lines.append(f"HOLD: {self.instruction} {self.danger}".rstrip())
            lines += [f"- {hold.sentence}" for hold in self.holds[:most]]
            if len(self.holds) > most:
                lines.append(f"- and {len(self.holds) - most} more: 'fleetlog holds' lists them all")
        return [*lines, self.records_sentence]

    @property
    def incomplete(self) -> bool:
        """Whether the answer speaks of a day so long after the last record that something is likely missing."""
        return (self.as_of - self.records_end).days > USUAL_GAP

    @property
    def records_sentence(self) -> str:
        """When the records end, and whether the answer speaks of a day beyond."""
        beyond = (self.as_of - self.records_end).days
        if not self.incomplete:
            return f"Records end {self.records_end}; what happened later is not known."
        return (
            f"RECORDS END {self.records_end}, {beyond} days before {self.as_of}: what happened in between is not "
            "known, and no machine is well because nothing is said of it."
        )

    def only(self, machine_id: str) -> Safety:
        """What goes with an answer about one machine."""
        return replace(
            self,
            holds=tuple(hold for hold in self.holds if hold.machine_id == machine_id),
            silent=tuple(one for one in self.silent if one.machine_id == machine_id),
        )

    def last_lines(self, most: int = SHOWN_HOLDS) -> list[str]:
        """What stands beneath: machines not heard of, cautions, the release check."""
        lines = []
        if self.silent:
            names = ", ".join(f"{one.machine_id} ({one.last_heard or 'never'})" for one in self.silent[:most])
            more = f" and {len(self.silent) - most} more" if len(self.silent) > most else ""
            lines.append(f"Not heard of since, so that nothing can be said of them: {names}{more}.")
        if self.cautions:
            lines += [f"{CAUTIONS_HEADING}:", *(f"- {text}" for text in self.cautions)]
        if self.holds and self.release:
            lines += [f"{RELEASE_HEADING}:", *(f"- {text}" for text in self.release.values())]
        return lines

    @property
    def frame(self) -> pl.DataFrame:
        """One row a machine on hold: why, since when, where, on rent since when, and what to do."""
        rows = [{**vars(hold), "sides": " and ".join(hold.sides)} for hold in self.holds]
        columns = {name: [row[name] for row in rows] for name in _HOLD_COLUMNS}
        return self.attach(pl.DataFrame(columns, schema=_HOLD_COLUMNS))

    @property
    def silent_frame(self) -> pl.DataFrame:
        """One row a machine that nothing has been heard of for too long."""
        schema = {"machine_id": pl.String, "site": pl.String, "last_heard": pl.Date}
        return pl.DataFrame([vars(one) for one in self.silent], schema=schema)

    @property
    def brief(self) -> str:
        """One line for a picture that has no room for the rest."""
        count = len(self.holds)
        holds = (
            f"{count} machine{'s' if count != 1 else ''} on HOLD come first: 'fleetlog holds'. "
            if count
            else ""
        )
        if not self.cautions:
            return holds.strip()
        return f"{holds}{CAUTIONS_HEADING}: {self.cautions[0]} The other cautions stand with the table."

    def attach(self, frame: pl.DataFrame) -> pl.DataFrame:
        """A table of steps with what goes with each row: `hold` first (empty without one), `cautions` last."""
        with_cautions = frame.with_columns(cautions=pl.lit(" ".join(self.cautions)))
        if "machine_id" not in frame.columns:
            return with_cautions
        on_hold = {hold.machine_id: f"HOLD: {self.instruction} {hold.sentence}." for hold in self.holds}
        held = [on_hold.get(machine, "") for machine in frame["machine_id"]]
        return with_cautions.select(pl.Series("hold", held, dtype=pl.String), pl.all())

    def to_dict(self) -> dict[str, Any]:
        """The keys that JSON answers share: records_end, holds, not_heard_of, cautions, release_check."""
        return {
            "records_end": self.records_end,
            "hold_instruction": self.instruction,
            "holds": [{**vars(hold), "call_back": hold.on_rent_since is not None} for hold in self.holds],
            "not_heard_of": [vars(one) for one in self.silent],
            "cautions": list(self.cautions),
            "release_check": [{"item": item, "check": text} for item, text in self.release.items()],
        }
