"""The templates of `reports/pages/` as HTML: style and script inside, numbers and words as everywhere."""

from __future__ import annotations

import base64
import hashlib
from collections.abc import Mapping
from datetime import datetime
from functools import cache
from typing import Any

import jinja2
from markdown_it import MarkdownIt
from markupsafe import Markup

from fleetlog import resources
from fleetlog.phrasing import (
    between,
    capital,
    hours,
    listed,
    money,
    number,
    percent,
    plural,
    printable,
    said,
    surprise_of,
)


def render(template: str, context: Mapping[str, Any], clock: datetime) -> str:
    """A page of `reports/pages/` with everything that it needs inside, so that it opens without a network.

    Args:
        template: file name.
        context: what it says.
        clock: the time to print as the time of making.
    """
    return printable(_environment().get_template(template).render(context, clock=clock))


@cache
def _environment() -> jinja2.Environment:
    root = resources.folder("reports")
    environment = jinja2.Environment(
        loader=jinja2.FileSystemLoader(root / "pages"),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    script = (root / "scripts" / "tables.js").read_text(encoding="utf-8").strip()
    digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
    environment.globals |= {
        "style": Markup((root / "styles" / "page.css").read_text(encoding="utf-8").strip()),
        "script": Markup(script),
        "script_hash": f"sha256-{digest}",
        "said": said,
        "plural": plural,
        "surprise_of": surprise_of,
        "listed": listed,
        "between": between,
    }
    environment.filters |= {
        "hours": hours,
        "percent": percent,
        "money": money,
        "number": number,
        "capital": capital,
        "markdown": markdown,
    }
    return environment


def markdown(text: str) -> Markup:
    """Markdown as HTML, two heading levels down; HTML inside it is shown, not run."""
    parser = MarkdownIt("commonmark", {"html": False}).enable("table")
    tokens = parser.parse(text)
    for token in tokens:
        if token.type in ("heading_open", "heading_close"):
            token.tag = f"h{min(6, int(token.tag[1]) + 2)}"
    return Markup(parser.renderer.render(tokens, parser.options, {}))
