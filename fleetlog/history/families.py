"""Fault families as tables, so that SQL can match codes, steps and parts against them."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

import polars as pl

from fleetlog.faults import DesignChange, FaultFamily
from fleetlog.faults.design_changes import change_rows
from fleetlog.faults.failure_modes import MODES
from fleetlog.store import Store
from fleetlog.store.dictionary import KINDS

_CONTROLS = (*KINDS["machines"].column("control").words, "")
_TYPES = {"": pl.String, "int": pl.Int64, "real": pl.Float64, "bool": pl.Boolean, "date": pl.Date}


def register_families(
    store: Store, families: Iterable[FaultFamily], changes: Sequence[DesignChange] = ()
) -> None:
    """Registers families and design changes as tables that SQL can join, for the machine types on the list."""
    types = store.execute("SELECT DISTINCT machine_type FROM machines WHERE machine_type IS NOT NULL")
    for name, frame in family_tables(families, [row[0] for row in types], changes).items():
        store.register(name, frame)


def family_tables(
    families: Iterable[FaultFamily], machine_types: Iterable[str], changes: Sequence[DesignChange]
) -> dict[str, pl.DataFrame]:
    """The families and design changes as tables.

    They are family_rule, family_unless, family_side_word, family_side, family_machine, family_part,
    design_change, part_failure, family_step, family_confirm, family_voltage, failure_mode and family_window.

    Args:
        families: the families in force.
        machine_types: every machine type on the fleet's list ("" is always known).
        changes: when which maker went over to which variant.
    """
    families = tuple(families)
    types = sorted({*machine_types, ""})
    rules = [
        (family.name, number, rule) for family in families for number, rule in enumerate(family.recognise)
    ]
    parts = [(family.name, part) for family in families for part in family.parts]
    steps = [(family.name, step) for family in families for step in family.steps]
    windows = [(family.name, family.windows) for family in families]
    voltages = [(family.name, family.voltage) for family in families if family.voltage is not None]
    return {
        "family_rule": _table(
            "fault rule_no:int field spn:int fmi:int words side",
            ((name, no, rule.field, rule.spn, rule.fmi, rule.words, rule.side) for name, no, rule in rules),
        ),
        "family_unless": _table(
            "fault rule_no:int field words",
            ((name, no, rule.field, words) for name, no, rule in rules for words in rule.unless),
        ),
        "family_side_word": _table(
            "fault pattern side",
            ((family.name, word.pattern, word.side) for family in families for word in family.side_words),
        ),
        "family_side": _table(
            "fault side", ((family.name, side) for family in families for side in family.sides)
        ),
        "family_machine": _table(
            "fault machine_type control",
            (
                (family.name, machine_type, control)
                for family in families
                for machine_type in types
                for control in _CONTROLS
                if family.can_have(machine_type, "" if control == "unknown" else control)
            ),
        ),
        "family_part": _table(
            "fault component side part_of told_beside:bool",
            (
                (name, part.component, side, part.part_of, part.told_beside)
                for name, part in parts
                for side in part.sides
            ),
        ),
        "design_change": _table(
            "component variant spare:bool make model serial_pattern serial_from serial_to"
            " built_from:date built_to:date precedence:int",
            change_rows(changes, (part for _, part in parts)),
        ),
        "part_failure": _table(
            "component finding",
            dict.fromkeys((part.component, word) for _, part in parts for word in part.failure_findings),
        ),
        "family_step": _table(
            "fault step step_order:int kind component action step_component step_action",
            (
                (name, step.name, step.order, step.kind, m.component, m.action, step.component, step.action)
                for name, step in steps
                for m in step.matches
            ),
        ),
        "family_confirm": _table(
            "fault step finding cause",
            ((name, step.name, *confirm) for name, step in steps for confirm in step.confirms.items()),
        ),
        "family_voltage": _table(
            "fault quantity unit target:real tolerance:real near_zero:real near_supply:real wander:real",
            (
                (name, v.quantity, v.unit, v.target, v.tolerance, v.near_zero, v.near_supply, v.wander)
                for name, v in voltages
            ),
        ),
        "failure_mode": _table("fmi:int mode_group", ((mode.fmi, mode.group) for mode in MODES)),
        "family_window": _table(
            "fault episode_hours:real episode_days:real confirmation_hours:real answer_days:int",
            (
                (name, w.episode_hours, w.episode_days, w.confirmation_hours, int(w.answer_days))
                for name, w in windows
            ),
        ),
    }


def _table(columns: str, rows: Iterable[tuple[object, ...]]) -> pl.DataFrame:
    """A table of the columns named, each with its type after a colon where it is not text."""
    named = (column.partition(":") for column in columns.split())
    schema = {name: _TYPES[type_] for name, _, type_ in named}
    return pl.DataFrame(list(rows), schema=schema, orient="row")
