"""The colours of code on the site, light and dark."""

from __future__ import annotations

from pygments.formatters import HtmlFormatter

LIGHT, DARK = "default", "github-dark"


def stylesheet() -> str:
    """Rules for the class `highlight`, dark where the reader's screen is."""
    light, dark = (HtmlFormatter(style=style).get_style_defs(".highlight") for style in (LIGHT, DARK))
    return f"{light}\n@media screen and (prefers-color-scheme: dark) {{\n{dark}\n}}\n"
