"""Reads fault families from TOML files and checks them as a whole.

Shipped families stand in `families/`; a fleet's own folders add families or replace one of the same name. A
file may say `extends = "another-family"`: it then starts from that family's file, tables merged key by key,
lists and values replaced.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path
from typing import Annotated, Any, ClassVar, Literal, Self

from pydantic import AfterValidator, BeforeValidator, ConfigDict, Field

from fleetlog.errors import SettingsError
from fleetlog.faults import failure_modes
from fleetlog.faults.model import (
    OTHER,
    SIDES,
    Cause,
    Evidence,
    FamilyHead,
    FaultFamily,
    Hazard,
    Match,
    Opening,
    Part,
    Rule,
    SideWord,
    Step,
)
from fleetlog.faults.reading import (
    A_PATTERN,
    NAME,
    VARIANT,
    Patterns,
    Positive,
    Text,
    Whole,
    Words,
    can_fit,
    hint,
    json_schema,
    known_key,
    lacking,
    named,
    parsed,
    read_toml,
    refuse,
    shown,
)

SHIPPED = Path(__file__).resolve().parent / "families"

RESULTS = ("passed", "failed")
OUTCOMES = {
    "failure_mode": (*failure_modes.GROUPS, OTHER),
    "voltage": ("normal", "steady_offset", "wanders", "cannot_be_centred", "near_zero_or_supply"),
    "sides": ("one", "both"),
}
_SPECIAL = ".variants."


def load_families(extra_folders: Sequence[Path] = ()) -> dict[str, FaultFamily]:
    """Every fault family in force, by name in alphabetical order.

    Args:
        extra_folders: folders with a fleet's own `*.toml` families, read in the order given, files by name;
            a family of the same name replaces an earlier one.

    Raises:
        SettingsError: a line for each mistake of a file: the file, the key and what is allowed.
    """
    shipped = _shipped()
    raw, families = dict(shipped[0]), dict(shipped[1])
    for folder in extra_folders:
        _read(folder, raw, families)
    return dict(sorted(families.items()))


@cache
def _shipped() -> tuple[dict[str, dict[str, Any]], dict[str, FaultFamily]]:
    """The families that come with the program, as written and as read; they do not change while it runs."""
    raw: dict[str, dict[str, Any]] = {}
    families: dict[str, FaultFamily] = {}
    _read(SHIPPED, raw, families)
    return raw, families


def _read(folder: Path, raw: dict[str, dict[str, Any]], families: dict[str, FaultFamily]) -> None:
    """Adds the families of a folder to those read before it."""
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


def _checked_part(part: Part) -> Part:
    if part.part_of == part.component:
        raise refuse("cannot be the part itself", "part_of")
    if part.service_variant not in ("", *part.known_variants):
        near = hint(part.service_variant, part.known_variants)
        raise refuse(f"cannot be {shown(part.service_variant)}; {near}", "service_variant")
    return part


def _filled_step(table: Any) -> Any:
    """The step's table with what follows from its other keys where it is left out."""
    if not isinstance(table, dict):
        return table
    hours, after = table.get("labour_hours"), table.get("after", "")
    usual: dict[str, Any] = {"after_result": "failed"} if after else {}
    if isinstance(hours, int | float) and hours >= 0:
        usual |= {"labour_hours_low": hours, "labour_hours_high": hours}
    return usual | table


def _checked_step(step: Step) -> Step:
    for key, what in step.contradictions().items():
        raise refuse(what, key)
    if step.kind == "inspect" and step.cures:
        raise refuse('must be left out where kind is "inspect": looking cures nothing', "cures")
    if step.kind == "cure" and not step.cures:
        raise refuse('must name at least one cause where kind is "cure"', "cures")
    return replace(step, matches=(Match(step.component, step.action), *step.matches))


def _apart(tables: Any) -> Any:
    """Tables by cause, those of its `variants` beside it, each by its whole name."""
    if not isinstance(tables, dict):
        return tables
    flat = {}
    for cause, table in tables.items():
        variants = table.get("variants", {}) if isinstance(table, dict) else {}
        flat[cause] = {key: one for key, one in table.items() if key != "variants"} if variants else table
        if not isinstance(variants, dict):
            flat[f"{cause}.variants"] = variants
            continue
        flat |= {f"{cause}{_SPECIAL}{variant}": one for variant, one in variants.items()}
    return flat


def _hazards(tables: Any) -> Any:
    """The tables apart, each with its names; that of a variant has the source of its cause."""
    apart = _apart(tables)
    for name, table in apart.items() if isinstance(apart, dict) else ():
        if isinstance(table, dict):
            cause, _, variant = name.partition(_SPECIAL)
            usual = (
                {"source": apart[cause].get("source", "")}
                if variant and isinstance(apart[cause], dict)
                else {}
            )
            apart[name] = {**usual, **table, NAME: cause, VARIANT: variant}
    return apart


