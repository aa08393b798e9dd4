"""What a fleet can set: costs, windows, shop, its own codes; read once from a TOML file and validated.

Every value knows where it comes from: the file that set it, or the default built in. There is no global
state: whoever needs a setting is given a `Settings`.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, fields, replace
from datetime import date
from pathlib import Path
from typing import Any, TypeVar
from zoneinfo import ZoneInfo, available_timezones

from fleetlog.errors import SettingsError, UsageError
from fleetlog.faults.design_changes import DesignChange, serial_parts
from fleetlog.faults.loader import load_families, read_rule
from fleetlog.faults.model import (
    STEP_HOURS,
    VOLTAGE_FIGURES,
    WINDOW_UNITS,
    FaultFamily,
    Rule,
    Step,
    Voltage,
    Windows,
)
from fleetlog.faults.reading import Section, hint, read_toml, shown

FILE_NAME = "fleetlog.toml"
DEFAULT = "default"
DEFAULT_FROM_MEMORY = "default from memory"

STEP_KEYS = (*STEP_HOURS, "parts_cost")


def _value(
    default: Any, unit: str, meaning: str, read: Callable[[Section, str], Any], memory: bool = True
) -> Any:
    """A field with all that reading and display need; `memory` marks a default remembered, not looked up."""
    source = DEFAULT_FROM_MEMORY if memory else DEFAULT
    return field(default=default, metadata={"unit": unit, "meaning": meaning, "read": read, "source": source})


def _number(**bounds: Any) -> Callable[[Section, str], Any]:
    return lambda section, key: section.number(key, **bounds)


def _whole(**bounds: Any) -> Callable[[Section, str], Any]:
    return lambda section, key: section.whole(key, **bounds)


def _text(section: Section, key: str) -> Any:
    return section.text(key)


def _time_zone(section: Section, key: str) -> Any:
    name = section.text(key)
    try:
        known = bool(name) and ZoneInfo(name).key == name
    except (KeyError, ValueError, OSError):  # not found; no such name can be; a folder of the zone files
        known = False
    if not known:
        near = hint(name, available_timezones())
        if not near.startswith("did you mean"):
            near = "write a name of the IANA list such as Europe/Oslo"
        raise section.problem(key, f"is not a time zone that this computer knows: {shown(name)}; {near}")
    return name


def _currency(section: Section, key: str) -> Any:
    code = section.text(key)
    if len(code) != 3 or not (code.isascii() and code.isalpha() and code.isupper()):
        raise section.problem(
            key, f"must be an ISO 4217 code of three capitals such as USD, not {shown(code)}"
        )
    return code


def _paper(section: Section, key: str) -> Any:
    name = section.text(key)
    if name not in ("a4", "letter"):
        raise section.problem(key, f'must be "a4" or "letter", not {shown(name)}')
    return name


def _words(section: Section, key: str) -> Any:
    words = section.texts(key)
    for word in words:
        if word != word.lower() or not word.replace("_", "").isalnum():
            raise section.problem(
                key, f'must hold lower_snake_case words such as "seat_switch", not {shown(word)}'
            )
    return words


def _iso_weeks(section: Section, key: str) -> Any:
    weeks = section.texts(key)
    for week in weeks:
        year, _, number = week.partition("-W")
        try:
            monday = date.fromisocalendar(int(year), int(number), 1)
            known = week == f"{monday.isocalendar().year}-W{monday.isocalendar().week:02}"
        except ValueError:  # no numbers, or no such week
            known = False
        if not known:
            raise section.problem(key, f'must hold ISO weeks such as "2026-W52", not {shown(week)}')
    return weeks


@dataclass(frozen=True)
class Fleet:
    """[fleet]: who and where."""

    name: str = _value("", "", "Name of the fleet, shown on reports", _text, memory=False)
    time_zone: str = _value("UTC", "", "Zone of times that carry none (IANA name)", _time_zone, memory=False)
    currency: str = _value("USD", "", "Currency of every amount of money (ISO 4217)", _currency, memory=False)
    paper: str = _value("a4", "", "Paper of the printed report: a4 or letter", _paper, memory=False)


@dataclass(frozen=True)
class Costs:
    """[costs]: what time and standing still cost. Parts by component stand in [costs.parts]."""

    labour_rate: float = _value(
        110.0, "currency/labour hour", "What an hour of a mechanic costs", _number(at_least=0)
    )
    downtime_per_day: float = _value(
        250.0,
        "currency/day",
        "What a day costs on which a machine stands that could be out",
        _number(at_least=0),
    )
    day_hours: float = _value(
        8.0, "labour hours/day", "Labour hours that make a day of downtime", _number(above=0, at_most=24)
    )
    call_out: float = _value(
        150.0,
        "currency/breakdown",
        "What a breakdown costs beside repair and downtime: the way out, the machine fetched",
        _number(at_least=0),
    )
    days_waiting: float = _value(
        2.0,
        "days/visit",
        "Days that a broken machine waits on each visit: for a bay, a finding, a part",
        _number(at_least=0),
    )
    engine_out_hours: float = _value(
        7.0,
        "labour hours",
        "Labour hours to take the engine out and put it back, saved where it is out already",
        _number(at_least=0),
    )
    discount_per_year: float = _value(
        0.05,
        "share/year",
        "By how much money of next year counts less than money of today",
        _number(at_least=0, below=1),
    )


@dataclass(frozen=True)
class Shop:
    """[shop]: what the workshop can do."""

    weekly_hours: float = _value(
        40.0, "labour hours/week", "Labour hours the shop has for repairs", _number(at_least=0)
    )
    pump_mechanics: int = _value(
        2, "mechanics", "Mechanics who can open a pump or take an engine out", _whole(at_least=0)
    )
    mechanic_hours: float = _value(
        36.0, "labour hours/week", "Labour hours a week of one of them", _number(at_least=0, at_most=168)
    )
    engine_out_jobs: int = _value(
        4, "jobs/week", "Most jobs a week with the engine out: bays and hoists", _whole(at_least=0)
    )
    parts_lead_days: int = _value(
        7, "days", "Days from the plan until parts are there and a job can begin", _whole(at_least=0)
    )
    closed_weeks: tuple[str, ...] = _value(
        (), "", "ISO weeks in which no planned job is begun", _iso_weeks, memory=False
    )
    replan_penalty: float = _value(
        100.0,
        "currency/job",
        "What moving a job of the last plan must save at least",
        _number(at_least=0),
    )


@dataclass(frozen=True)
class Meters:
    """[meters]: how running hours are made of meter readings."""

    max_hours_per_day: float = _value(
        24.0,
        "running hours/day",
        "A gain above this is set aside as a typing error",
        _number(above=0, at_most=24),
    )
    recent_rate_days: int = _value(
        90,
        "days",
        "Length of the recent past whose use carries hours beyond the last reading",
        _whole(at_least=1),
    )
    silence_days: int = _value(
        180, "days", "A machine not heard of for so long is taken to be no longer watched", _whole(at_least=1)
    )


@dataclass(frozen=True)
class Survival:
    """[survival]: how survival curves are drawn."""

    minimum_at_risk: int = _value(
        5, "units", "The curve starts at the age from which so many are at risk", _whole(at_least=1)
    )
    minimum_failures: int = _value(
        5, "failures", "Below this no life distribution is fitted with a free shape", _whole(at_least=2)
    )
    confidence: float = _value(
        0.95, "probability", "Level of every interval", _number(above=0, below=1), memory=False
    )


@dataclass(frozen=True)
class Vocabulary:
    """[vocabulary]: words that the fleet adds to those every fleet has."""

    component: tuple[str, ...] = _value((), "", "Further components", _words, memory=False)
    action: tuple[str, ...] = _value((), "", "Further actions", _words, memory=False)
    finding: tuple[str, ...] = _value((), "", "Further findings", _words, memory=False)
    quantity: tuple[str, ...] = _value((), "", "Further measured quantities", _words, memory=False)


def _flag(section: Section, key: str) -> Any:
    return section.flag(key)


@dataclass(frozen=True)
class Wording:
    """[wording]: what is read out of the free text of work orders, and when it counts."""

    count_unjudged: bool = _value(
        False, "", "Suggestions that nobody has judged count in analyses", _flag, memory=False
    )
    least_confidence: float = _value(
        0.8,
        "probability",
        "Of unjudged suggestions, the least confidence that counts",
        _number(at_least=0, at_most=1),
    )


@dataclass(frozen=True)
class FamilySettings:
    """[faults.<family>]: a fleet's own figures and codes for one fault family; empty = the family's own.

    Attributes:
        windows, voltage: figure -> value.
        steps: step -> figure -> value (labour hours and parts cost).
        codes: further rules by which the fleet's codes are recognised.
    """

    family: str
    windows: Mapping[str, float]
    voltage: Mapping[str, float]
    steps: Mapping[str, Mapping[str, float]]
    codes: tuple[Rule, ...]


@dataclass(frozen=True)
class Settings:
    """Everything in force for one fleet.

    Attributes:
        parts: component -> cost of the part, for every step that replaces it.
        folders: folders with the fleet's own fault families.
        families: what the fleet sets for single families.
        design_changes: when which maker went over to which variant of a part.
        file: the file it was read from, None for the defaults alone.
        given: dotted keys that the file sets.
    """

    fleet: Fleet = Fleet()
    costs: Costs = Costs()
    shop: Shop = Shop()
    meters: Meters = Meters()
    survival: Survival = Survival()
    vocabulary: Vocabulary = Vocabulary()
    wording: Wording = Wording()
    parts: Mapping[str, float] = field(default_factory=dict)
    folders: tuple[Path, ...] = ()
    families: tuple[FamilySettings, ...] = ()
    design_changes: tuple[DesignChange, ...] = ()
    file: Path | None = None
    given: frozenset[str] = frozenset()

    def source(self, section: str, key: str) -> str:
        """Where a value comes from: the settings file's name, or that it is a default."""
        if f"{section}.{key}" in self.given and self.file is not None:
            return self.file.name
        metadata = {one.name: one.metadata for one in fields(getattr(self, section))}
        return str(metadata[key]["source"])

    def to_rows(self) -> list[dict[str, Any]]:
        """One row a value for display: section, key, value, unit, source, meaning."""
        rows = []
        for section in SECTIONS:
            table = getattr(self, section)
            for one in fields(table):
                value = getattr(table, one.name)
                rows.append(
                    _row(
                        section,
                        one.name,
                        ", ".join(value) if isinstance(value, tuple) else value,
                        str(one.metadata["unit"]).replace("currency", self.fleet.currency),
                        self.source(section, one.name),
                        one.metadata["meaning"],
                    )
                )
        file = self.file.name if self.file is not None else ""
        currency = self.fleet.currency
        for component, cost in self.parts.items():
            rows.append(_row("costs.parts", component, cost, currency, file, f"Cost of a new {component}"))
        for folder in self.folders:
            rows.append(
                _row("faults", "folders", str(folder), "", file, "Folder with the fleet's own families")
            )
        for number, change in enumerate(self.design_changes, start=1):
            words = ", ".join(f"{key} {value}" for key, value in asdict(change).items() if value)
            meaning = "When which maker went over to which variant"
            rows.append(_row("design_changes", str(number), words, "", file, meaning))
        for family in self.families:
            rows.extend(_family_rows(family, file, currency))
        return rows

    def fingerprint(self) -> str:
        """Stable hash of all values in force: same hash, same settings, wherever the file lies.

        The content of families in `folders` is not in it; `FaultFamily.fingerprint` covers those.
        """
        content = sorted(
            [row["section"], row["key"], repr(row["value"])]
            for row in self.to_rows()
            if row["key"] != "folders"
        )
        text = json.dumps(content, separators=(",", ":"), ensure_ascii=True)
        return hashlib.sha256(text.encode()).hexdigest()


