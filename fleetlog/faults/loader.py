"""Reads fault families from TOML files and checks them as a whole.

Shipped families stand in `families/`; a fleet's own folders add families or replace one of the same name. A
file may say `extends = "another-family"`: it then starts from that family's file, tables merged key by key,
lists and values replaced.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import fields
from pathlib import Path
from typing import Any

from fleetlog.errors import SettingsError
from fleetlog.faults import failure_modes
from fleetlog.faults.hold import HoldRules, ReleaseItem
from fleetlog.faults.model import (
    OTHER,
    SIDES,
    STEP_HOURS,
    VOLTAGE_FIGURES,
    WINDOW_UNITS,
    Cause,
    Comeback,
    Evidence,
    FaultFamily,
    Hazard,
    Match,
    Part,
    Rule,
    SideWord,
    Step,
    Texts,
    Voltage,
    Windows,
)
from fleetlog.faults.reading import Section, hint, read_toml, shown

SHIPPED = Path(__file__).resolve().parent / "families"

RULE_FIELDS = ("spn", "code", "description", "complaint")
STEP_KINDS = ("inspect", "cure")
RESULTS = ("passed", "failed")
CONTROLS = ("electronic_joystick", "manual")
VOLTAGE_PATTERNS = ("normal", "steady_offset", "wanders", "cannot_be_centred", "near_zero_or_supply")
SIDE_OUTCOMES = ("one", "both")
MAX_SPN = 2**19 - 1


def load_families(extra_folders: Sequence[Path] = ()) -> dict[str, FaultFamily]:
    """Every fault family in force, by name in alphabetical order.

    Args:
        extra_folders: folders with a fleet's own `*.toml` families, read in the order given, files by name;
            a family of the same name replaces an earlier one.

    Raises:
        SettingsError: one sentence naming the file, the key and what is allowed, for the first mistake found.
    """
    raw: dict[str, dict[str, Any]] = {}
    families: dict[str, FaultFamily] = {}
    for folder in (SHIPPED, *extra_folders):
        if not folder.is_dir():
            raise SettingsError(f"{folder}: there is no such folder of fault families; check faults.folders")
        seen: dict[str, str] = {}
        for path in sorted(folder.glob("*.toml")):
            label = path.name if folder == SHIPPED else str(path)
            data = _extended(read_toml(path), raw, label)
            family = parse_family(data, label)
            if family.name in seen:
                raise SettingsError(
                    f'{label}: name "{family.name}" is already that of {seen[family.name]}; give it another'
                )
            seen[family.name] = label
            raw[family.name] = data
            families[family.name] = family
    return dict(sorted(families.items()))


def _extended(data: dict[str, Any], known: Mapping[str, dict[str, Any]], file: str) -> dict[str, Any]:
    """The file's content on top of that of the family it extends, if it says so."""
    if "extends" not in data:
        return data
    base = data["extends"]
    if not isinstance(base, str) or base not in known:
        raise SettingsError(
            f"{file}: extends must name a family read before this file, not {shown(base)};"
            f" {hint(str(base), known)}"
        )
    merged = merge(known[base], data)
    del merged["extends"]
    return merged


def merge(base: Mapping[str, Any], over: Mapping[str, Any]) -> dict[str, Any]:
    """`over` laid on `base`: tables merge key by key, everything else is replaced; neither is changed."""
    result = dict(base)
    for key, value in over.items():
        below = result.get(key)
        result[key] = merge(below, value) if isinstance(below, dict) and isinstance(value, dict) else value
    return result


def parse_family(data: Mapping[str, Any], file: str) -> FaultFamily:
    """One family from the content of its file.

    Args:
        data: the TOML document.
        file: how messages and rules name the file.

    Raises:
        SettingsError: see `load_families`.
    """
    top = Section(data, file)
    name = top.text("name", empty=False)
    if name != name.lower() or not name.replace("-", "").isalnum():
        raise top.problem("name", f"must be lower-case words joined by dashes, not {shown(name)}")
    sides = _sides(top, "sides")
    parts = _parts(top.section("parts", optional=True))
    causes = _causes(top.section("causes"), parts)
    cause_names = [cause.name for cause in causes]
    steps = _steps(top.section("steps"), cause_names)
    family = FaultFamily(
        name=name,
        title=top.text("title", empty=False),
        summary=top.text("summary", empty=False),
        source=top.text("source", empty=False),
        machine_types=top.texts("machine_types", ()),
        control=top.texts("control", (), one_of=CONTROLS),
        sides=sides,
        parts=parts,
        recognise=_rules(top.section("recognise"), file, sides),
        side_words=_side_words(top.section("side_words", optional=True), sides),
        causes=causes,
        steps=steps,
        evidence=_evidence(top.section("evidence", optional=True), causes, steps),
        hazards=_hazards(top.section("hazards"), cause_names),
        comeback=_comeback(top.section("comeback")),
        windows=_windows(top.section("windows")),
        voltage=_voltage(top.section("voltage")) if top.has("voltage") else None,
        cautions=top.texts("cautions", ()),
        file=file,
        texts=_texts(top.section("texts", optional=True)),
        hold=_hold(top.section("hold", optional=True)) if top.has("hold") else None,
    )
    top.done()
    _check_whole(top, family)
    return family