@dataclass(frozen=True)
class RuleTable:
    """A rule as a file writes it: by SPN (and FMI), by the maker's code text, or by a text's words."""

    spn: Annotated[Whole, Field(ge=0, le=2**19 - 1)] | None = None
    fmi: Annotated[Whole, Field(ge=0, le=31)] | None = None
    code: Text | None = None
    words: Text | None = None
    unless: Patterns = ()
    side: Literal["", "left", "right"] = ""

    @property
    def looks_at(self) -> str:
        """What of a report it is compared with: by the one key that says it, unless a family names it."""
        ways = [key for key in ("spn", "code", "words") if getattr(self, key) is not None]
        if len(ways) != 1:
            raise refuse(
                "must have exactly one of spn (with or without fmi), code, words;"
                f" it has {' and '.join(ways) or 'none'}"
            )
        return "description" if ways == ["words"] else ways[0]

    def checked(self) -> Self:
        """The rule itself; refuses a key that it has no use for, and the lack of one that it needs."""
        kind = self.looks_at
        own = {"spn": ("spn", "fmi"), "code": ("code",) if self.code else ("words",)}.get(
            kind, ("words", "unless")
        )
        for key in ("spn", "fmi", "code", "words", "unless"):
            if key not in own and getattr(self, key) not in (None, ()):
                raise refuse(f"is not a known key of a rule by {kind}; {hint(key, (*own, 'side'))}", key)
        if getattr(self, own[0]) is None:
            raise lacking(own[0])
        if "unless" in own and not can_fit(self.words or ""):
            raise refuse(f"must be {A_PATTERN}, not {shown(self.words)}", "words")
        return self


@dataclass(frozen=True, kw_only=True)
class FamilyRule(RuleTable):
    """A rule of a family, which says what it looks at."""

    field: Literal["spn", "code", "description", "complaint"]

    @property
    def looks_at(self) -> str:
        """Its field."""
        return self.field


def rule_of(rule: RuleTable, common: tuple[str, ...], source: str) -> Rule:
    """The rule as recognition knows it; `common` are the patterns that deny every rule by a text."""
    by_text = rule.looks_at in ("description", "complaint")
    unless = tuple(dict.fromkeys((*common, *rule.unless))) if by_text else ()
    words = (rule.code or rule.words or "").lower()
    return Rule(rule.looks_at, rule.spn, rule.fmi, words, rule.side, unless, source)


@dataclass(frozen=True, kw_only=True)
class Recognise:
    """[recognise]: how the fault is known, and what denies every rule by a text."""

    unless: Patterns = ()
    rules: tuple[Annotated[FamilyRule, AfterValidator(FamilyRule.checked)], ...] = ()


@dataclass(frozen=True, kw_only=True)
class EvidenceTable:
    """[evidence.<name>]: how often what is seen under each cause, by its variants where that matters."""

    title: Text
    source: Text
    outcomes: Words = ()
    counts: Annotated[dict[str, dict[str, Positive]], BeforeValidator(_apart)]


@dataclass(frozen=True, kw_only=True)
class FamilyFile(FamilyHead):
    """A family as its file writes it."""

    __pydantic_config__: ClassVar = ConfigDict(extra="forbid", allow_inf_nan=False)

    parts: Annotated[dict[str, Annotated[Part, AfterValidator(_checked_part)]], BeforeValidator(named)] = (
        field(default_factory=dict)
    )
    recognise: Recognise
    side_words: Mapping[Annotated[str, known_key(SIDES)], Patterns] = field(default_factory=dict)
    causes: Annotated[dict[str, Cause], BeforeValidator(named)]
    steps: Annotated[
        dict[str, Annotated[Step, BeforeValidator(_filled_step), AfterValidator(_checked_step)]],
        BeforeValidator(named),
    ]
    openings: Annotated[dict[str, Opening], BeforeValidator(named)] = field(default_factory=dict)
    evidence: dict[str, EvidenceTable] = field(default_factory=dict)
    hazards: Annotated[dict[str, Hazard], BeforeValidator(_hazards)]


@cache
def family_schema() -> dict[str, Any]:
    """The JSON Schema of a family's file, as editors want it."""
    schema = json_schema(FamilyFile)
    schema["title"] = "Fault family"
    schema["properties"]["extends"] = {
        "type": "string",
        "description": "The family that this one starts from.",
    }
    tables = schema["$defs"]
    hazard = tables["Hazard"]
    special = {**hazard, "properties": {**hazard["properties"]}, "required": ["scale_hours"]}
    hazard["properties"]["variants"] = _by_variant(special)
    row = tables["EvidenceTable"]["properties"]["counts"]["additionalProperties"]
    row["properties"] = {"variants": _by_variant(dict(row))}
    return schema


