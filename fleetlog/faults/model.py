"""What a fault family is: frozen, typed data, and the few sums that follow from it directly.

Nothing here reads files (see `loader`) or knows a store. Hours are running hours, money is in the fleet's
currency.
"""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Iterator, Mapping
from dataclasses import asdict, dataclass, field
from typing import Annotated, Any, Literal, NamedTuple

from pydantic import AfterValidator, BeforeValidator, Field, PlainValidator

from fleetlog.faults.hold import HoldRules
from fleetlog.faults.reading import (
    NAME,
    VARIANT,
    Chance,
    Flag,
    NotNegative,
    Number,
    Positive,
    Text,
    Words,
    distinct,
    known_key,
    lacking,
    must,
    refuse,
    shown,
)

COMMON_PRACTICE = "common practice, no source"
FROM_MEMORY = "from memory, default"

SIDES = ("left", "right")
OTHER = "other"

STEP_HOURS = ("labour_hours", "labour_hours_low", "labour_hours_high", "second_side_labour_hours")
VOLTAGE_FIGURES = ("target", "tolerance", "near_zero", "near_supply", "wander")
WINDOW_UNITS: Mapping[str, str] = {
    "episode_hours": "running hours",
    "episode_days": "days",
    "calibration_return_hours": "running hours",
    "confirmation_hours": "running hours",
    "comeback_hours": "running hours",
    "answer_days": "days",
}
_HAZARD_UNITS = {"shape": "", "scale_hours": "running hours", "prior_failures": "failures"}
_STEP_UNITS = {
    "order": "",
    **dict.fromkeys(STEP_HOURS, "labour hours"),
    "parts_cost": "currency",
    "helps_again": "share",
}
_COMEBACK_UNITS = {
    **dict.fromkeys(("mean_hours", "background_mean_hours"), "running hours"),
    **dict.fromkeys(("quiet_chance", "mislabelled", "repeat_share"), "probability"),
}
StepFigure = Annotated[str, known_key((*STEP_HOURS, "parts_cost", "cures", "order", "helps_again"))]
VoltageFigure = Annotated[str, known_key(VOLTAGE_FIGURES)]
WindowFigure = Annotated[str, known_key(WINDOW_UNITS)]


def _sides(sides: tuple[str, ...]) -> tuple[str, ...]:
    """("left", "right"), or ("",) where the key is absent or an empty list."""
    if sides not in ((), ("",), SIDES):
        raise refuse('must be ["left", "right"], or left out where the machine has only one')
    return sides or ("",)


def _table_name() -> Any:
    """A field that is the name of the table in a file."""
    return field(metadata={"alias": NAME})


Sides = Annotated[Words, AfterValidator(_sides)]


@dataclass(frozen=True, kw_only=True)
class Part:
    """A part that a machine leaves the factory with and whose lives are followed.

    Attributes:
        component: word of the vocabulary.
        sides: where it sits, ("left", "right") or ("",).
        part_of: the component it comes with: replacing that starts new lives of this part on all sides; ""
            if none.
        known_variants: every variant that data may name, the oldest design first. When which maker went over
            to which, a fleet's settings say.
        service_variant: what a replacement whose variant is not recorded takes; "" if not known.
        told_beside: its variant is told beside the lives of the other parts, to split them by (`sensor_kind`).
        failure_findings: findings on removal that make it a failure; any other removal censors the life.
        source: where the facts come from.
    """

    component: str = _table_name()
    failure_findings: Words
    source: Text
    sides: Sides = ("",)
    part_of: str = ""
    known_variants: Words = ()
    service_variant: str = ""
    told_beside: Flag = False


@dataclass(frozen=True)
class Rule:
    """One way to recognise the fault.

    A rule fits when its `field` fits and none of the `unless` patterns does:
    `spn`: the code's SPN equals `spn`, and its FMI equals `fmi` where that is given;
    `code`: the maker's code text, in lower case, is LIKE `words`;
    `description`, `complaint`: that text, in lower case with one space added at both ends, is LIKE `words`.

    Attributes:
        side: the side it speaks of; "" leaves it to the row's own side, else to the family's `side_words`.
        unless: LIKE patterns on the same text; one that fits denies the fault.
        source: the file the rule comes from.
    """

    field: str
    spn: int | None
    fmi: int | None
    words: str
    side: str
    unless: tuple[str, ...]
    source: str


