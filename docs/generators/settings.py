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

DESIGN_CHANGES = """\
## [[design_changes]]

When which maker went over to another design of a part, one table each. No shipped file says so: only the maker's papers
know it.

```toml
[[design_changes]]
component = "internal_bushing"
variant = "improved"
make = "Marram"          # left out: every make; a model can be named beside it
built_from = 2018-09-01  # built_to may follow; or serial_from = "MR204000" (and serial_to), by the machine's number
```

A part that left the factory before the first change of its make has the variant that the fault family names before the
new one. Of several changes that fit a machine a range of serial numbers goes before its make and model, these before its
make, and that before a change for all makes; among alike ones the latest counts. A spare part is the service variant
from the day on which the first maker built that in. A variant on record goes before all of this, and where no change
speaks of a machine, the variant is unknown. `fleetlog status` names a change that fits no machine.
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
    return whole_page("Settings", INTRODUCTION, *sections, DESIGN_CHANGES)


def _shown(value: object) -> str:
    return "" if value is None else str(value)