SECTIONS: Mapping[str, type] = {
    "fleet": Fleet,
    "costs": Costs,
    "shop": Shop,
    "meters": Meters,
    "survival": Survival,
    "vocabulary": Vocabulary,
    "wording": Wording,
}


def settings_beside(store: Path) -> Path | None:
    """The settings file in the folder of a store, if there is one."""
    path = store.parent / FILE_NAME
    return path if path.is_file() else None


def load_settings(path: Path | None = None) -> Settings:
    """The settings of a file laid on the defaults; the defaults alone without one.

    Raises:
        SettingsError: one sentence naming the file, the key and what is allowed, for the first mistake found.
    """
    if path is None:
        return Settings()
    top = Section(read_toml(path), str(path))
    given: set[str] = set()
    tables = {name: _table(top, name, kind, given) for name, kind in SECTIONS.items()}
    parts_section = top.section("costs", optional=True).section("parts", optional=True)
    parts = {component: parts_section.number(component, at_least=0) for component in parts_section.data}
    faults = top.section("faults", optional=True)
    folders = tuple(path.parent / folder for folder in faults.texts("folders", ()))
    families = tuple(
        _family_settings(name, faults.section(name), path.name) for name in faults.data if name != "folders"
    )
    changes = tuple(_design_change(table) for table in top.sections("design_changes"))
    for number, change in enumerate(changes, start=1):
        if change.first in {other.first for other in changes[: number - 1]}:
            raise top.problem(
                f"design_changes[{number}]", "speaks of the same parts as one before it; leave one out"
            )
    top.done()
    return Settings(
        **tables,
        parts=parts,
        folders=folders,
        families=families,
        design_changes=changes,
        file=path,
        given=frozenset(given),
    )