class SideWord(NamedTuple):
    """A LIKE pattern, for lower-case text with one space added at both ends, and the side it names.

    A text that names both sides names neither.
    """

    pattern: str
    side: str


def _weights(prior: Any) -> Any:
    """A plain number, or a table of numbers by variant with `otherwise` for the rest."""
    if not isinstance(prior, dict):
        return {"": prior}
    if "otherwise" not in prior:
        raise lacking("otherwise")
    return {"" if key == "otherwise" else key: weight for key, weight in prior.items()}


Prior = Annotated[
    Mapping[str, Positive],
    BeforeValidator(_weights, json_schema_input_type=Mapping[str, Positive] | Positive),
]


@dataclass(frozen=True, kw_only=True)
class Cause:
    """Something that can be at the bottom of the fault.

    Attributes:
        component: the part at fault, "" where there is none.
        prior: relative weight before any evidence and without knowing an age, by variant of `component`;
            the key "" holds for every variant not named. Weights of a family need not sum to one.
    """

    name: str = _table_name()
    title: Text
    prior: Prior
    source: Text
    component: str = ""

    def prior_for(self, variant: str) -> float:
        """The weight for a part of this variant ("" = not known)."""
        return self.prior.get(variant, self.prior[""])


class Match(NamedTuple):
    """A work line with this component and action is an attempt at the step."""

    component: str
    action: str


def _pair(text: Any) -> Match:
    component, slash, action = text.partition("/") if isinstance(text, str) else ("", "", "")
    if not (component and slash and action):
        raise refuse(f'must be a pair such as "wiring/clean", not {shown(text)}')
    return Match(component, action)


@dataclass(frozen=True, kw_only=True)
class Step:
    """Something a shop can do about the fault.

    Attributes:
        component, action: how the step is written in a work line.
        matches: every component and action that counts as this step, its own first; one pair, one step.
        order: place in the custom of the trade, from 1.
        labour_hours, labour_hours_low, labour_hours_high: for one side; the plain figure and its usual range.
        parts_cost: for one side.
        cures: chance that the step ends the fault, by cause; a cause not named is not cured by it.
        kind: `inspect` looks, `cure` changes something.
        opens_pump: the engine comes out and the pump is split.
        second_side_labour_hours: what the other side adds while it is open; None = the same again.
        confirms: finding on this step's work line -> the cause that it confirms.
        after, after_result: makes sense only once that step ended so ("" = at any time).
        only_after, only_after_any: guard rails of the trade, however likely a cause is: never proposed before all of
            these, and before any of those, are on record in the case or done on the way.
        deeper_than: the look that this one repeats more thoroughly, once that has found nothing or the repair that it
            called for was in vain; what this one finds calls for the same repair, and that counts afresh.
        helps_again: chance to cure when done once more after it was in vain, as a share of `cures`; 0 = pointless.
        opening: the opening (see `Opening`) whose labour is part of `labour_hours`; "" = needs none.
        cautions: show the family's cautions with it.
        notes: good practice for the work, in sentences.
        tools: what the work needs beside the tools of every workshop; never a value to set or a torque.
        sources: figure -> where it comes from, every figure of the step.
    """

    name: str = _table_name()
    title: Text
    component: Text
    action: Text
    matches: tuple[Annotated[Match, PlainValidator(_pair, json_schema_input_type=str)], ...] = field(
        default=(), metadata={"alias": "also"}
    )
    order: Annotated[int, Field(strict=True, ge=1)]
    labour_hours: NotNegative
    labour_hours_low: NotNegative = 0.0
    labour_hours_high: NotNegative = 0.0
    parts_cost: NotNegative = 0.0
    cures: Mapping[str, Chance] = field(default_factory=dict)
    kind: Literal["inspect", "cure"]
    opens_pump: Flag = False
    second_side_labour_hours: NotNegative | None = None
    confirms: Mapping[str, str] = field(default_factory=dict)
    after: str = ""
    after_result: Literal["", "passed", "failed"] = ""
    only_after: Words = ()
    only_after_any: Words = ()
    deeper_than: str = ""
    helps_again: Chance = 0.0
    opening: str = ""
    cautions: Flag = False
    notes: Words = ()
    tools: Words = ()
    source: Text
    sources: Mapping[StepFigure, Text] = field(default_factory=dict)

    def contradictions(self) -> dict[str, str]:
        """The figures of hours that do not go with `labour_hours`, and what they must be."""
        hours, second = self.labour_hours, self.second_side_labour_hours
        wrong = {
            "labour_hours_low": ("most", self.labour_hours_low > hours),
            "labour_hours_high": ("least", self.labour_hours_high < hours),
            "second_side_labour_hours": ("most", second is not None and second > hours),
        }
        return {key: f"must be at {end} labour_hours, {hours:g}" for key, (end, no) in wrong.items() if no}


