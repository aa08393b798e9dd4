"""The reference of the settings: each with its default, unit and meaning, as `fleetlog settings` shows it."""

from __future__ import annotations

from itertools import groupby

from fleetlog.settings import load_settings
from generators.markdown import code, table
from generators.markdown import page as whole_page

INTRODUCTION = """\
Settings stand in `fleetlog.toml` beside the store; what is left out has the default. *Default from memory*
means that nobody looked the figure up: put your own in its place. `fleetlog settings` shows the values in
force and where each comes from.
"""


def page() -> str:
    """One table a section of the settings file."""
    rows = [row for row in load_settings(None).to_rows()]
    sections = [
        f"## [{name}]\n\n"
        + table(
            ["setting", "default", "unit", "means", "source"],
            (
                [code(row["key"]), code(_shown(row["value"])), row["unit"], row["meaning"], row["source"]]
                for row in listed
            ),
        )
        for name, listed in groupby(rows, lambda row: row["section"])
    ]
    return whole_page("Settings", INTRODUCTION, *sections)


def _shown(value: object) -> str:
    return "" if value is None else str(value)
