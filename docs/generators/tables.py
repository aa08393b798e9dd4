"""The data dictionaries: the tables that a yard loads, and those of the history that are made of them."""

from __future__ import annotations

from collections.abc import Sequence

from fleetlog.intake.profiles.meanings import meaning_of
from fleetlog.store.dictionary import KINDS, STORED_AS, Column, Kind
from fleetlog.store.statements import Statement, numbered
from generators.markdown import code, page, table

LOADED = """\
What a yard can load, one kind of table a file, recognised by its columns. Headings match whatever their
case, spaces and dashes; for other headings a mapping is proposed. Dates and times are ISO 8601; a time
without a zone is in the fleet's zone and is stored as UTC. Empty means unknown, never zero. Every stored
row also has `file_id` and `row_no`: the file (table `source_file`) and the row that it came from.

Ask these tables with `fleetlog query "SELECT …"` or `fleet.sql("SELECT …")`.
"""

HISTORY = """\
What the store makes of the loaded tables, step by step and in this order; each step is one file in
`sql/history/`, and what stands here is that file's own header. Hours are counted in whole tenths of a
running hour (`…tenths`), times are UTC, and nothing that happened after the as-of day counts.

Ask these tables with `fleetlog query --history "SELECT …"` or `fleet.sql("SELECT …")`. A step that is not
*a table of the store* is a step on the way: it is there only while a history is built, or as a view.
"""


def loaded_page() -> str:
    """The tables that a yard loads: columns, types, keys and vocabularies, as the loader checks them."""
    purposes = {step.name.split("_", 1)[1]: step.header for step in numbered("schema")}
    return page(
        "Tables a yard loads",
        LOADED,
        *(_kind(kind, purposes.get(kind.name, {}).get("purpose", "")) for kind in KINDS.values()),
    )


def _kind(kind: Kind, purpose: str) -> str:
    key = " + ".join(code(name) for name in kind.key)
    groups = " or ".join(" and ".join(code(name) for name in group) for group in kind.one_of)
    rules = f"Key: {key}." + (f" At least one of these must be filled: {groups}." if groups else "")
    rows = [
        [code(column.name), _type(column), "yes" if column.required else "", _means(kind, column)]
        for column in kind.columns
    ]
    return "\n\n".join(
        [f"## {kind.name}", purpose, rules, table(["column", "type", "required", "holds"], rows)]
    )


def _type(column: Column) -> str:
    return f"{column.type.value} ({STORED_AS[column.type]})"


def _means(kind: Kind, column: Column) -> str:
    meaning = meaning_of(kind, column)
    unit = f", in {meaning.unit}" if meaning.unit else ""
    words = f"; one of {', '.join(code(word) for word in column.words)}" if column.words else ""
    limits = ""
    if column.low is not None and column.high is not None:
        limits = f"; {column.low:,.0f} to {column.high:,.0f}"
    return f"{meaning.means}{unit}{words}{limits}"


def history_page() -> str:
    """The steps of the history: purpose, grain, inputs and columns of each, from the headers of the files."""
    steps = numbered("history")
    return page("Tables of the history", HISTORY, *(_step(step, steps) for step in steps))


def _step(step: Statement, steps: Sequence[Statement]) -> str:
    header = step.header
    made = {table_of(one) for one in steps}
    inputs = [
        f"[`{name}`](#{name})"
        if name in made
        else f"[`{name}`](loaded-tables.md#{name})"
        if name in KINDS
        else code(name)
        for name in (part.strip() for part in header["inputs"].split(","))
    ]
    facts = [
        f"- **Grain:** {header['grain']}",
        f"- **Made of:** {', '.join(inputs)}",
        f"- **Columns:** {header['output']}",
    ]
    if "parameters" in header:
        facts.append(f"- **Parameters:** {header['parameters']}")
    facts.append(f"- **Stays:** {_stays(header.get('materialised', ''))}")
    return f"## {table_of(step)}\n\n{header['purpose'][:1].upper()}{header['purpose'][1:]}\n\n" + "\n".join(
        facts
    )


def table_of(step: Statement) -> str:
    """The name of the table that a numbered step makes."""
    return step.name.rpartition("/")[2].split("_", 1)[1]


def _stays(materialised: str) -> str:
    return materialised or "as a table of the store"
