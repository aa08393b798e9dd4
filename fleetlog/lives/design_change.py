"""From when on was the newer design of a part built in? Learnt from the lives, where nobody has said it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import date
from typing import Any, ClassVar

import polars as pl

from fleetlog.errors import UsageError
from fleetlog.faults import FaultFamily
from fleetlog.faults.model import Part
from fleetlog.lives.remarks import p_value
from fleetlog.lives.splits import followed_component
from fleetlog.phrasing import capital, plural, said
from fleetlog.questions import proposal
from fleetlog.session.finding import Finding, header
from fleetlog.session.fleet import Fleet, selection
from fleetlog.session.randomness import SEED
from fleetlog.session.scope import WHOLE_FLEET, Scope
from fleetlog.stats.change_point import FEWEST_FAILURES, ChangePoint, change_point
from fleetlog.stats.errors import TooFewFailures
from fleetlog.stats.log_rank import holm

ALL_MAKES = "all makes"
"""What stands for the lives of all makes together."""

CHECK = "check against the maker's parts book before you rely on it"


@dataclass(frozen=True, repr=False)
class DesignChangeFinding(Finding):
    """When the newer design of each part came, by make, as far as the lives tell.

    Attributes:
        changes: one row a component and make, and one for all makes together (it alone, where too few failed in
            all): component, make, lives, failures, change_from (first month of build of the newer design,
            "2018-09"; None: cannot be told), earliest, latest (its interval; None: the lives set no limit),
            life_ratio (newer over older life; None: cannot be told, or nothing failed on one side),
            ratio_lower, ratio_upper (None: no limit), failures_before, failures_after, p (of no change; None:
            not tested), p_holm (adjusted for looking at all rows), stated (what the settings say
            already; None: nothing), note (the answer as a sentence).
        likelihood: one row a component, make and month that could be the first: component, make, month, drop
            (twice by how much its log-likelihood lies below the greatest), within (whether the interval holds
            it); only of rows that were tested.
        settings_lines: tables for fleetlog.toml that say the changes found and not stated yet; "" where none is.
        level: of the intervals.
        seed: of the bootstrap.
    """

    question: ClassVar[str] = "design-changes"

    as_of: date
    fault: str
    changes: pl.DataFrame
    likelihood: pl.DataFrame
    settings_lines: str
    level: float
    seed: int
    notes: tuple[str, ...] = ()

    @property
    def frame(self) -> pl.DataFrame:
        """One row a component and make."""
        return self.changes

    @property
    def remarks(self) -> tuple[str, ...]:
        """The answer of each row as a sentence, and lines for the settings."""
        stated = [
            f"{capital(said(row['component']))}, {row['make']}: {row['note']}"
            for row in self.changes.to_dicts()
        ]
        if self.settings_lines:
            stated.append(f"Lines for fleetlog.toml; {CHECK}:\n\n{self.settings_lines}")
        return tuple(stated)

    def to_dict(self) -> dict[str, Any]:
        """The rows, the likelihood by month and the lines for the settings."""
        return header(
            self,
            self.changes.to_dicts(),
            likelihood=self.likelihood.to_dicts(),
            settings_lines=self.settings_lines,
            level=self.level,
            seed=self.seed,
        )


def design_changes(
    fleet: Fleet,
    scope: Scope = WHOLE_FLEET,
    *,
    component: str | None = None,
    make: str | None = None,
    seed: int = SEED,
) -> DesignChangeFinding:
    """The month of build from which on parts live longer or shorter, make by make.

    Args:
        fleet: whom to ask.
        scope: which part of the fleet, as of when.
        component: a part that a fault family follows; None: all that the family asked about follows.
        make: only machines of this make; None: each make, and all of them together.
        seed: of the bootstrap.

    Raises:
        UsageError: for a component nobody follows, or a make that no machine with such a part has.

    Examples:
        >>> june.design_changes(component="internal_bushing", make="Tolvane").frame["change_from"].to_list()
        ['2017-08']
    """
    history, family = fleet.begin(scope)
    components = _components(fleet, family, component)
    lives = {
        one: fleet.store.run("risk/built_lives", component=one, **selection(scope)) for one in components
    }
    if make is not None:
        lives = _of_make(lives, make)
    level = fleet.settings.survival.confidence
    groups = [group for one in components for group in _groups(one, lives[one])]
    found = [group.change(level, seed) for group in groups]
    tested = [i for i, one in enumerate(found) if isinstance(one, ChangePoint)]
    adjusted = dict(zip(tested, holm([found[i].p for i in tested]).tolist(), strict=True))  # type: ignore[union-attr]
    parts = {part.component: part for one in fleet.families.values() for part in one.parts}
    rows = [
        _row(group, one, adjusted.get(i), level, _stated(fleet, group.component, group.make))
        for i, (group, one) in enumerate(zip(groups, found, strict=True))
    ]
    undated = sum(int(one["built_month"].null_count()) for one in lives.values())
    return DesignChangeFinding(
        as_of=history.as_of,
        fault=family.name,
        changes=pl.DataFrame(rows, schema=_COLUMNS),
        likelihood=_likelihood(groups, found),
        settings_lines="\n".join(
            _settings_table(row, parts[row["component"]]) for row in rows if _to_state(row, rows)
        ),
        level=level,
        seed=seed,
        notes=_notes(rows, undated, level),
    )


@dataclass(frozen=True)
class _Group:
    """The dated first lives of one component in machines of one make, or of all.

    Attributes:
        lives: built_month (12 * year + month - 1), entry, hours (tenths of an hour), failed.
    """

    component: str
    make: str
    lives: pl.DataFrame

    @property
    def failures(self) -> int:
        """How many failed."""
        return int(self.lives["failed"].sum())

    def change(self, level: float, seed: int) -> ChangePoint | TooFewFailures:
        """The change of design, or why none can be told."""
        columns = (self.lives[name].to_numpy() for name in ("entry", "hours", "failed", "built_month"))
        try:
            return change_point(*columns, level=level, seed=seed)
        except TooFewFailures as error:
            return error


def _components(fleet: Fleet, family: FaultFamily, component: str | None) -> list[str]:
    """What is asked about: one component, or all that the family follows."""
    followed = list(dict.fromkeys(part.component for part in family.parts))
    return followed if component is None and followed else [followed_component(fleet, family, component)]


def _of_make(lives: dict[str, pl.DataFrame], make: str) -> dict[str, pl.DataFrame]:
    known = sorted({name for one in lives.values() for name in one["make"].drop_nulls().unique()})
    if make not in known:
        hint = proposal(make, known) if known else "no make is on record."
        raise UsageError(f"No machine of the make {make!r} has lives of such a part; {hint}")
    return {name: one.filter(pl.col("make") == make) for name, one in lives.items()}


def _groups(component: str, lives: pl.DataFrame) -> list[_Group]:
    """All makes together and each by itself; one make alone, or too few failures in all, make one row."""
    dated = lives.drop_nulls("built_month")
    makes = dated["make"].drop_nulls().unique().sort().to_list()
    if len(makes) == 1 and dated["make"].null_count() == 0:
        return [_Group(component, makes[0], dated)]
    whole = _Group(component, ALL_MAKES, dated)
    if whole.failures < FEWEST_FAILURES:
        return [whole]
    return [whole, *(_Group(component, make, dated.filter(pl.col("make") == make)) for make in makes)]


_COLUMNS = {
    "component": pl.String,
    "make": pl.String,
    "lives": pl.Int64,
    "failures": pl.Int64,
    "change_from": pl.String,
    "earliest": pl.String,
    "latest": pl.String,
    "life_ratio": pl.Float64,
    "ratio_lower": pl.Float64,
    "ratio_upper": pl.Float64,
    "failures_before": pl.Int64,
    "failures_after": pl.Int64,
    "p": pl.Float64,
    "p_holm": pl.Float64,
    "stated": pl.String,
    "note": pl.String,
}


def _row(
    group: _Group, found: ChangePoint | TooFewFailures, p_holm: float | None, level: float, stated: str | None
) -> dict[str, Any]:
    """One row of the answer; what cannot be told stays empty."""
    row: dict[str, Any] = {
        "component": group.component,
        "make": group.make,
        "lives": group.lives.height,
        "failures": group.failures,
        "stated": stated,
    }
    cannot = (
        f"From when on the newer part was built in cannot be told from {plural(group.failures, 'failure')}"
    )
    if isinstance(found, TooFewFailures):
        return row | {"note": f"{cannot}: {found}."}
    row |= {"p": found.p, "p_holm": p_holm}
    if p_holm is None or p_holm > 1.0 - level + 1e-12:
        why = f"no month of build parts the lives by more than chance ({p_value(found.p)}"
        return row | {"note": f"{cannot}: {why}{_adjusted(found.p, p_holm)})."}
    row |= {
        "change_from": _month(found.group),
        "earliest": _month(found.lower),
        "latest": _month(found.upper),
        "life_ratio": found.ratio,
        "ratio_lower": found.ratio_lower,
        "ratio_upper": found.ratio_upper,
        "failures_before": found.failures_before,
        "failures_after": found.failures_after,
    }
    return row | {"note": _sentence(row, level)}


def _stated(fleet: Fleet, component: str, make: str) -> str | None:
    """What the settings say of a part in machines of that make: each variant with its first day or number."""
    makes = ("",) if make == ALL_MAKES else ("", make.lower())
    stated = [
        one
        for one in fleet.settings.design_changes
        if one.component == component and one.make.lower() in makes
    ]
    return "; ".join(f"{one.variant} from {one.serial_from or one.built_from}" for one in stated) or None


def _sentence(row: dict[str, Any], level: float) -> str:
    since = f"The newer part was built in from {row['change_from']} on"
    ends = f"{row['earliest'] or 'no first month'} to {row['latest'] or 'no last month'}"
    failures = f"{row['failures_before']} of the older ones failed, {row['failures_after']} of the newer"
    stated = f"{since} ({level:.0%} interval: {ends}); {_life(row)}; {failures}"
    chance = f"{p_value(row['p'])} that nothing changed{_adjusted(row['p'], row['p_holm'])}"
    said_so = f" The settings say: {row['stated']}." if row["stated"] else ""
    return f"{stated}; {chance}.{said_so}"


def _life(row: dict[str, Any]) -> str:
    lower = f"{row['ratio_lower']:.2g}" if row["ratio_lower"] is not None else "no lower limit"
    upper = f"{row['ratio_upper']:.2g}" if row["ratio_upper"] is not None else "no upper limit"
    if row["life_ratio"] is None:
        return f"how many times as long it lives: {lower} to {upper}"
    return f"it lives {row['life_ratio']:.2g} times as long ({lower} to {upper})"


def _adjusted(p: float, p_holm: float | None) -> str:
    return f", {p_holm:.2g} adjusted" if p_holm is not None and p_holm > p else ""


def _month(number: int | None) -> str | None:
    """ "2018-09" of 12 * year + month - 1."""
    return None if number is None else f"{number // 12:04d}-{number % 12 + 1:02d}"


def _likelihood(groups: list[_Group], found: list[ChangePoint | TooFewFailures]) -> pl.DataFrame:
    """The likelihood by month of the rows that were tested."""
    schema = {
        "component": pl.String,
        "make": pl.String,
        "month": pl.String,
        "drop": pl.Float64,
        "within": pl.Boolean,
    }
    tables = [
        pl.DataFrame(
            {
                "component": [group.component] * one.candidates.size,
                "make": [group.make] * one.candidates.size,
                "month": [_month(int(number)) for number in one.candidates],
                "drop": one.drop,
                "within": one.drop <= one.critical,
            },
            schema=schema,
        )
        for group, one in zip(groups, found, strict=True)
        if isinstance(one, ChangePoint)
    ]
    return pl.concat(tables) if tables else pl.DataFrame(schema=schema)


def _to_state(row: dict[str, Any], rows: list[dict[str, Any]]) -> bool:
    """Whether a row's change goes into the lines for the settings.

    Newer parts that live longer do, make by make, where the settings say nothing yet.
    """
    if row.get("change_from") is None or row["stated"] is not None:
        return False
    if row["ratio_upper"] is not None and row["ratio_upper"] <= 1:
        return False
    alone = not any(one["make"] != ALL_MAKES for one in rows if one["component"] == row["component"])
    return row["make"] != ALL_MAKES or alone


def _settings_table(row: dict[str, Any], part: Part) -> str:
    """A table for fleetlog.toml."""
    variant = part.service_variant or (part.known_variants[-1] if part.known_variants else "newer")
    lines = [
        "[[design_changes]]",
        f"component = {json.dumps(row['component'])}",
        f"variant = {json.dumps(variant)}",
    ]
    if row["make"] != ALL_MAKES:
        lines.append(f"make = {json.dumps(row['make'], ensure_ascii=False)}")
    interval = f"{row['earliest'] or 'no first month'} to {row['latest'] or 'no last month'}"
    lines.append(f"built_from = {row['change_from']}-01 # learnt from lives, interval {interval}; {CHECK}")
    return "".join(f"{line}\n" for line in lines)


def _notes(rows: list[dict[str, Any]], undated: int, level: float) -> tuple[str, ...]:
    notes = [
        "Only parts as built count: one put in later is of the design that was sold then. A change is told where "
        f"its p, adjusted for looking at all rows (Holm), is at most {1 - level:.2g}; {CHECK}."
    ]
    if any(row["make"] == ALL_MAKES and row.get("change_from") for row in rows):
        notes.append(
            "All makes together assume one date for all. Where makes changed at different times, or one never "
            "did, that date is none of theirs: read the makes' own rows."
        )
    if undated:
        what = plural(undated, "life", "lives")
        notes.append(f"Left out, since the date of build is not known to the month: {what}.")
    return tuple(notes)