def _by_variant(table: dict[str, Any]) -> dict[str, Any]:
    return {"type": "object", "additionalProperties": table}


def parse_family(data: Mapping[str, Any], file: str) -> FaultFamily:
    """One family from the content of its file.

    Args:
        data: the TOML document.
        file: how messages and rules name the file.

    Raises:
        SettingsError: see `load_families`.
    """
    read: FamilyFile = parsed(FamilyFile, data, file, family_schema)
    mistakes = [f"{file}: {one}" for one in _mistakes(read)]
    if mistakes:
        raise SettingsError("\n".join(mistakes))
    by_cause = (hazard for cause in read.causes for hazard in read.hazards.values() if hazard.cause == cause)
    words = (SideWord(pattern, side) for side in SIDES for pattern in read.side_words.get(side, ()))
    tables: dict[str, Any] = {
        "parts": tuple(read.parts.values()),
        "recognise": tuple(rule_of(one, read.recognise.unless, file) for one in read.recognise.rules),
        "side_words": tuple(words),
        "causes": tuple(read.causes.values()),
        "steps": tuple(sorted(read.steps.values(), key=lambda step: step.order)),
        "openings": tuple(read.openings.values()),
        "evidence": tuple(_evidence(name, table, read) for name, table in read.evidence.items()),
        "hazards": tuple(by_cause),
    }
    return FaultFamily(**{**vars(read), **tables, "file": file})


def _evidence(name: str, table: EvidenceTable, read: FamilyFile) -> Evidence:
    outcomes = _outcomes(name, table)
    counts = {key: tuple(row[outcome] for outcome in outcomes) for key, row in table.counts.items()}
    special = {key: row for key, row in counts.items() if _SPECIAL in key}
    return Evidence(
        name=name,
        title=table.title,
        step=name if name in read.steps else "",
        outcomes=outcomes,
        counts={cause: counts[cause] for cause in read.causes},
        by_variant={
            (cause, variant): row
            for key, row in special.items()
            for cause, _, variant in [key.partition(_SPECIAL)]
        },
        source=table.source,
    )


def _outcomes(name: str, table: EvidenceTable) -> tuple[str, ...]:
    return table.outcomes if name == "failure_mode" else OUTCOMES.get(name, RESULTS)


def _mistakes(read: FamilyFile) -> Iterator[str]:
    """What no table can know by itself, a sentence each without the file."""
    if len(read.causes) < 2:
        yield "causes must hold at least two, else there is nothing to tell apart"
        return
    if not read.steps:
        yield "steps must name at least one step a shop can take"
        return
    yield from _of_causes(read)
    for name in read.openings:
        if all(step.opening != name for step in read.steps.values()):
            yield f"openings.{name} must be left out: no step is done in it"
    yield from _of_steps(read)
    yield from _of_recognition(read)
    yield from _of_rows("hazards", read.hazards, read)
    for name, table in read.evidence.items():
        if name not in (*OUTCOMES, *read.steps):
            yield f"evidence.{name} is not a kind of evidence; {hint(name, (*OUTCOMES, *read.steps))}"
        else:
            yield from _of_evidence(name, table, read)
    if "voltage" in read.evidence and read.voltage is None:
        yield "evidence.voltage needs the table [voltage], which says how readings are sorted"
    if "sides" in read.evidence and len(read.sides) < 2:
        yield 'evidence.sides needs sides = ["left", "right"]'


def _variants(cause: str, read: FamilyFile) -> tuple[str, ...]:
    """The variants that the component of a cause is known to have."""
    part = read.parts.get(read.causes[cause].component)
    return part.known_variants if part is not None else ()


def _of_causes(read: FamilyFile) -> Iterator[str]:
    for name, cause in read.causes.items():
        known = _variants(name, read)
        for variant in cause.prior:
            if variant not in ("", *known):
                near = hint(variant, ("otherwise", *known))
                yield f"causes.{name}.prior.{variant} is not a known key; {near}"