def _sides(section: Section, key: str) -> tuple[str, ...]:
    """("left", "right"), or ("",) where the key is absent or an empty list."""
    sides: tuple[str, ...] = section.texts(key, (), one_of=SIDES)
    if sides and sides != SIDES:
        raise section.problem(key, 'must be ["left", "right"], or left out where the machine has only one')
    return sides or ("",)


def _parts(section: Section) -> tuple[Part, ...]:
    parts = []
    for component, table in section.named_sections():
        known = table.texts("known_variants", ())
        parts.append(
            Part(
                component=component,
                sides=_sides(table, "sides"),
                part_of=table.text("part_of", ""),
                known_variants=known,
                service_variant=table.text("service_variant", "", one_of=("", *known)),
                failure_findings=table.texts("failure_findings"),
                source=table.text("source", empty=False),
            )
        )
        if parts[-1].part_of == component:
            raise table.problem("part_of", "cannot be the part itself")
        table.done()
    return tuple(parts)


def _causes(section: Section, parts: Sequence[Part]) -> tuple[Cause, ...]:
    variants = {part.component: part.known_variants for part in parts}
    causes = []
    for name, table in section.named_sections():
        component = table.text("component", "")
        causes.append(
            Cause(
                name=name,
                title=table.text("title", empty=False),
                component=component,
                prior=_prior(table, variants.get(component, ())),
                source=table.text("source", empty=False),
            )
        )
        table.done()
    if len(causes) < 2:
        raise SettingsError(
            f"{section.file}: causes must hold at least two, else there is nothing to tell apart"
        )
    return tuple(causes)


def _prior(table: Section, variants: Sequence[str]) -> dict[str, float]:
    """A plain number, or a table of numbers by variant with `otherwise` for the rest."""
    if not isinstance(table.data.get("prior"), dict):
        return {"": table.number("prior", above=0)}
    weights = table.section("prior")
    prior = {"": weights.number("otherwise", above=0)}
    prior |= {variant: weights.number(variant, above=0) for variant in variants if weights.has(variant)}
    for variant in variants:
        weights.asked.add(variant)
    weights.done()
    return prior


def _steps(section: Section, causes: Sequence[str]) -> tuple[Step, ...]:
    steps = []
    names = list(section.data)
    taken: dict[Match, str] = {}
    for name, table in section.named_sections():
        step = _step(name, table, causes, names)
        for match in step.matches:
            if match in taken:
                raise table.problem(
                    "also" if match != step.matches[0] else "action",
                    f"{match.component}/{match.action} is already the step {taken[match]};"
                    " a work line must be one step only",
                )
            taken[match] = name
        steps.append(step)
    if not steps:
        raise SettingsError(f"{section.file}: steps must name at least one step a shop can take")
    orders = [step.order for step in steps]
    if len(set(orders)) != len(orders):
        raise SettingsError(
            f"{section.file}: steps have the same order twice; number them from 1, cheapest first"
        )
    return tuple(sorted(steps, key=lambda step: step.order))


def _step(name: str, table: Section, causes: Sequence[str], names: Sequence[str]) -> Step:
    component, action = table.text("component", empty=False), table.text("action", empty=False)
    hours = table.number("labour_hours", at_least=0)
    cures = _chances(table.section("cures", optional=True), causes)
    confirms = table.section("confirms", optional=True)
    after = table.text("after", "", one_of=("", *(other for other in names if other != name)))
    source = table.text("source", empty=False)
    step = Step(
        name=name,
        title=table.text("title", empty=False),
        component=component,
        action=action,
        matches=(Match(component, action), *_also(table)),
        order=table.whole("order", at_least=1),
        labour_hours=hours,
        labour_hours_low=table.number("labour_hours_low", hours, at_least=0, at_most=hours),
        labour_hours_high=table.number("labour_hours_high", hours, at_least=hours),
        parts_cost=table.number("parts_cost", 0.0, at_least=0),
        cures=cures,
        kind=table.text("kind", one_of=STEP_KINDS),
        opens_pump=table.flag("opens_pump", False),
        second_side_labour_hours=table.number("second_side_labour_hours", None, at_least=0, at_most=hours),
        confirms={finding: confirms.text(finding, one_of=causes) for finding in confirms.data},
        after=after,
        after_result=table.text("after_result", "failed" if after else "", one_of=("", *RESULTS)),
        cautions=table.flag("cautions", False),
        notes=table.texts("notes", ()),
        source=source,
        sources=_sources(table, (*STEP_HOURS, "parts_cost", "cures", "order")),
    )
    if step.kind == "inspect" and step.cures:
        raise table.problem("cures", 'must be left out where kind is "inspect": looking cures nothing')
    if step.kind == "cure" and not step.cures:
        raise table.problem("cures", 'must name at least one cause where kind is "cure"')
    table.done()
    return step


