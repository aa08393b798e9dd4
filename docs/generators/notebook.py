"""Notebooks as pages: each is run on the demo fleet while the site is built, and shown with what came out.

The files hold no outputs, so what a page shows is always what the program says. A cell that
fails stops the build.
"""

from __future__ import annotations

import os
import shutil
import tempfile
from functools import cache
from pathlib import Path
from typing import Any

import nbclient
import nbformat
from traitlets.config import Config

import fleetlog
from fleetlog.resources import folder

STORE = Path("fleetlog-demo") / "fleetlog.duckdb"
"""Where a notebook looks for the demo fleet: where `fleetlog demo` makes it."""

LONGEST = 300
"""Seconds that a cell may take."""

HEAD = """\
*This page is a notebook, run on the demo fleet when the site was built: [{name}]({name}).*
"""


def pages(source: Path, uri: str) -> dict[str, str | bytes]:
    """The page of a notebook and its pictures, by their paths in the site."""
    stem = uri.removesuffix(".ipynb")
    run = executed(source)
    files: dict[str, str | bytes] = {}
    parts: list[str] = []
    for cell in run.cells:
        if cell.cell_type == "markdown":
            parts.append(cell.source)
            continue
        parts.append(f"```python\n{cell.source}\n```")
        for output in cell.outputs:
            picture = f"{Path(stem).name}_{len(files) + 1}.svg"
            text, svg = _shown(output, picture)
            if svg:
                files[f"{Path(stem).parent.as_posix()}/{picture}"] = svg
            parts.append(text)
    title, _, rest = "\n\n".join(part for part in parts if part).partition("\n")
    files[f"{stem}.md"] = f"{title}\n\n{HEAD.format(name=source.name)}\n{rest}\n"
    return files


def executed(source: Path) -> Any:
    """The notebook with its outputs, run beside the demo fleet in a folder of its own.

    Raises:
        nbclient.exceptions.CellExecutionError: a cell failed; it says which and why.
    """
    book = nbformat.read(source, as_version=4)
    with tempfile.TemporaryDirectory() as place:
        shutil.copytree(_demo().parent, Path(place) / STORE.parent)
        resources = {"metadata": {"path": place}}
        nbclient.NotebookClient(
            book, kernel_name="python3", timeout=LONGEST, resources=resources, config=_private(Path(place))
        ).execute()
    return book


def _private(place: Path) -> Config:
    """Lets the kernel be spoken to without the network, where the system allows it."""
    transport = "tcp" if os.name == "nt" else "ipc"
    return Config(KernelManager={"transport": transport, "connection_file": str(place / "kernel.json")})


@cache
def _demo() -> Path:
    """A store with the demo fleet and its settings beside it, made once in a process."""
    place = Path(tempfile.mkdtemp(prefix="fleetlog-docs-")) / STORE.parent
    place.mkdir()
    shutil.copy(folder("demo_data") / "fleetlog.toml", place)
    store = place / STORE.name
    with fleetlog.open(store, create=True) as fleet:
        fleet.load(sorted(folder("demo_data").glob("*.csv")))
    return store


def _shown(output: Any, picture: str) -> tuple[str, bytes]:
    """An output as Markdown, and the picture that it refers to, if it is one."""
    if output.output_type == "stream":
        return f"```text\n{output.text.rstrip()}\n```", b""
    data = output.get("data", {})
    if "image/svg+xml" in data:
        return f"![What the cell above draws]({picture})", str(data["image/svg+xml"]).encode()
    if "text/html" in data:
        return f'<div class="output">\n{data["text/html"]}\n</div>', b""
    return f"```text\n{data.get('text/plain', '')}\n```", b""
