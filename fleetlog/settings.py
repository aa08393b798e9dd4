"""What a fleet can set: costs, windows, shop, its own codes; read once from a TOML file and validated.

Every value knows where it comes from: the file that set it, or the default built in. There is no global
state: whoever needs a setting is given a `Settings`.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field, fields, replace
from datetime import date
from functools import cache
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal, TypeVar
from zoneinfo import ZoneInfo, available_timezones

from pydantic import AfterValidator, BeforeValidator, ConfigDict, Field

from fleetlog.errors import SettingsError, UsageError
from fleetlog.faults.design_changes import DesignChange, checked_change
from fleetlog.faults.loader import RuleTable, load_families, rule_of
from fleetlog.faults.model import (
    STEP_HOURS,
    WINDOW_UNITS,
    FaultFamily,
    Step,
    Voltage,
    VoltageFigure,
    WindowFigure,
    Windows,
)
from fleetlog.faults.reading import (
    Chance,
    Flag,
    NotNegative,
    Number,
    Positive,
    Share,
    Whole,
    distinct,
    hint,
    json_schema,
    known_key,
    must,
    parsed,
    read_toml,
    refuse,
    shown,
)

FILE_NAME = "fleetlog.toml"
DEFAULT = "default"
DEFAULT_FROM_MEMORY = "default from memory"

StepCost = Annotated[str, known_key((*STEP_HOURS, "parts_cost"))]


def _value(default: Any, unit: str, meaning: str, memory: bool = True) -> Any:
    """A field with all that display needs; `memory` marks a default remembered, not looked up."""
    source = DEFAULT_FROM_MEMORY if memory else DEFAULT
    return field(default=default, metadata={"unit": unit, "description": meaning, "source": source})


def _time_zone(name: str) -> str:
    try:
        known = bool(name) and ZoneInfo(name).key == name
    except (KeyError, ValueError, OSError):  # not found; no such name can be; a folder of the zone files
        known = False
    if not known:
        near = hint(name, available_timezones())
        if not near.startswith("did you mean"):
            near = "write a name of the IANA list such as Europe/Oslo"
        raise refuse(f"is not a time zone that this computer knows: {shown(name)}; {near}")
    return name


def _is_week(week: str) -> bool:
    year, _, number = week.partition("-W")
    try:
        monday = date.fromisocalendar(int(year), int(number), 1)
    except ValueError:  # no numbers, or no such week
        return False
    return week == f"{monday.isocalendar().year}-W{monday.isocalendar().week:02}"


TimeZone = Annotated[str, AfterValidator(_time_zone)]
Currency = Annotated[
    str, must("an ISO 4217 code of three capitals such as USD", re.compile("[A-Z]{3}").fullmatch)
]
DayHours = Annotated[Positive, Field(le=24)]
Week = Annotated[str, must('an ISO week such as "2026-W52"', _is_week)]
Word = Annotated[
    str,
    must(
        'a lower_snake_case word such as "seat_switch"',
        lambda word: word == word.lower() and word.replace("_", "").isalnum(),
    ),
]
Weeks = Annotated[tuple[Week, ...], BeforeValidator(distinct)]
WordList = Annotated[tuple[Word, ...], BeforeValidator(distinct)]


@dataclass(frozen=True)
class FleetSettings:
    """[fleet]: who and where."""

    name: str = _value("", "", "Name of the fleet, shown on reports", memory=False)
    time_zone: TimeZone = _value("UTC", "", "Zone of times that carry none (IANA name)", memory=False)
    currency: Currency = _value("USD", "", "Currency of every amount of money (ISO 4217)", memory=False)
    paper: Literal["a4", "letter"] = _value(
        "a4", "", "Paper of the printed report: a4 or letter", memory=False
    )


@dataclass(frozen=True)
class Costs:
    """[costs]: what time and standing still cost. Parts by component stand in [costs.parts]."""

    labour_rate: NotNegative = _value(110.0, "currency/labour hour", "What an hour of a mechanic costs")
    downtime_per_day: NotNegative = _value(
        250.0, "currency/day", "What a day costs on which a machine stands that could be out"
    )
    day_hours: DayHours = _value(8.0, "labour hours/day", "Labour hours that make a day of downtime")
    call_out: NotNegative = _value(
        150.0,
        "currency/breakdown",
        "What a breakdown costs beside repair and downtime: the way out, the machine fetched",
    )
    days_waiting: NotNegative = _value(
        2.0, "days/visit", "Days that a broken machine waits on each visit: for a bay, a finding, a part"
    )
    engine_out_hours: NotNegative = _value(
        7.0,
        "labour hours",
        "Labour hours to take the engine out and put it back, saved where it is out already",
    )
    discount_per_year: Annotated[NotNegative, Field(lt=1)] = _value(
        0.05, "share/year", "By how much money of next year counts less than money of today"
    )


@dataclass(frozen=True)
class ShopSettings:
    """[shop]: what the workshop can do."""

    weekly_hours: NotNegative = _value(40.0, "labour hours/week", "Labour hours the shop has for repairs")
    pump_mechanics: Annotated[Whole, Field(ge=0)] = _value(
        2, "mechanics", "Mechanics who can open a pump or take an engine out"
    )
    mechanic_hours: Annotated[NotNegative, Field(le=168)] = _value(
        36.0, "labour hours/week", "Labour hours a week of one of them"
    )
    engine_out_jobs: Annotated[Whole, Field(ge=0)] = _value(
        4, "jobs/week", "Most jobs a week with the engine out: bays and hoists"
    )
    parts_lead_days: Annotated[Whole, Field(ge=0)] = _value(
        7, "days", "Days from the plan until parts are there and a job can begin"
    )
    closed_weeks: Weeks = _value((), "", "ISO weeks in which no planned job is begun", memory=False)
    replan_penalty: NotNegative = _value(
        100.0, "currency/job", "What moving a job of the last plan must save at least"
    )


@dataclass(frozen=True)
class MeterSettings:
    """[meters]: how running hours are made of meter readings."""

    max_hours_per_day: DayHours = _value(
        24.0, "running hours/day", "A gain above this is set aside as a typing error"
    )
    recent_rate_days: Annotated[Whole, Field(ge=1)] = _value(
        90, "days", "Length of the recent past whose use carries hours beyond the last reading"
    )
    silence_days: Annotated[Whole, Field(ge=1)] = _value(
        180, "days", "A machine not heard of for so long is taken to be no longer watched"
    )


@dataclass(frozen=True)
class Survival:
    """[survival]: how survival curves are drawn."""

    minimum_at_risk: Annotated[Whole, Field(ge=1)] = _value(
        5, "units", "The curve starts at the age from which so many are at risk"
    )
    minimum_failures: Annotated[Whole, Field(ge=2)] = _value(
        5, "failures", "Below this no life distribution is fitted with a free shape"
    )
    confidence: Share = _value(0.95, "probability", "Level of every interval", memory=False)


@dataclass(frozen=True)
class Vocabulary:
    """[vocabulary]: words that the fleet adds to those every fleet has."""

    component: WordList = _value((), "", "Further components", memory=False)
    action: WordList = _value((), "", "Further actions", memory=False)
    finding: WordList = _value((), "", "Further findings", memory=False)
    quantity: WordList = _value((), "", "Further measured quantities", memory=False)


@dataclass(frozen=True)
class WordingSettings:
    """[wording]: what is read out of the free text of work orders, and when it counts."""

    count_unjudged: Flag = _value(
        False, "", "Suggestions that nobody has judged count in analyses", memory=False
    )
    least_confidence: Chance = _value(
        0.8, "probability", "Of unjudged suggestions, the least confidence that counts"
    )


@dataclass(frozen=True)
class FamilySettings:
    """[faults.<family>]: a fleet's own figures and codes for one fault family; empty = the family's own.

    Attributes:
        windows, voltage: figure -> value.
        steps: step -> figure -> value (labour hours and parts cost).
        codes: further rules by which the fleet's codes are recognised.
    """

    windows: Mapping[WindowFigure, Positive] = field(default_factory=dict)
    voltage: Mapping[VoltageFigure, Number] = field(default_factory=dict)
    steps: Mapping[str, Mapping[StepCost, NotNegative]] = field(default_factory=dict)
    codes: tuple[Annotated[RuleTable, AfterValidator(RuleTable.checked)], ...] = ()


def _unlike(changes: tuple[DesignChange, ...]) -> tuple[DesignChange, ...]:
    for place, change in enumerate(changes):
        if change.first in {other.first for other in changes[:place]}:
            raise refuse("speaks of the same parts as one before it; leave one out", place)
    return changes


@dataclass(frozen=True)
class Settings:
    """Everything in force for one fleet.

    Attributes:
        parts: component -> cost of the part, for every step that replaces it.
        folders: folders with the fleet's own fault families.
        families: family -> what the fleet sets for it.
        design_changes: when which maker went over to which variant of a part.
        file: the file it was read from, None for the defaults alone.
        given: dotted keys that the file sets.
    """

    __pydantic_config__: ClassVar = ConfigDict(extra="forbid", allow_inf_nan=False)

    fleet: FleetSettings = FleetSettings()
    costs: Costs = Costs()
    shop: ShopSettings = ShopSettings()
    meters: MeterSettings = MeterSettings()
    survival: Survival = Survival()
    vocabulary: Vocabulary = Vocabulary()
    wording: WordingSettings = WordingSettings()
    parts: Mapping[str, NotNegative] = field(default_factory=dict, metadata={"alias": "costs.parts"})
    folders: tuple[Path, ...] = field(default=(), metadata={"alias": "faults.folders"})
    families: Mapping[str, FamilySettings] = field(default_factory=dict, metadata={"alias": "faults"})
    design_changes: Annotated[
        tuple[Annotated[DesignChange, AfterValidator(checked_change)], ...], AfterValidator(_unlike)
    ] = ()
    file: Path | None = field(default=None, metadata={"alias": "<file>"})
    given: frozenset[str] = field(default=frozenset(), metadata={"alias": "<given>"})

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
                        one.metadata["description"],
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
        for name, family in self.families.items():
            rows.extend(_family_rows(name, family, file, currency))
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
    "fleet": FleetSettings,
    "costs": Costs,
    "shop": ShopSettings,
    "meters": MeterSettings,
    "survival": Survival,
    "vocabulary": Vocabulary,
    "wording": WordingSettings,
}


def settings_beside(store: Path) -> Path | None:
    """The settings file in the folder of a store, if there is one."""
    path = store.parent / FILE_NAME
    return path if path.is_file() else None


def load_settings(path: Path | None = None) -> Settings:
    """The settings of a file laid on the defaults; the defaults alone without one.

    Raises:
        SettingsError: a line for each mistake: the file, the key and what is allowed.
    """
    if path is None:
        return Settings()
    data = read_toml(path)
    given = {f"{name}.{key}" for name in SECTIONS for key in _keys(data.get(name))}
    for dotted in (key for key in data if "." in key):
        raise SettingsError(f"{path}: {dotted} is not a known key; no table has a dot within its name")
    for table, key in _MOVED:
        if key in _keys(data.get(table)):
            rest = dict(data[table])
            data |= {f"{table}.{key}": rest.pop(key), table: rest}
    settings: Settings = parsed(Settings, data, str(path), settings_schema)
    folders = tuple(path.parent / folder for folder in settings.folders)
    return replace(settings, folders=folders, file=path, given=frozenset(given))


#: Tables and keys that stand inside another one in the file, and beside it in `Settings`.
_MOVED = (("costs", "parts"), ("faults", "folders"))


def _keys(table: Any) -> tuple[str, ...]:
    return tuple(table) if isinstance(table, dict) else ()


@cache
def settings_schema() -> dict[str, Any]:
    """The JSON Schema of a settings file, as editors want it."""
    schema = json_schema(Settings)
    keys = schema["properties"]
    schema["$defs"]["Costs"]["properties"]["parts"] = keys.pop("costs.parts")
    keys["faults"]["properties"] = {"folders": keys.pop("faults.folders")}
    return schema


def families_for(settings: Settings) -> dict[str, FaultFamily]:
    """Every fault family with the fleet's own folders, figures and codes applied, by name.

    Raises:
        SettingsError: a family file is wrong, or the settings speak of a family, step or value that cannot
            be.
    """
    families = load_families(settings.folders)
    mistakes = [*_unknown(settings, families)]
    result = {}
    for name in families:
        try:
            result[name] = family_for(settings, families, name)
        except SettingsError as error:
            mistakes.append(str(error))
    if mistakes:
        raise SettingsError("\n".join(mistakes))
    return result


def _unknown(settings: Settings, families: Mapping[str, FaultFamily]) -> Iterator[str]:
    """What the settings speak of that no family knows: families, parts, and variants of parts."""
    for own in settings.families:
        if own not in families:
            yield f"{settings.file}: faults.{own} is no fault family; {hint(own, families)}"
    known: dict[str, set[str]] = {}
    for part in (part for family in families.values() for part in family.parts):
        known.setdefault(part.component, set()).update(part.known_variants)
    for number, change in enumerate(settings.design_changes, start=1):
        where, variants = f"{settings.file}: design_changes[{number}]", known.get(change.component)
        if variants is None:
            near = hint(change.component, known)
            yield f"{where}.component {shown(change.component)} is no part that a fault family follows; {near}"
        elif variants and change.variant not in variants:
            near = hint(change.variant, variants)
            yield f"{where}.variant {shown(change.variant)} is no variant that a fault family knows of it; {near}"


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
    own = settings.families.get(name)
    return family if own is None else _applied(family, own, str(settings.file), file)


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
        recognise=(*(rule_of(code, (), file) for code in own.codes), *family.recognise),
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
    hours, second = result.labour_hours, result.second_side_labour_hours
    for key, what in result.contradictions().items():
        if key in figures:
            raise SettingsError(f"{where}.steps.{step.name}.{key} {what}")
    return replace(
        result,
        labour_hours_low=min(result.labour_hours_low, hours),
        labour_hours_high=max(result.labour_hours_high, hours),
        second_side_labour_hours=None if second is None else min(second, hours),
    )


def _row(section: str, key: str, value: Any, unit: str, source: str, meaning: str) -> dict[str, Any]:
    names = ("section", "key", "value", "unit", "source", "meaning")
    return dict(zip(names, (section, key, value, unit, source, meaning), strict=True))


def _family_rows(name: str, own: FamilySettings, file: str, currency: str) -> list[dict[str, Any]]:
    top = f"faults.{name}"
    figures = [(f"{top}.windows", key, value, WINDOW_UNITS[key]) for key, value in own.windows.items()]
    figures += [(f"{top}.voltage", key, value, "V") for key, value in own.voltage.items()]
    for step, values in own.steps.items():
        units = {"parts_cost": currency}
        figures += [
            (f"{top}.steps.{step}", key, value, units.get(key, "labour hours"))
            for key, value in values.items()
        ]
    rows = [_row(*figure, file, "In place of the family's figure") for figure in figures]
    for number, rule in enumerate((rule_of(code, (), file) for code in own.codes), start=1):
        words = rule.words if rule.spn is None else f"SPN {rule.spn}"
        words += "" if rule.fmi is None else f" FMI {rule.fmi}"
        words += f" ({rule.side})" if rule.side else ""
        words += f", unless {' or '.join(rule.unless)}" if rule.unless else ""
        rows.append(
            _row(f"{top}.codes", f"{rule.field} {number}", words, "", file, "A code of the fleet's own")
        )
    return rows
