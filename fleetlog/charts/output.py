"""A chart as a file: SVG, PNG, PDF, HTML or Vega-Lite JSON, by the ending of its name."""

from __future__ import annotations

import html
import json
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import altair as alt
import vl_convert

from fleetlog.charts.theme import INK, MUTED, PAPER, RULE
from fleetlog.errors import UsageError
from fleetlog.outfile import write_file
from fleetlog.phrasing import printable

# The grammar that altair writes; named so that a newer converter cannot change a picture.
GRAMMAR = "v" + ".".join(alt.SCHEMA_VERSION.lstrip("v").split(".")[:2])
_PNG_SCALE = 2.0
_NUMBERED = re.compile(r'( id="|url\(#)((?:clip|gradient|pattern)[_-]?\d+)')


def spec_of(chart: alt.TopLevelMixin) -> dict[str, Any]:
    """The chart in Vega-Lite, free of whatever theme the caller has switched on.

    Not checked against the grammar's schema, which takes longer than drawing; the tests do that.
    """
    with alt.theme.enable("none"):
        spec: dict[str, Any] = _printable(chart.to_dict(validate=False))
    return spec


def _printable(part: Any) -> Any:
    """The same, without the control characters that no picture format may hold."""
    if isinstance(part, str):
        return printable(part)
    if isinstance(part, dict):
        return {key: _printable(value) for key, value in part.items()}
    if isinstance(part, list | tuple):
        return [_printable(value) for value in part]
    return part


def by_night(part: Any) -> Any:
    """A specification in the colours of the night: light letters and lines on a dark ground."""
    if isinstance(part, str):
        return NIGHT.get(part, part)
    if isinstance(part, dict):
        return {key: by_night(value) for key, value in part.items()}
    if isinstance(part, list | tuple):
        return [by_night(value) for value in part]
    return part


#: Colours of the day -> of the night, as those of the pages; the others can be told from both grounds.
NIGHT = {PAPER: "#15191e", "white": "#15191e", INK: "#e8ebee", MUTED: "#a9b2bd", RULE: "#3a434e"}


def to_svg(chart: alt.TopLevelMixin) -> str:
    """The chart as SVG text."""
    return svg_of(spec_of(chart))


def svg_of(spec: dict[str, Any]) -> str:
    """A Vega-Lite specification as SVG text; it can reach no address."""
    return renumbered(vl_convert.vegalite_to_svg(spec, vl_version=GRAMMAR, allowed_base_urls=[]))


def renumbered(svg: str) -> str:
    """The SVG with its clips and gradients counted from 1.

    The converter numbers them on and on for as long as its program runs; so the same picture has the same
    bytes whatever was drawn before it.
    """
    numbers: dict[str, str] = {}
    return _NUMBERED.sub(
        lambda found: f"{found[1]}{numbers.setdefault(found[2], f'part{len(numbers) + 1}')}", svg
    )


def to_html(chart: alt.TopLevelMixin) -> str:
    """The chart as one HTML page that needs no network: the drawing library stands inside it.

    The specification goes in as JSON whose `<`, `>` and `&` are written as escapes, so that no value of the
    data can end the script or start another.
    """
    return html_of(spec_of(chart))


def html_of(spec: dict[str, Any]) -> str:
    """The specification as one HTML page, as `to_html`."""
    said = json.dumps(spec, ensure_ascii=True, sort_keys=True, separators=(",", ":"))
    for letter in "<>&":
        said = said.replace(letter, f"\\u{ord(letter):04x}")
    library = vl_convert.javascript_bundle("window.vegaEmbed = vegaEmbed;", vl_version=GRAMMAR)
    if "</script" in library.lower():
        library = library.replace("</script", "<\\/script").replace("</SCRIPT", "<\\/SCRIPT")
    title = spec.get("title", {}).get("text", "fleetlog")
    heading = html.escape(" ".join(title) if isinstance(title, list) else str(title))
    described = html.escape(str(spec.get("description", "")), quote=True)
    paper = spec.get("config", {}).get("background", PAPER)
    return _PAGE.format(heading=heading, described=described, library=library, spec=said, paper=paper)


_PAGE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{heading}</title>
<style>body {{ margin: 1rem; background: {paper} }} svg {{ max-width: 100%; height: auto }}</style>
</head>
<body>
<div id="chart" role="img" aria-label="{described}"></div>
<script type="module">{library}
const spec = {spec};
window.vegaEmbed("#chart", spec, {{ actions: false, renderer: "svg", ast: true }});
</script>
</body>
</html>
"""


def _json(spec: dict[str, Any]) -> bytes:
    return (json.dumps(spec, ensure_ascii=False, sort_keys=True, indent=1) + "\n").encode()


def _png(spec: dict[str, Any]) -> bytes:
    return vl_convert.vegalite_to_png(spec, vl_version=GRAMMAR, scale=_PNG_SCALE, allowed_base_urls=[])


def _pdf(spec: dict[str, Any]) -> bytes:
    return vl_convert.vegalite_to_pdf(spec, vl_version=GRAMMAR, allowed_base_urls=[])


FORMATS: dict[str, Callable[[dict[str, Any]], bytes]] = {
    ".svg": lambda spec: svg_of(spec).encode(),
    ".png": _png,
    ".pdf": _pdf,
    ".html": lambda spec: html_of(spec).encode(),
    ".json": _json,
}


def save(chart: alt.TopLevelMixin, path: Path, *, dark: bool = False) -> Path:
    """Write the chart in the format that the ending of `path` names.

    Args:
        dark: light letters and lines on a dark ground.

    Raises:
        UsageError: for an ending that is not one of FORMATS, or a place that cannot be written.
    """
    write = FORMATS.get(path.suffix.lower())
    if write is None:
        raise UsageError(
            f"{path.name} does not end like a picture; use one of {', '.join(FORMATS)} (.json is Vega-Lite)"
        )
    spec = spec_of(chart)
    content = write(by_night(spec) if dark else spec)
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
    except OSError as problem:
        raise UsageError(f"{path} cannot be written: {problem.strerror}; name another place") from problem
    write_file(path, content)
    return path
