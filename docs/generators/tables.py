"""The data dictionaries: the tables that a yard loads, and those of the history that are made of them."""

from __future__ import annotations

from collections.abc import Collection, Sequence

from fleetlog.intake.profiles.meanings import meaning_of
from fleetlog.store.dictionary import KINDS, STORED_AS, Column, Kind
from fleetlog.store.statements import Statement, numbered
from generators.markdown import code, page, table, words

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
    vocabulary = f"; one of {', '.join(code(word) for word in column.words)}" if column.words else ""
    limits = ""
    if column.low is not None and column.high is not None:
        limits = f"; {column.low:,.0f} to {column.high:,.0f}"
    return f"{meaning.means}{unit}{vocabulary}{limits}"


def history_page() -> str:
    """The steps of the history: purpose, grain, inputs and columns of each, from the headers of the files."""
    steps = numbered("history")
    return page("Tables of the history", HISTORY, *(_step(step, steps) for step in steps))


def _step(step: Statement, steps: Sequence[Statement]) -> str:
    header = step.header
    made = {table_of(one) for one in steps}
    inputs = [_linked(name.strip(), made) for name in header["inputs"].split(",")]
    facts = {
        "Grain": words(header["grain"]),
        "Made of": ", ".join(inputs),
        "Columns": words(header["output"]),
        "Parameters": words(header.get("parameters", "")),
        "Stays": header.get("materialised", "as a table of the store"),
    }
    purpose = words(header["purpose"])
    listed = "\n".join(f"- **{name}:** {value}" for name, value in facts.items() if value)
    return f"## {table_of(step)}\n\n{purpose[:1].upper()}{purpose[1:]}\n\n{listed}"


def _linked(name: str, made: Collection[str]) -> str:
    """The name of an input, linked to where it is described."""
    if name in made:
        return f"[`{name}`](#{name})"
    return f"[`{name}`](loaded-tables.md#{name})" if name in KINDS else code(name)


def table_of(step: Statement) -> str:
    """The name of the table that a numbered step makes."""
    return step.name.rpartition("/")[2].split("_", 1)[1]