def _design_change(table: Section) -> DesignChange:
    change = DesignChange(
        component=table.text("component", empty=False),
        variant=table.text("variant", empty=False),
        make=table.text("make", ""),
        model=table.text("model", ""),
        built_from=table.day("built_from", None),
        built_to=table.day("built_to", None),
        serial_from=table.text("serial_from", ""),
        serial_to=table.text("serial_to", ""),
    )
    table.done()
    if (change.built_from is None) == (not change.serial_from):
        raise SettingsError(f"{table.file}: {table.path} must have exactly one of built_from, serial_from")
    if change.built_to is not None and (change.built_from is None or change.built_to < change.built_from):
        raise table.problem("built_to", "must be a day not before built_from")
    letters, digits = serial_parts(change.serial_from)
    if change.serial_from and not digits:
        raise table.problem("serial_from", 'must end in digits, such as "TV208400"')
    last = serial_parts(change.serial_to)
    if change.serial_to and (last[0] != letters or len(last[1]) != len(digits) or last[1] < digits):
        raise table.problem(
            "serial_to", "must be of the letters and length of serial_from, and not before it"
        )
    return change


def _table(top: Section, name: str, kind: type, given: set[str]) -> Any:
    section = top.section(name, optional=True)
    values = {}
    for one in fields(kind):
        section.asked.add(one.name)
        if section.has(one.name):
            values[one.name] = one.metadata["read"](section, one.name)
            given.add(f"{name}.{one.name}")
    if name == "costs":
        section.asked.add("parts")
    section.done()
    return kind(**values)