@dataclass(frozen=True, kw_only=True)
class Opening:
    """Work that several cures share when they are done in one visit: getting there, and closing up again.

    Attributes:
        title: that work, as the beginning of a proposal.
        labour_hours: of it, part of the `labour_hours` of each of its steps; once for both sides.
        tools: what it needs beside the tools of every workshop.
    """

    name: str = _table_name()
    title: Text
    labour_hours: Positive
    tools: Words = ()
    source: Text


@dataclass(frozen=True, kw_only=True)
class Service:
    """The last resort, which ends every case: it costs as much as the dearest step, and besides:

    Attributes:
        title: as a proposal.
        fee: for coming and finding out, in the fleet's currency.
        wait_days: the machine stands so long until they come.
    """

    title: Text = "Call in the maker's service"
    fee: NotNegative = 1500.0
    wait_days: NotNegative = 5.0
    source: Text = FROM_MEMORY


@dataclass(frozen=True)
class Evidence:
    """What can be observed about a case, and how often under each cause: Dirichlet pseudo-counts.

    Attributes:
        name: `failure_mode`, `voltage`, `sides`, or the name of a step whose result or finding is observed.
        step: that step, "" otherwise. Its outcomes are `passed` and `failed`; a finding that confirms the
            step's cause is `failed`, `no_fault_found` is `passed`.
        outcomes: all that can be seen; an outcome `other` collects everything not named.
        counts: cause -> pseudo-count of each outcome.
        by_variant: (cause, variant of its component) -> pseudo-counts, where the variant matters.
    """

    name: str
    title: str
    step: str
    outcomes: tuple[str, ...]
    counts: Mapping[str, tuple[float, ...]]
    by_variant: Mapping[tuple[str, str], tuple[float, ...]]
    source: str

    def outcome(self, word: str) -> str:
        """`word` as an outcome of this table: itself, else `other`, else "" (says nothing)."""
        if word in self.outcomes:
            return word
        return OTHER if OTHER in self.outcomes and word else ""

    def probability(self, outcome: str, cause: str, variant: str = "") -> float:
        """Mean of the Dirichlet: the chance to see `outcome` when `cause` is at the bottom of the case."""
        counts = self.by_variant.get((cause, variant), self.counts[cause])
        return counts[self.outcomes.index(outcome)] / math.fsum(counts)


@dataclass(frozen=True, kw_only=True)
class Hazard:
    """Default rate at which a cause sets in on one side: Weibull in the age of the cause's component.

    Attributes:
        variant: of that component; "" = every variant not named.
        shape: 1 = constant in age, above 1 = rises with wear.
        scale_hours: age by which 63.2% would have it, in running hours.
        prior_failures: how many confirmed cases this default is worth against the fleet's own.
    """

    cause: str = _table_name()
    variant: str = field(default="", metadata={"alias": VARIANT})
    shape: Annotated[Positive, Field(le=20)] = 1.0
    scale_hours: Positive
    prior_failures: Positive = 5.0
    source: Text

    def per_hour(self, age_hours: float) -> float:
        """The hazard at that age, per running hour (at no less than one hour of age)."""
        age = max(age_hours, 1.0)
        return self.shape / self.scale_hours * math.pow(age / self.scale_hours, self.shape - 1.0)


