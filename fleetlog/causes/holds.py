"""Which machines are kept from use: open cases, sides probably still broken, and words that tell of the danger."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, date, datetime, timedelta
from typing import Any, ClassVar
from zoneinfo import ZoneInfo

import polars as pl

from fleetlog.causes.case import Suspect
from fleetlog.faults import FaultFamily
from fleetlog.history import History
from fleetlog.session.finding import Finding, header
from fleetlog.session.fleet import Fleet
from fleetlog.session.safety import Hold, Safety, Silent
from fleetlog.session.scope import Scope
from fleetlog.store import Store


@dataclass(frozen=True, repr=False)
class HoldsFinding(Finding):
    """The machines that are kept from use and rental until a qualified person has checked them.

    Attributes:
        safety: the holds, with the family's cautions and release check.
    """

    question: ClassVar[str] = "holds"

    as_of: date
    fault: str
    safety: Safety = field()
    notes: tuple[str, ...] = ()

    @property
    def frame(self) -> pl.DataFrame:
        """One row a machine on hold: why, since when, where, on rent since when, due back, and what to do."""
        return self.safety.frame

    @property
    def summary(self) -> pl.DataFrame:
        """The table without what stands before and beneath it."""
        return self.frame.drop("hold", "cautions")

    def to_dict(self) -> dict[str, Any]:
        """Rows as in `frame`, and the keys of `Safety.to_dict`."""
        return header(self, self.summary.to_dicts())


@dataclass(frozen=True)
class _Sign:
    """One reason for a hold."""

    side: str
    since: datetime
    last: datetime
    why: str


def safety_of(
    fleet: Fleet,
    history: History,
    family: FaultFamily,
    scope: Scope,
    cases: Sequence[Suspect],
    *,
    proposing: bool = True,
) -> Safety:
    """Holds, cautions and release check of a part of the fleet: the one place where they are made.

    Args:
        history: as of the day in question.
        family: whose rules hold.
        scope: which part of the fleet.
        cases: the open and doubtful cases of that part.
        proposing: whether the answer proposes work, so that the cautions go with it.
    """
    zone = ZoneInfo(fleet.settings.fleet.time_zone)
    where = _machines(fleet, history, scope)
    if family.hold is None:
        holds: tuple[Hold, ...] = ()
    else:
        signs = _stated(fleet, history, family)
        for row in fleet.store.run("holds/silent_case", fault=family.name).iter_rows(named=True):
            why = "case open when last heard of"
            signs.setdefault(row["machine_id"], []).append(
                _Sign(row["side"], row["first_at"], row["last_at"], why)
            )
        for case in cases:
            if case.on_hold:
                unsure = "probably still broken after a repair" if case.repaired else "no repair on record"
                why = "open case" if case.state == "open" and not case.repaired else unsure
                first, last = case.first_sign or history.as_of_end, case.last_report or history.as_of_end
                signs.setdefault(case.machine_id, []).append(_Sign(case.side, first, last, why))
        holds = _holds(fleet, history, family, where, signs, zone)
    heard = where.filter(pl.col("silent"))
    return Safety(
        as_of=history.as_of,
        records_end=_day(fleet.store.run("holds/records_end")["last_at"][0], zone) or history.as_of,
        danger=family.hold.danger if family.hold else "",
        instruction=family.hold.instruction if family.hold else "",
        holds=holds,
        cautions=family.cautions if proposing or holds else (),
        release={one.item: one.title for one in family.hold.release} if family.hold else {},
        silent=tuple(
            Silent(row["machine_id"], row["site"] or "", _day(row["last_heard_at"], zone))
            for row in heard.iter_rows(named=True)
        ),
    )


def _machines(fleet: Fleet, history: History, scope: Scope) -> pl.DataFrame:
    """The machines of a scope, with where they are and whether they have been silent for too long."""
    rows = fleet.store.run("holds/machines", as_of_end=history.as_of_end)
    silence = timedelta(days=fleet.settings.meters.silence_days)
    chosen = [
        pl.col(column).is_in(list(wanted)).fill_null(False)
        for column, wanted in (("machine_id", scope.machines), ("site", scope.sites))
        if wanted
    ]
    if scope.build_years:
        listed = fleet.store.run("fleet/listed_machines")
        years = listed.filter(pl.col("build_year").is_in(list(scope.build_years)))
        chosen.append(pl.col("machine_id").is_in(years["machine_id"].to_list()))
    silent = (pl.col("last_heard_at") + silence < history.as_of_end).fill_null(True)
    return rows.filter(*chosen).with_columns(silent=silent)


def register_hold_words(store: Store, family: FaultFamily) -> None:
    """Hands the words that call for a hold to SQL, as the tables hold_word and hold_denial."""
    rules = family.hold
    for table, patterns in (
        ("hold_word", rules.words if rules else ()),
        ("hold_denial", rules.unless if rules else ()),
    ):
        store.register(table, pl.DataFrame({"pattern": patterns}, schema={"pattern": pl.String}))


def _stated(fleet: Fleet, history: History, family: FaultFamily) -> dict[str, list[_Sign]]:
    """Orders whose words tell of the danger, by machine."""
    rules = family.hold
    if rules is None or not rules.words:
        return {}
    register_hold_words(fleet.store, family)
    rows = fleet.store.run(
        "holds/stated_sign",
        as_of_end=history.as_of_end,
        words_from=history.as_of_end - timedelta(days=rules.words_days),
        fault=family.name,
    )
    signs: dict[str, list[_Sign]] = {}
    for row in rows.iter_rows(named=True):
        words = " ".join(row["words"].split())
        brief = words if len(words) <= 60 else f"{words[:57]}..."
        why = f'order {row["work_order_id"]} says "{brief}"'
        signs.setdefault(row["machine_id"], []).append(_Sign("", row["stated_at"], row["stated_at"], why))
    return signs


def _holds(
    fleet: Fleet,
    history: History,
    family: FaultFamily,
    where: pl.DataFrame,
    signs: dict[str, list[_Sign]],
    zone: ZoneInfo,
) -> tuple[Hold, ...]:
    """One hold a machine with a sign that no release check has answered since."""
    assert family.hold is not None
    items = [one.item for one in family.hold.release]
    fleet.store.register("release_item", pl.DataFrame({"item": items}, schema={"item": pl.String}))
    released = dict(fleet.store.run("holds/released", as_of_end=history.as_of_end).iter_rows())
    holds = []
    for row in where.filter(pl.col("machine_id").is_in(list(signs))).iter_rows(named=True):
        machine = row["machine_id"]
        release = released.get(machine)
        standing = [sign for sign in signs[machine] if release is None or sign.last > release]
        if not standing:
            continue
        standing.sort(key=lambda sign: (sign.since, sign.side, sign.why))
        holds.append(
            Hold(
                machine_id=machine,
                sides=tuple(sorted({sign.side for sign in standing if sign.side})),
                since=_day(standing[0].since, zone),
                why="; ".join(dict.fromkeys(sign.why for sign in standing)),
                site=row["site"] or "",
                on_rent_since=_day(row["on_rent_since"], zone),
                last_heard=_day(row["last_heard_at"], zone),
                silent=row["silent"],
            )
        )
    return tuple(holds)


def _day(moment: datetime | None, zone: ZoneInfo) -> date | None:
    """The day of a moment in UTC, as the fleet's calendar has it."""
    return moment.replace(tzinfo=UTC).astimezone(zone).date() if moment is not None else None