def _family_settings(name: str, section: Section, file: str) -> FamilySettings:
    windows = _figures(section.section("windows", optional=True), WINDOW_UNITS, above=0)
    voltage = _figures(section.section("voltage", optional=True), VOLTAGE_FIGURES)
    steps = {
        step: _figures(table, STEP_KEYS, at_least=0)
        for step, table in section.section("steps", optional=True).named_sections()
    }
    codes = tuple(_code(table, file) for table in section.sections("codes"))
    section.done()
    return FamilySettings(name, windows, voltage, steps, codes)


def _figures(section: Section, keys: Sequence[str] | Mapping[str, str], **bounds: float) -> dict[str, float]:
    figures: dict[str, float] = {key: section.number(key, **bounds) for key in keys if section.has(key)}
    section.asked.update(keys)
    section.done()
    return figures


def _code(table: Section, file: str) -> Rule:
    """One of the fleet's codes: by SPN (and FMI), by the maker's code text, or by a description's words."""
    ways = [key for key in ("spn", "code", "words") if table.has(key)]
    if len(ways) != 1:
        raise SettingsError(
            f"{table.file}: {table.path} must have exactly one of spn (with or without fmi), code, words;"
            f" it has {' and '.join(ways) or 'none'}"
        )
    fields_by_way = {"spn": "spn", "code": "code", "words": "description"}
    return read_rule(table, fields_by_way[ways[0]], (), ("left", "right"), file)