def _also(table: Section) -> list[Match]:
    matches = []
    for pair in table.texts("also", ()):
        component, slash, action = pair.partition("/")
        if not (component and slash and action):
            raise table.problem("also", f'must list pairs such as "wiring/clean", not {shown(pair)}')
        matches.append(Match(component, action))
    return matches


def _chances(section: Section, causes: Sequence[str]) -> dict[str, float]:
    chances = {}
    for cause in section.data:
        if cause not in causes:
            raise section.problem(cause, f"is not a cause of this family; {hint(cause, causes)}")
        chances[cause] = section.number(cause, at_least=0, at_most=1)
    return chances


def _sources(table: Section, figures: Iterable[str]) -> dict[str, str]:
    """Figures of the table that come from elsewhere than its `source`."""
    section = table.section("sources", optional=True)
    result = {key: section.text(key, empty=False) for key in figures if section.has(key)}
    section.asked.update(figures)
    section.done()
    return result


def _rules(section: Section, file: str, sides: Sequence[str]) -> tuple[Rule, ...]:
    common = _patterns(section, "unless")
    rules = [
        read_rule(table, table.text("field", one_of=RULE_FIELDS), common, sides, file)
        for table in section.sections("rules")
    ]
    if not rules:
        raise SettingsError(
            f"{file}: recognise.rules must hold at least one rule, else no code can be recognised"
        )
    section.done()
    return tuple(rules)


def read_rule(table: Section, field: str, common: tuple[str, ...], sides: Sequence[str], source: str) -> Rule:
    """One rule of a family's file or of a fleet's settings; `field` says which of its keys is asked for."""
    spn: int | None = None
    fmi: int | None = None
    words = ""
    unless: tuple[str, ...] = ()
    if field == "spn":
        spn = table.whole("spn", at_least=0, at_most=MAX_SPN)
        fmi = table.whole("fmi", None, at_least=0, at_most=31)
    elif field == "code":
        words = table.text("code" if table.has("code") else "words", empty=False).lower()
    else:
        words = _pattern(table, "words", table.text("words", empty=False))
        own = _patterns(table, "unless")
        unless = (*common, *(pattern for pattern in own if pattern not in common))
    side = table.text("side", "", one_of=("", *(side for side in sides if side)))
    table.done()
    return Rule(field, spn, fmi, words, side, unless, source)


def _patterns(section: Section, key: str) -> tuple[str, ...]:
    return tuple(_pattern(section, key, pattern) for pattern in section.texts(key, ()))


def _pattern(section: Section, key: str, pattern: str) -> str:
    """A LIKE pattern that can fit: lower case, and more than wildcards."""
    if pattern != pattern.lower() or not pattern.strip("%_ "):
        raise section.problem(
            key, f'must be a lower-case pattern such as "%return to neutral%", not {shown(pattern)}'
        )
    return pattern


def _side_words(section: Section, sides: Sequence[str]) -> tuple[SideWord, ...]:
    words = [SideWord(pattern, side) for side in sides if side for pattern in _patterns(section, side)]
    section.done()
    seen: dict[str, str] = {}
    for pattern, side in words:
        if seen.setdefault(pattern, side) != side:
            raise section.problem(side, f"contains {shown(pattern)}, which also names the other side")
    return tuple(words)


def _evidence(section: Section, causes: Sequence[Cause], steps: Sequence[Step]) -> tuple[Evidence, ...]:
    step_names = [step.name for step in steps]
    fixed = {
        "failure_mode": (*failure_modes.GROUPS, OTHER),
        "voltage": VOLTAGE_PATTERNS,
        "sides": SIDE_OUTCOMES,
    }
    tables = []
    for name, table in section.named_sections():
        if name not in fixed and name not in step_names:
            raise section.problem(name, f"is not a kind of evidence; {hint(name, (*fixed, *step_names))}")
        step = name if name in step_names else ""
        outcomes: tuple[str, ...]
        outcomes = (
            table.texts("outcomes", one_of=fixed[name])
            if name == "failure_mode"
            else fixed.get(name, RESULTS)
        )
        counts: dict[str, tuple[float, ...]] = {}
        by_variant: dict[tuple[str, str], tuple[float, ...]] = {}
        rows = table.section("counts")
        for cause in causes:
            row = rows.section(cause.name)
            counts[cause.name] = _counts(row, outcomes)
            for variant, special in row.section("variants", optional=True).named_sections():
                by_variant[cause.name, variant] = _counts(special, outcomes)
                special.done()
            row.done()
        rows.done()
        title, source = table.text("title", empty=False), table.text("source", empty=False)
        tables.append(Evidence(name, title, step, outcomes, counts, by_variant, source))
        table.done()
    return tuple(tables)