@dataclass(frozen=True)
class Comeback:
    """How soon a fault that was not cured shows again.

    Attributes:
        mean_hours: mean running hours until the code is back when the cause is still there (exponential).
        background_mean_hours: mean running hours until an unrelated new case, when the cause is gone.
        quiet_chance: chance that a step which cannot cure the cause still silences it for good.
        mislabelled: chance that a confirmed cause is recorded wrongly.
        burst_hours: mean running hours between reports of one burst.
        unrecorded: share of the gaps after a report in which the fault ended and nobody wrote down how.
        blank_order_mends: chance that an order of unknown content, closed since the last report, ended the fault.
        repeat_share: share of its chance to cure that a step has left when it is tried again in the same case.
    """

    mean_hours: Positive
    background_mean_hours: Positive
    quiet_chance: Annotated[NotNegative, Field(lt=1)]
    mislabelled: Annotated[NotNegative, Field(lt=0.5)]
    source: Text
    burst_hours: Positive = 3.0
    unrecorded: Annotated[NotNegative, Field(gt=0, lt=0.4)] = 0.02
    blank_order_mends: Annotated[NotNegative, Field(lt=1)] = 0.5
    repeat_share: Annotated[NotNegative, Field(lt=1)] = 0.2


@dataclass(frozen=True)
class Windows:
    """Lengths that turn events into episodes and outcomes.

    Attributes:
        episode_hours, episode_days: codes stay one episode while the gap is below both.
        calibration_return_hours: a code back sooner than this after a good calibration was not cured by it.
        confirmation_hours: a cause is confirmed when the code stays away this long after its cure.
        comeback_hours: a repair is said to have come back when the fault returns within this.
        answer_days: work within so many days of a report answers it.
    """

    episode_hours: Positive
    episode_days: Positive
    calibration_return_hours: Positive
    confirmation_hours: Positive
    comeback_hours: Positive
    answer_days: Positive
    source: Text
    sources: Mapping[WindowFigure, Text] = field(default_factory=dict)


@dataclass(frozen=True)
class Voltage:
    """The measured signal of the family and how its readings are sorted into patterns.

    Attributes:
        quantity, unit: of the measurements.
        target, tolerance: where a sound reading stands, plus or minus.
        near_zero, near_supply: at or below, at or above these the circuit itself is in doubt.
        wander: a spread between visits above this is more than adjustment.
    """

    quantity: Text
    unit: Text
    target: Number
    tolerance: Positive
    near_zero: Number
    near_supply: Number
    wander: Positive
    source: Text
    sources: Mapping[VoltageFigure, Text] = field(default_factory=dict)


@dataclass(frozen=True)
class Texts:
    """What pages say of the work on this fault, as parts of sentences; the defaults fit any fault.

    Attributes:
        cautions_title: heading of the cautions.
        careful_work: the work that the cautions stand before: "work on a pump".
        custom: the custom of the trade that proposals are measured against, which is the `order` of the steps, in
            two or three words.
        custom_step: the same as what is done: "replacing the sensor before the pump is opened".
        custom_condition: the same as a condition: "the sensor is replaced before the pump is opened".
    """

    cautions_title: Text = "Before anyone begins"
    careful_work: Text = "this work"
    custom: Text = "customary order"
    custom_step: Text = "taking the steps in the customary order"
    custom_condition: Text = "the steps are taken in the customary order"


def _checked_voltage(voltage: Voltage) -> Voltage:
    if voltage.near_zero >= voltage.target:
        raise refuse(f"must be a number below target, {voltage.target:g}", "near_zero")
    if voltage.near_supply <= voltage.target:
        raise refuse(f"must be a number above target, {voltage.target:g}", "near_supply")
    return voltage


def _is_name(name: str) -> bool:
    return name == name.lower() and name.replace("-", "").isalnum()


