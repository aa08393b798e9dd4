"""Fault families as tables, so that SQL can match codes, steps and parts against them."""

from __future__ import annotations

from collections.abc import Iterable

import polars as pl

from fleetlog.faults import FaultFamily
from fleetlog.faults.failure_modes import MODES
from fleetlog.store import Store
from fleetlog.store.dictionary import KINDS

_CONTROLS = (*KINDS["machines"].column("control").words, "")
_TEXT = pl.String


def register_families(store: Store, families: Iterable[FaultFamily], machine_types: Iterable[str]) -> None:
    """Registers the families as tables that SQL can join; arguments are those of `family_tables`."""
    for name, frame in family_tables(families, machine_types).items():
        store.register(name, frame)


def family_tables(families: Iterable[FaultFamily], machine_types: Iterable[str]) -> dict[str, pl.DataFrame]:
    """The families as tables.

    They are family_rule, family_unless, family_side_word, family_side, family_machine, family_part,
    part_variant, part_failure, family_step, family_confirm, family_voltage, failure_mode and family_window.

    Args:
        families: the families in force.
        machine_types: every machine type on the fleet's list ("" is always known).
    """
    families = tuple(families)
    types = sorted({*machine_types, ""})
    rules = [(family, number, rule) for family in families for number, rule in enumerate(family.recognise)]
    parts = [(family, part) for family in families for part in family.parts]
    tables: dict[str, tuple[dict[str, pl.DataType | type[pl.DataType]], list[tuple[object, ...]]]] = {
        "family_rule": (
            {
                "fault": _TEXT,
                "rule_no": pl.Int64,
                "field": _TEXT,
                "spn": pl.Int64,
                "fmi": pl.Int64,
                "words": _TEXT,
                "side": _TEXT,
            },
            [
                (family.name, no, rule.field, rule.spn, rule.fmi, rule.words, rule.side)
                for family, no, rule in rules
            ],
        ),
        "family_unless": (
            {"fault": _TEXT, "rule_no": pl.Int64, "field": _TEXT, "words": _TEXT},
            [(family.name, no, rule.field, words) for family, no, rule in rules for words in rule.unless],
        ),
        "family_side_word": (
            {"fault": _TEXT, "pattern": _TEXT, "side": _TEXT},
            [(family.name, word.pattern, word.side) for family in families for word in family.side_words],
        ),
        "family_side": (
            {"fault": _TEXT, "side": _TEXT},
            [(family.name, side) for family in families for side in family.sides],
        ),
        "family_machine": (
            {"fault": _TEXT, "machine_type": _TEXT, "control": _TEXT},
            [
                (family.name, machine_type, control)
                for family in families
                for machine_type in types
                for control in _CONTROLS
                if family.can_have(machine_type, "" if control == "unknown" else control)
            ],
        ),
        "family_part": (
            {"fault": _TEXT, "component": _TEXT, "side": _TEXT, "part_of": _TEXT},
            [
                (family.name, part.component, side, part.part_of)
                for family, part in parts
                for side in part.sides
            ],
        ),
        "part_variant": (
            {"component": _TEXT, "variant": _TEXT, "built_from": pl.Date, "built_before": pl.Date},
            _distinct(
                (part.component, period.variant, period.built_from, period.built_before)
                for _, part in parts
                for period in part.variants
            ),
        ),
        "part_failure": (
            {"component": _TEXT, "finding": _TEXT},
            _distinct((part.component, finding) for _, part in parts for finding in part.failure_findings),
        ),
        "family_step": (
            {
                "fault": _TEXT,
                "step": _TEXT,
                "step_order": pl.Int64,
                "kind": _TEXT,
                "component": _TEXT,
                "action": _TEXT,
                "step_component": _TEXT,
                "step_action": _TEXT,
            },
            [
                (
                    family.name,
                    step.name,
                    step.order,
                    step.kind,
                    match.component,
                    match.action,
                    step.component,
                    step.action,
                )
                for family in families
                for step in family.steps
                for match in step.matches
            ],
        ),
        "family_confirm": (
            {"fault": _TEXT, "step": _TEXT, "finding": _TEXT, "cause": _TEXT},
            [
                (family.name, step.name, finding, cause)
                for family in families
                for step in family.steps
                for finding, cause in step.confirms.items()
            ],
        ),
        "family_voltage": (
            {
                "fault": _TEXT,
                "quantity": _TEXT,
                "unit": _TEXT,
                "target": pl.Float64,
                "tolerance": pl.Float64,
                "near_zero": pl.Float64,
                "near_supply": pl.Float64,
                "wander": pl.Float64,
            },
            [
                (family.name, v.quantity, v.unit, v.target, v.tolerance, v.near_zero, v.near_supply, v.wander)
                for family in families
                if (v := family.voltage) is not None
            ],
        ),
        "failure_mode": (
            {"fmi": pl.Int64, "mode_group": _TEXT},
            [(mode.fmi, mode.group) for mode in MODES],
        ),
        "family_window": (
            {
                "fault": _TEXT,
                "episode_hours": pl.Float64,
                "episode_days": pl.Float64,
                "confirmation_hours": pl.Float64,
                "answer_days": pl.Int64,
            },
            [
                (
                    family.name,
                    family.windows.episode_hours,
                    family.windows.episode_days,
                    family.windows.confirmation_hours,
                    int(family.windows.answer_days),
                )
                for family in families
            ],
        ),
    }
    return {name: pl.DataFrame(rows, schema=schema, orient="row") for name, (schema, rows) in tables.items()}


def _distinct(rows: Iterable[tuple[object, ...]]) -> list[tuple[object, ...]]:
    return list(dict.fromkeys(rows))