def _of_steps(read: FamilyFile) -> Iterator[str]:
    hurting = [name for name, step in read.steps.items() if step.cautions]
    if hurting and not read.cautions:
        yield f"cautions must not be empty: the step {hurting[0]} can hurt someone"
    orders = [step.order for step in read.steps.values()]
    if len(set(orders)) != len(orders):
        yield "steps have the same order twice; number them from 1, cheapest first"
    taken: dict[Match, str] = {}
    for name, step in read.steps.items():
        where = f"steps.{name}"
        for match in step.matches:
            if match in taken:
                key = "also" if match != step.matches[0] else "action"
                yield (
                    f"{where}.{key} {match.component}/{match.action} is already the step {taken[match]};"
                    " a work line must be one step only"
                )
            taken.setdefault(match, name)
        for cause in step.cures:
            if cause not in read.causes:
                yield f"{where}.cures.{cause} is not a cause of this family; {hint(cause, read.causes)}"
        for finding, cause in step.confirms.items():
            if cause not in read.causes:
                yield f"{where}.confirms.{finding} cannot be {shown(cause)}; {hint(cause, read.causes)}"
        others = [other for other in read.steps if other != name]
        if step.after not in ("", *others):
            yield f"{where}.after cannot be {shown(step.after)}; {hint(step.after, others)}"
        # Work that can hurt someone is never recommended without a word of caution.
        if step.opens_pump and not step.cautions:
            yield f"{where}.cautions must be true where opens_pump is"
        yield from _of_order(where, step, read)


def _of_order(where: str, step: Step, read: FamilyFile) -> Iterator[str]:
    """Mistakes in what comes before a step, and in the opening that it is done in."""
    for key in ("only_after", "only_after_any"):
        for other in getattr(step, key):
            if other not in read.steps or read.steps[other].order >= step.order:
                earlier = [name for name, one in read.steps.items() if one.order < step.order]
                yield f"{where}.{key} cannot contain {shown(other)}: no step of lower order; {hint(other, earlier)}"
    looks = [name for name, one in read.steps.items() if one.kind == "inspect" and name != step.name]
    if step.deeper_than and (step.kind != "inspect" or step.deeper_than not in looks):
        yield f"{where}.deeper_than must be left out, or both be looks; {hint(step.deeper_than, looks)}"
    if step.helps_again and step.kind != "cure":
        yield f'{where}.helps_again must be left out where kind is not "cure"'
    if not step.opening:
        return
    opening = read.openings.get(step.opening)
    if opening is None or step.kind != "cure":
        yield f"{where}.opening must be left out, or name that of a cure; {hint(step.opening, read.openings)}"
    elif step.labour_hours < opening.labour_hours:
        yield f"{where}.labour_hours must be at least those of its opening, {opening.labour_hours:g}"


def _of_recognition(read: FamilyFile) -> Iterator[str]:
    if not read.recognise.rules:
        yield "recognise.rules must hold at least one rule, else no code can be recognised"
    for number, rule in enumerate(read.recognise.rules, start=1):
        if rule.side not in ("", *read.sides):
            yield f"recognise.rules[{number}].side must be left out: the family has no sides"
    seen: dict[str, str] = {}
    for side, patterns in read.side_words.items():
        if side not in read.sides:
            yield f"side_words.{side} must be left out: the family has no sides"
        for pattern in patterns:
            if seen.setdefault(pattern, side) != side:
                yield f"side_words.{side} contains {shown(pattern)}, which also names the other side"


def _of_rows(where: str, rows: Mapping[str, Any], read: FamilyFile) -> Iterator[str]:
    """Mistakes in the names of tables that stand by cause and variant."""
    for cause in read.causes:
        if cause not in rows:
            yield f"the table [{where}] lacks the key {cause}; add it"
    for name in rows:
        cause, _, variant = name.partition(_SPECIAL)
        if cause not in read.causes:
            yield f"{where}.{name} is not a known key; {hint(cause, read.causes)}"
        elif variant and variant not in _variants(cause, read):
            near = hint(variant, _variants(cause, read))
            yield f"{where}.{name}: {variant} is not a variant of the component of {cause}; {near}"


def _of_evidence(name: str, table: EvidenceTable, read: FamilyFile) -> Iterator[str]:
    where, outcomes = f"evidence.{name}", _outcomes(name, table)
    if name == "failure_mode" and not table.outcomes:
        yield f"the table [{where}] lacks the key outcomes; add it"
        return
    if name != "failure_mode" and table.outcomes:
        yield f"{where}.outcomes must be left out: what can be seen there is fixed"
    unknown = [outcome for outcome in outcomes if outcome not in OUTCOMES.get(name, outcomes)]
    if unknown:
        yield f"{where}.outcomes cannot contain {shown(unknown[0])}; {hint(unknown[0], OUTCOMES[name])}"
        return
    yield from _of_rows(f"{where}.counts", table.counts, read)
    for key, row in table.counts.items():
        for outcome in outcomes:
            if outcome not in row:
                yield f"the table [{where}.counts.{key}] lacks the key {outcome}; add it"
        for outcome in row:
            if outcome not in outcomes:
                yield f"{where}.counts.{key}.{outcome} is not a known key; {hint(outcome, outcomes)}"