def _counts(section: Section, outcomes: Sequence[str]) -> tuple[float, ...]:
    """Pseudo-counts above zero, one an outcome: nothing is impossible."""
    return tuple(section.number(outcome, above=0) for outcome in outcomes)


def _hazards(section: Section, causes: Sequence[str]) -> tuple[Hazard, ...]:
    hazards = []
    for cause in causes:
        table = section.section(cause)
        general = _hazard(cause, "", table)
        hazards.append(general)
        for variant, special in table.section("variants", optional=True).named_sections():
            hazards.append(_hazard(cause, variant, special, general.source))
            special.done()
        table.done()
    section.done()
    return tuple(hazards)


def _hazard(cause: str, variant: str, table: Section, source: str = "") -> Hazard:
    return Hazard(
        cause=cause,
        variant=variant,
        shape=table.number("shape", 1.0, above=0, at_most=20),
        scale_hours=table.number("scale_hours", above=0),
        prior_failures=table.number("prior_failures", 5.0, above=0),
        source=table.text("source", source, empty=False) if source else table.text("source", empty=False),
    )


def _comeback(section: Section) -> Comeback:
    comeback = Comeback(
        mean_hours=section.number("mean_hours", above=0),
        background_mean_hours=section.number("background_mean_hours", above=0),
        quiet_chance=section.number("quiet_chance", at_least=0, below=1),
        mislabelled=section.number("mislabelled", at_least=0, below=0.5),
        source=section.text("source", empty=False),
    )
    section.done()
    return comeback


def _windows(section: Section) -> Windows:
    values = {key: section.number(key, above=0) for key in WINDOW_UNITS}
    windows = Windows(
        **values, source=section.text("source", empty=False), sources=_sources(section, WINDOW_UNITS)
    )
    section.done()
    return windows


def _voltage(section: Section) -> Voltage:
    target = section.number("target")
    voltage = Voltage(
        quantity=section.text("quantity", empty=False),
        unit=section.text("unit", empty=False),
        target=target,
        tolerance=section.number("tolerance", above=0),
        near_zero=section.number("near_zero", below=target),
        near_supply=section.number("near_supply", above=target),
        wander=section.number("wander", above=0),
        source=section.text("source", empty=False),
        sources=_sources(section, VOLTAGE_FIGURES),
    )
    section.done()
    return voltage


def _texts(section: Section) -> Texts:
    usual = Texts()
    texts = Texts(
        **{one.name: section.text(one.name, getattr(usual, one.name), empty=False) for one in fields(Texts)}
    )
    section.done()
    return texts


def _hold(section: Section) -> HoldRules:
    items = []
    for table in section.sections("release"):
        items.append(ReleaseItem(table.text("item", empty=False), table.text("title", empty=False)))
        table.done()
    rules = HoldRules(
        danger=section.text("danger", empty=False),
        instruction=section.text("instruction", empty=False),
        words=_patterns(section, "words"),
        unless=_patterns(section, "unless"),
        release=tuple(items),
        told_days=section.whole("told_days", HoldRules.told_days),
        source=section.text("source", HoldRules.source),
    )
    section.done()
    return rules


def _check_whole(top: Section, family: FaultFamily) -> None:
    """What no table can know by itself."""
    evidence = {table.name for table in family.evidence}
    if "voltage" in evidence and family.voltage is None:
        raise top.problem("evidence.voltage", "needs the table [voltage], which says how readings are sorted")
    if "sides" in evidence and len(family.sides) < 2:
        raise top.problem("evidence.sides", 'needs sides = ["left", "right"]')
    variants = {part.component: part.known_variants for part in family.parts}
    for cause, variant in (
        *((hazard.cause, hazard.variant) for hazard in family.hazards if hazard.variant),
        *(key for table in family.evidence for key in table.by_variant),
    ):
        known = variants.get(family.cause(cause).component, ())
        if variant not in known:
            raise SettingsError(
                f"{family.file}: {variant} is not a variant of the component of {cause};"
                f" {hint(variant, known)}"
            )
    # Work that can hurt someone is never recommended without a word of caution.
    for step in family.steps:
        if step.opens_pump and not step.cautions:
            raise top.problem(f"steps.{step.name}.cautions", "must be true where the pump is opened")
        if step.cautions and not family.cautions:
            raise top.problem("cautions", f"must not be empty: the step {step.name} can hurt someone")
