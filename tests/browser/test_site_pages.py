"""The documentation site in a browser, opened from the disk: its search finds, its menu folds, nothing is fetched."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from typing import Any

import pytest

_spec = importlib.util.spec_from_file_location(
    "site_build", Path(__file__).parents[1] / "docs" / "site_build.py"
)
assert _spec is not None
assert _spec.loader is not None
site_build = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(site_build)

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def site(shared: Any) -> Path:
    """The built site."""
    place: Path = shared("site", site_build.build)
    return place


def test_the_search_finds_from_the_disk(page: Any, site: Path) -> None:
    page.open(site / "methods" / "weibull.html")
    page.run(
        "const field = document.getElementById('search'); field.value = 'delayed entry';"
        "field.dispatchEvent(new Event('input'))"
    )
    links = page.run("[...document.querySelectorAll('#found a')].map((one) => one.href)")
    assert any("methods/delayed-entry.html" in link for link in links[:3])
    assert page.problems == []
    assert all(request.startswith(site.resolve().as_uri()) for request in page.requests)


def test_what_is_too_wide_is_reached_by_the_keyboard(page: Any, site: Path) -> None:
    page.look(320, 800)
    page.open(site / "notebooks/first-steps.html")
    blocks = "[...document.querySelectorAll('table, pre, .output')]"
    assert page.run(f"{blocks}.filter((one) => one.scrollWidth > one.clientWidth).length") > 0
    assert (
        page.run(f"{blocks}.filter((one) => one.scrollWidth > one.clientWidth && one.tabIndex).length") == 0
    )
    assert (
        page.run(f"{blocks}.filter((one) => one.scrollWidth <= one.clientWidth && one.tabIndex === 0).length")
        == 0
    )


def test_words_that_stand_nowhere_are_said_to(page: Any, site: Path) -> None:
    page.open(site / "index.html")
    page.run(
        "const field = document.getElementById('search'); field.value = 'xyzzy <b>qq</b>';"
        "field.dispatchEvent(new Event('input'))"
    )
    assert page.run("document.getElementById('found').textContent") == "Nothing has all of these words."


def test_a_phone_sees_the_text_first_and_nothing_wider_than_itself(page: Any, site: Path) -> None:
    page.look(390, 800)
    for name in (
        "index.html",
        "how-to/planner.html",
        "reference/commands.html",
        "notebooks/first-steps.html",
    ):
        page.open(site / name)
        assert page.run("document.querySelector('.menu').open") is False
        assert page.run("document.documentElement.scrollWidth") <= 390, name


@pytest.mark.parametrize(
    "name", ["index.html", "reference/commands.html", "reference/python.html", "notebooks/first-steps.html"]
)
def test_it_can_be_read_by_everybody(page: Any, site: Path, name: str) -> None:
    """No complaint of axe, with the rules of WCAG 2.2 A and AA."""
    import axe_playwright_python

    (script,) = Path(axe_playwright_python.__file__).parent.glob("**/axe.min.js")
    page.open(site / name)
    page.run(script.read_text(encoding="utf-8") + ";undefined")
    complaints = page.run(
        "axe.run(document, {runOnly: ['wcag2a', 'wcag2aa', 'wcag21a', 'wcag21aa', 'wcag22aa']})"
        ".then((result) => result.violations.map((one) => one.id + ': ' + one.nodes[0].html.slice(0, 200)))"
    )
    assert complaints == []
