"""The site builds strictly, says all that the program has, and loads nothing from elsewhere."""

from __future__ import annotations

import importlib.util
import json
import re
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import unquote, urlsplit

import pytest
import typer.main

import fleetlog
from fleetlog.cli.main import app
from fleetlog.methods import topics
from fleetlog.settings import load_settings
from fleetlog.store.dictionary import KINDS
from fleetlog.store.statements import numbered

ROOT = Path(__file__).parents[2]
PAGES = ROOT / "docs" / "pages"

_spec = importlib.util.spec_from_file_location("site_build", Path(__file__).with_name("site_build.py"))
assert _spec is not None
assert _spec.loader is not None
site_build = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(site_build)

pytestmark = pytest.mark.slow


class Read(HTMLParser):
    """A page's texts, anchors, links and what it loads."""

    def __init__(self) -> None:
        super().__init__()
        self.text = ""
        self.anchors: set[str] = set()
        self.links: list[str] = []
        self.loads: list[str] = []

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        named = {name: value or "" for name, value in attrs}
        self.anchors |= {named["id"]} if "id" in named else set()
        if tag == "a" and "href" in named:
            self.links.append(named["href"])
        elif tag in ("link", "script", "img", "iframe", "source", "video", "object", "embed"):
            self.loads += [named[name] for name in ("href", "src", "data", "srcset") if name in named]

    def handle_data(self, data: str) -> None:
        self.text += data


def read(path: Path) -> Read:
    page = Read()
    page.feed(path.read_text(encoding="utf-8"))
    return page


@pytest.fixture(scope="module")
def site(shared: object) -> Path:
    """The built site."""
    place: Path = shared("site", site_build.build)  # type: ignore[operator]
    return place


@pytest.fixture(scope="module")
def pages(site: Path) -> dict[str, Read]:
    return {path.relative_to(site).as_posix(): read(path) for path in site.rglob("*.html")}


def test_every_page_is_there(pages: dict[str, Read]) -> None:
    written = {path.relative_to(PAGES).with_suffix(".html").as_posix() for path in PAGES.rglob("*.md")}
    assert written <= set(pages)
    assert {f"methods/{topic.name}.html" for topic in topics()} <= set(pages)


def test_nothing_is_loaded_from_elsewhere(site: Path, pages: dict[str, Read]) -> None:
    for name, page in pages.items():
        assert page.loads
        for address in page.loads:
            parts = urlsplit(address)
            assert (parts.scheme, parts.netloc) in (("", ""), ("data", "")), f"{name} loads {address}"
            if not parts.scheme:
                assert (site / name).parent.joinpath(unquote(parts.path)).is_file(), f"{name}: {address}"
    for style in site.rglob("*.css"):
        assert not re.findall(r"url\((?![\"']?data:)|@import", style.read_text(encoding="utf-8")), style


def test_every_link_inside_leads_somewhere(site: Path, pages: dict[str, Read]) -> None:
    for name, page in pages.items():
        for address in page.links:
            parts = urlsplit(address)
            if parts.scheme or parts.netloc:
                continue
            target = (
                (site / name).parent.joinpath(unquote(parts.path)).resolve() if parts.path else site / name
            )
            assert target.is_file(), f"{name}: {address}"
            place = pages.get(target.relative_to(site.resolve()).as_posix() if parts.path else name)
            if parts.fragment and place is not None:
                assert unquote(parts.fragment) in place.anchors, f"{name}: {address}"


def test_every_command_and_option_is_described(pages: dict[str, Read]) -> None:
    page = pages["reference/commands.html"]
    commands = {name: one for name, one in typer.main.get_command(app).commands.items() if not one.hidden}  # type: ignore[attr-defined]
    assert len(commands) > 25
    for name, command in commands.items():
        assert name in page.anchors
        assert f"fleetlog {name}" in page.text
        for one in command.params:
            if one.param_type_name == "option":
                assert one.opts[0] in page.text
                assert " ".join(one.help.split()) in " ".join(page.text.split())


def test_every_setting_is_described(pages: dict[str, Read]) -> None:
    page = pages["reference/settings.html"]
    for row in load_settings(None).to_rows():
        assert row["key"] in page.text
        assert row["meaning"] in page.text


def test_every_table_and_column_is_described(pages: dict[str, Read]) -> None:
    page = pages["reference/loaded-tables.html"]
    for kind in KINDS.values():
        assert kind.name in page.anchors
        for column in kind.columns:
            assert column.name in page.text
            for word in column.words:
                assert word in page.text
    page = pages["reference/history-tables.html"]
    for step in numbered("history"):
        assert step.name.split("_", 1)[1] in page.anchors
        assert " ".join(step.header["grain"].split()) in " ".join(page.text.split())


def test_every_public_name_is_described(pages: dict[str, Read]) -> None:
    page = pages["reference/python.html"]
    for name in fleetlog.__all__:
        if not name.startswith("_"):
            assert re.search(rf"\b{name}\b", page.text), name
    asked = [name for name in vars(fleetlog.FleetPart) if not name.startswith("_")]
    for name in {*asked, "close", "load"} - {"parts"}:
        assert {f"fleetlog.api.FleetPart.{name}", f"fleetlog.api.OpenFleet.{name}"} & page.anchors, name
    shown = page.text[page.text.index("survival(\n") :][:400]
    assert "component=None" in re.sub(r"\s", "", shown)
    assert "scope" not in shown  # fleet and scope are the fleet's own business


def test_the_notebook_ran(site: Path, pages: dict[str, Read]) -> None:
    stored = json.loads((PAGES / "notebooks" / "first-steps.ipynb").read_text(encoding="utf-8"))
    code = [cell for cell in stored["cells"] if cell["cell_type"] == "code"]
    assert len(code) > 8
    assert not [cell for cell in code if cell["outputs"] or cell["execution_count"]], (
        "store it without outputs"
    )
    page = pages["notebooks/first-steps.html"]
    theirs, ours = re.findall(r"median life: lifelines ([\d,.]+) h, fleetlog ([\d,.]+) h", page.text)[-1]
    assert theirs == ours
    pictures = [address for address in page.loads if address.endswith(".svg")]
    assert len(pictures) == 2
    for address in pictures:
        assert (site / "notebooks" / address).read_text(encoding="utf-8").startswith("<svg")


def test_the_index_of_the_search_is_a_script(site: Path) -> None:
    text = (site / "search" / "index.js").read_text(encoding="utf-8")
    entries = json.loads(text.removeprefix("window.searchIndex = ").rstrip().removesuffix(";"))
    assert len(entries) > 100
    assert {"location", "title", "text"} == set(entries[0])
