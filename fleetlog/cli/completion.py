"""What a shell proposes for a value when the Tab key is pressed; each list is made only then."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable
from pathlib import Path

import typer


def proposing(values: Callable[[], Iterable[str]]) -> Callable[[str], list[str]]:
    """A completion that proposes those of `values()` that begin with what is typed."""

    def complete(incomplete: str) -> list[str]:
        return [value for value in values() if value.startswith(incomplete)]

    return complete


def of_the_store(column: str) -> Callable[[typer.Context, str], list[str]]:
    """A completion from the machine list of the store that is asked: machine_id, site or build_year."""

    def complete(context: typer.Context, incomplete: str) -> list[str]:
        from fleetlog.errors import FleetlogError
        from fleetlog.store import open_store

        chosen = context.find_root().params.get("store") or os.environ.get(
            "FLEETLOG_STORE", "fleetlog.duckdb"
        )
        try:
            with open_store(Path(chosen)) as store:
                rows = store.execute(
                    "SELECT machine_id, site, substr(build_date, 1, 4) AS build_year FROM machines"
                )
        except (FleetlogError, OSError):
            return []  # nothing to propose; the command itself says why
        place = ("machine_id", "site", "build_year").index(column)
        found = {row[place] for row in rows if row[place] and row[place].startswith(incomplete)}
        return sorted(found, key=lambda name: (len(name), name))

    return complete


def split_columns(known: Callable[[], Iterable[str]]) -> Callable[[str], list[str]]:
    """A completion of the last of several columns, separated by commas."""

    def complete(incomplete: str) -> list[str]:
        before, comma, last = incomplete.rpartition(",")
        taken = before.split(",")
        return [f"{before}{comma}{name}" for name in known() if name.startswith(last) and name not in taken]

    return complete


def columns_to_split_by() -> list[str]:
    """The columns that lives can be split by."""
    from fleetlog.store.statements import statement

    return list(statement("risk/survival").strata)


def policy_names() -> list[str]:
    """The policies that `fleetlog plan --policy` compares."""
    from fleetlog.planning.comparators import POLICIES

    return ["all", *POLICIES]


def chart_names() -> list[str]:
    """The pictures that `fleetlog chart` draws."""
    from fleetlog.questions import charts

    return ["list", *charts()]


def export_names() -> list[str]:
    """Answers and loaded tables that `fleetlog export` writes."""
    from fleetlog.questions import exports

    return [*exports(), *table_kinds(), "tables"]


def table_kinds() -> list[str]:
    """The kinds of table that a yard loads."""
    from fleetlog.store.dictionary import KINDS

    return list(KINDS)


def topic_names() -> list[str]:
    """The topics of `fleetlog explain`."""
    from fleetlog.methods import topics

    return [topic.name for topic in topics()]


def family_names() -> list[str]:
    """The fault families that come with the program."""
    from fleetlog.faults import load_families

    return list(load_families())


def component_names() -> list[str]:
    """The components of those families."""
    from fleetlog.faults import load_families

    families = load_families().values()
    return sorted({part.component for family in families for part in family.parts})