@dataclass(frozen=True, kw_only=True)
class FamilyHead:
    """What a fault family is in its file and in the program alike.

    Attributes:
        machine_types: ISO 6165 terms of machines that can have it; empty = all.
        control: drive controls that can have it; empty = all. Data that says otherwise is a data error.
        sides: ("left", "right"), or ("",) where a machine has it only once.
    """

    name: Annotated[Text, must("lower-case words joined by dashes", _is_name)]
    title: Text
    summary: Text
    source: Text
    machine_types: Words = ()
    control: Annotated[tuple[Literal["electronic_joystick", "manual"], ...], BeforeValidator(distinct)] = ()
    sides: Sides = ("",)
    comeback: Comeback
    windows: Windows
    voltage: Annotated[Voltage, AfterValidator(_checked_voltage)] | None = None
    cautions: Words = ()
    texts: Texts = field(default_factory=Texts)
    service: Service = field(default_factory=Service)
    hold: HoldRules | None = None


@dataclass(frozen=True, kw_only=True)
class FaultFamily(FamilyHead):
    """The codes, complaints and repairs that belong to one complaint on the machine. See the fields' own types.

    Attributes:
        file: the file it was read from, as messages name it.
    """

    parts: tuple[Part, ...]
    recognise: tuple[Rule, ...]
    side_words: tuple[SideWord, ...]
    causes: tuple[Cause, ...]
    steps: tuple[Step, ...]
    openings: tuple[Opening, ...]
    evidence: tuple[Evidence, ...]
    hazards: tuple[Hazard, ...]
    file: str

    @property
    def words(self) -> dict[str, str]:
        """Cause or step -> its title: what a reader would say."""
        return {
            **{cause.name: cause.title for cause in self.causes},
            **{step.name: step.title for step in self.steps},
        }

    def cause(self, name: str) -> Cause:
        """The cause of that name (KeyError if there is none)."""
        for cause in self.causes:
            if cause.name == name:
                return cause
        raise KeyError(name)

    def step(self, name: str) -> Step:
        """The step of that name (KeyError if there is none)."""
        for step in self.steps:
            if step.name == name:
                return step
        raise KeyError(name)

    @property
    def leading_component(self) -> str | None:
        """The part that questions are about unless another is named: of the first cause that is followed.

        None where the family follows no part.
        """
        followed = {part.component for part in self.parts}
        ordered = [*(cause.component for cause in self.causes), *(part.component for part in self.parts)]
        return next((component for component in ordered if component in followed), None)

    def part(self, component: str) -> Part | None:
        """The part whose lives are followed under that component, if any."""
        return next((part for part in self.parts if part.component == component), None)

    def fresh_variant(self, component: str) -> str:
        """The variant that a replacement of the component brings; "unknown" where the family does not say."""
        part = self.part(component)
        return part.service_variant if part is not None and part.service_variant else "unknown"

    def evidence_table(self, name: str) -> Evidence | None:
        """The evidence of that name, if the family has it."""
        return next((table for table in self.evidence if table.name == name), None)

    def step_for(self, component: str, action: str) -> Step | None:
        """The step that a work line with this component and action is an attempt at."""
        for step in self.steps:
            if Match(component, action) in step.matches:
                return step
        return None

    def reached_by(self, opening: str) -> tuple[str, ...]:
        """The causes that can be seen through an opening: those that its steps' findings confirm."""
        seen = {c for step in self.steps if step.opening == opening for c in step.confirms.values()}
        return tuple(cause.name for cause in self.causes if cause.name in seen)

    def can_have(self, machine_type: str | None, control: str | None) -> bool:
        """Whether such a machine can have the fault; what is not known (None, "") does not exclude it."""
        type_fits = not machine_type or not self.machine_types or machine_type in self.machine_types
        control_fits = not control or not self.control or control in self.control
        return type_fits and control_fits

    def hazard(self, cause: str, variant: str = "") -> Hazard:
        """The default hazard of a cause for that variant of its component (KeyError for an unknown cause)."""
        general = None
        for hazard in self.hazards:
            if hazard.cause == cause and hazard.variant == variant:
                return hazard
            if hazard.cause == cause and hazard.variant == "":
                general = hazard
        if general is None:
            raise KeyError(cause)
        return general

    def chance_back(self, step: Step, cause: str, within_hours: float) -> float:
        """Chance that the fault is back within that many running hours of the step, given its cause.

        An uncured fault returns after an exponential time with mean `comeback.mean_hours`; a cured one only
        as an unrelated new case.
        """
        cured = max(step.cures.get(cause, 0.0), self.comeback.quiet_chance)
        uncured_back = -math.expm1(-within_hours / self.comeback.mean_hours)
        cured_back = -math.expm1(-within_hours / self.comeback.background_mean_hours)
        return (1.0 - cured) * uncured_back + cured * cured_back

    def to_rows(self) -> list[dict[str, Any]]:
        """Every figure of the family, for display: section, key, value, unit, source."""
        return [
            {"section": section, "key": key, "value": value, "unit": unit, "source": _source(table, key)}
            for table, section, figures in _figures(self)
            for key, value, unit in figures
            if value is not None
        ]

    def fingerprint(self) -> str:
        """Stable hash of everything that can change a result: not the file's place, its texts, tools, nor who
        says a figure."""
        content = asdict(self)
        del content["file"], content["texts"]
        for work in (*content["steps"], *content["openings"]):
            del work["tools"]
        text = json.dumps(_plain(content), sort_keys=True, separators=(",", ":"), ensure_ascii=True)
        return hashlib.sha256(text.encode()).hexdigest()