def families_for(settings: Settings) -> dict[str, FaultFamily]:
    """Every fault family with the fleet's own folders, figures and codes applied, by name.

    Raises:
        SettingsError: a family file is wrong, or the settings speak of a family, step or value that cannot
            be.
    """
    families = load_families(settings.folders)
    for own in settings.families:
        if own.family not in families:
            raise SettingsError(
                f"{settings.file}: faults.{own.family} is no fault family; {hint(own.family, families)}"
            )
    _check_changes(settings, families)
    return {name: family_for(settings, families, name) for name in families}


def _check_changes(settings: Settings, families: Mapping[str, FaultFamily]) -> None:
    """A design change must speak of a part that a family follows, and of a variant that it knows."""
    known: dict[str, tuple[str, ...]] = {}
    for part in (part for family in families.values() for part in family.parts):
        known[part.component] = (*known.get(part.component, ()), *part.known_variants)
    for number, change in enumerate(settings.design_changes, start=1):
        where = f"{settings.file}: design_changes[{number}]"
        if change.component not in known:
            raise SettingsError(
                f"{where}.component {shown(change.component)} is no part that a fault family follows;"
                f" {hint(change.component, known)}"
            )
        if known[change.component] and change.variant not in known[change.component]:
            raise SettingsError(
                f"{where}.variant {shown(change.variant)} is no variant of {change.component} that a fault family"
                f" knows; {hint(change.variant, known[change.component])}"
            )


def family_for(settings: Settings, families: Mapping[str, FaultFamily], name: str) -> FaultFamily:
    """One family with the fleet's figures and codes applied.

    Part costs of [costs.parts] go to every step that replaces the component; a step's own figure wins over
    it.

    Raises:
        UsageError: there is no family of that name.
        SettingsError: the settings do not fit the family.
    """
    if name not in families:
        raise UsageError(f"there is no fault family {shown(name)}; {hint(name, families)}")
    family = families[name]
    file = settings.file.name if settings.file is not None else ""
    steps = tuple(_priced(step, settings.parts, file) for step in family.steps)
    family = replace(family, steps=steps)
    for own in settings.families:
        if own.family == name:
            family = _applied(family, own, str(settings.file), file)
    return family


def _priced(step: Step, parts: Mapping[str, float], file: str) -> Step:
    if step.action != "replace" or step.component not in parts:
        return step
    return replace(step, parts_cost=parts[step.component], sources={**step.sources, "parts_cost": file})


def _applied(family: FaultFamily, own: FamilySettings, path: str, file: str) -> FaultFamily:
    where = f"{path}: faults.{family.name}"
    for name in own.steps:
        names = [step.name for step in family.steps]
        if name not in names:
            raise SettingsError(f"{where}.steps.{name} is no step of that family; {hint(name, names)}")
    for number, rule in enumerate(own.codes, start=1):
        if rule.side not in ("", *family.sides):
            raise SettingsError(f"{where}.codes[{number}].side must be left out: that fault has no sides")
    return replace(
        family,
        windows=_with(family.windows, own.windows, file),
        voltage=_tuned(family.voltage, own.voltage, where, file),
        steps=tuple(_timed(step, own.steps.get(step.name, {}), where, file) for step in family.steps),
        recognise=(*own.codes, *family.recognise),
    )


