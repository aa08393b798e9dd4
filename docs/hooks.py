"""What mkdocs calls while it builds the site: adds the pages that the program itself writes, and the search.

The pages are made by the modules of generators/, one kind of page each. Nothing here needs a network.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path
from typing import Any

from mkdocs.config.defaults import MkDocsConfig
from mkdocs.structure.files import File, Files
from mkdocs.structure.pages import Page

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE))

from generators import (  # noqa: E402
    changes,
    commands,
    decisions,
    highlight,
    methods,
    notebook,
    python_reference,
    settings,
    tables,
)


def generated_files() -> dict[str, str | bytes]:
    """Every file that is written at build time, by its path in the site."""
    return {
        "reference/commands.md": commands.page(),
        "reference/settings.md": settings.page(),
        "reference/loaded-tables.md": tables.loaded_page(),
        "reference/history-tables.md": tables.history_page(),
        "reference/changes.md": changes.page(),
        "assets/highlight.css": highlight.stylesheet(),
        **methods.pages(),
    }


def on_config(config: MkDocsConfig) -> MkDocsConfig:
    """Fills the parts of the navigation that follow the program or the folder's files."""
    filled = {"methods/*": methods.navigation(), "decisions/*": decisions.navigation(Path(config.docs_dir))}
    config.nav = [
        {
            title: filled.get(place, place) if isinstance(place, str) else place
            for title, place in part.items()
        }
        for part in config.nav or []
    ]
    return config


def on_files(files: Files, config: MkDocsConfig) -> Files:
    """Adds the generated pages, and each notebook as it ran."""
    written = generated_files()
    for source in [file for file in files if file.src_uri.endswith(".ipynb")]:
        written |= notebook.pages(Path(source.abs_src_path or ""), source.src_uri)
    for path, content in written.items():
        files.append(File.generated(config, path, content=content))
    return files


def on_page_markdown(markdown: str, page: Page, config: MkDocsConfig, files: Files) -> str:
    """Fills the marks of pages that list what the package or the folder holds."""
    fill = {
        "reference/python.md": python_reference.filled,
        "decisions/index.md": lambda text: decisions.filled(text, Path(config.docs_dir)),
    }
    return fill.get(page.file.src_uri, str)(markdown)


def on_post_build(config: MkDocsConfig) -> None:
    """Writes the search's index as a script, since a page opened from the disk may not read other files."""
    folder = Path(config.site_dir) / "search"
    index: dict[str, Any] = json.loads((folder / "search_index.json").read_text(encoding="utf-8"))
    rows = [{key: entry[key] for key in ("location", "title", "text")} for entry in index["docs"]]
    text = json.dumps(rows, ensure_ascii=False, separators=(",", ":"))
    (folder / "index.js").write_text(f"window.searchIndex = {text};\n", encoding="utf-8")