def _plain(value: Any) -> Any:
    """The same content in JSON's own types, without sources; pairs as keys become one text."""
    if isinstance(value, Mapping):
        return {
            "|".join(key) if isinstance(key, tuple) else key: _plain(item)
            for key, item in value.items()
            if key not in ("source", "sources")
        }
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return value


def _source(table: Any, key: str) -> str:
    """Where a figure of a table comes from."""
    own: Mapping[str, str] = getattr(table, "sources", {})
    return str(own.get(key.partition(".")[0], table.source))


def _units(table: Any, units: Mapping[str, str]) -> list[tuple[str, Any, str]]:
    return [(key, getattr(table, key), unit) for key, unit in units.items()]


def _figures(family: FaultFamily) -> Iterator[tuple[Any, str, list[tuple[str, Any, str]]]]:
    """Every table with its section, and key, value and unit of its figures."""
    for cause in family.causes:
        weights = [
            (f"prior.{variant}".rstrip("."), weight, "weight") for variant, weight in cause.prior.items()
        ]
        yield cause, f"causes.{cause.name}", weights
    for hazard in family.hazards:
        yield hazard, f"hazards.{hazard.cause}.{hazard.variant}".rstrip("."), _units(hazard, _HAZARD_UNITS)
    for step in family.steps:
        cures = [(f"cures.{cause}", chance, "probability") for cause, chance in step.cures.items()]
        yield step, f"steps.{step.name}", _units(step, _STEP_UNITS) + cures
    for opening in family.openings:
        yield opening, f"openings.{opening.name}", _units(opening, {"labour_hours": "labour hours"})
    yield family.service, "service", _units(family.service, {"fee": "currency", "wait_days": "days"})
    for table in family.evidence:
        special = {f"{cause}.{variant}": row for (cause, variant), row in table.by_variant.items()}
        for name, row in {**table.counts, **special}.items():
            counts = zip(table.outcomes, row, strict=True)
            yield (
                table,
                f"evidence.{table.name}",
                [(f"{name}.{outcome}", count, "pseudo-count") for outcome, count in counts],
            )
    yield family.comeback, "comeback", _units(family.comeback, _COMEBACK_UNITS)
    yield family.windows, "windows", _units(family.windows, WINDOW_UNITS)
    if family.voltage is not None:
        yield (
            family.voltage,
            "voltage",
            _units(family.voltage, dict.fromkeys(VOLTAGE_FIGURES, family.voltage.unit)),
        )