Sourced = TypeVar("Sourced", Windows, Voltage, Step)


def _with(item: Sourced, figures: Mapping[str, float], file: str) -> Sourced:
    """The same with the fleet's figures, each saying so."""
    changes: dict[str, Any] = {**figures, "sources": {**item.sources, **dict.fromkeys(figures, file)}}
    return replace(item, **changes)


def _tuned(voltage: Voltage | None, figures: Mapping[str, float], where: str, file: str) -> Voltage | None:
    if not figures:
        return voltage
    if voltage is None:
        raise SettingsError(f"{where}.voltage must be left out: that family measures no voltage")
    result = _with(voltage, figures, file)
    if not result.near_zero < result.target < result.near_supply:
        raise SettingsError(f"{where}.voltage must keep near_zero below target below near_supply")
    if result.tolerance <= 0 or result.wander <= 0:
        raise SettingsError(f"{where}.voltage must keep tolerance and wander above 0")
    return result


def _timed(step: Step, figures: Mapping[str, float], where: str, file: str) -> Step:
    """The step with the fleet's figures; a range that no longer holds the plain figure is drawn to it."""
    if not figures:
        return step
    result = _with(step, figures, file)
    hours = result.labour_hours
    second = result.second_side_labour_hours
    if "labour_hours_low" in figures and result.labour_hours_low > hours:
        raise SettingsError(
            f"{where}.steps.{step.name}.labour_hours_low must be at most labour_hours, {hours:g}"
        )
    if "labour_hours_high" in figures and result.labour_hours_high < hours:
        raise SettingsError(
            f"{where}.steps.{step.name}.labour_hours_high must be at least labour_hours, {hours:g}"
        )
    if "second_side_labour_hours" in figures and second is not None and second > hours:
        raise SettingsError(
            f"{where}.steps.{step.name}.second_side_labour_hours must be at most labour_hours, {hours:g}"
        )
    return replace(
        result,
        labour_hours_low=min(result.labour_hours_low, hours),
        labour_hours_high=max(result.labour_hours_high, hours),
        second_side_labour_hours=None if second is None else min(second, hours),
    )


def _row(section: str, key: str, value: Any, unit: str, source: str, meaning: str) -> dict[str, Any]:
    return {
        "section": section,
        "key": key,
        "value": value,
        "unit": unit,
        "source": source,
        "meaning": meaning,
    }


def _family_rows(own: FamilySettings, file: str, currency: str) -> list[dict[str, Any]]:
    top = f"faults.{own.family}"
    rows = []
    for key, value in own.windows.items():
        rows.append(
            _row(f"{top}.windows", key, value, WINDOW_UNITS[key], file, "In place of the family's figure")
        )
    for key, value in own.voltage.items():
        rows.append(_row(f"{top}.voltage", key, value, "V", file, "In place of the family's figure"))
    for step, figures in own.steps.items():
        for key, value in figures.items():
            unit = currency if key == "parts_cost" else "labour hours"
            rows.append(
                _row(f"{top}.steps.{step}", key, value, unit, file, "In place of the family's figure")
            )
    for number, rule in enumerate(own.codes, start=1):
        words = rule.words if rule.spn is None else f"SPN {rule.spn}"
        words += "" if rule.fmi is None else f" FMI {rule.fmi}"
        words += f" ({rule.side})" if rule.side else ""
        words += f", unless {' or '.join(rule.unless)}" if rule.unless else ""
        rows.append(
            _row(f"{top}.codes", f"{rule.field} {number}", words, "", file, "A code of the fleet's own")
        )
    return rows
