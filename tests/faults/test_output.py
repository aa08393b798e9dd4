"""Where the output goes: a full disk behind it, a terminal of another code page."""

from __future__ import annotations

import io
import sys
from pathlib import Path

import pytest
from forks import Forks

from fleetlog.cli.terminal import fit_code_pages
from fleetlog.methods import topics

# Printed into a device that is always full.
FULL = """
import sys
sys.stdout = open("/dev/full", "w")
sys.argv = ["fleetlog", *sys.argv[1:]]
from fleetlog.cli import run
run()
"""


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="the system has no such device")
@pytest.mark.parametrize(
    "arguments",
    [
        ("query", "SELECT range FROM range(10000)", "--format", "csv"),
        ("check",),
        ("chart", "list"),
        ("status", "--format", "json"),
        ("export", "rentals", "--out", "/dev/full"),
        ("query", "SELECT 1", "--out", "/dev/full"),
    ],
)
def test_a_full_disk_behind_the_output(arguments: tuple[str, ...], forks: Forks, demo_store: Path) -> None:
    done = forks.run(FULL, "--store", demo_store, *arguments)
    assert (done.returncode, done.stderr.count("\n")) == (2, 1), done.stderr
    assert "No space left on device" in done.stderr or "must end in one of" in done.stderr


@pytest.mark.parametrize("page", ["cp1252", "cp437", "utf-8"])
def test_other_code_pages_show_every_method(page: str, monkeypatch: pytest.MonkeyPatch) -> None:
    content = io.BytesIO()
    screen = io.TextIOWrapper(content, encoding=page)
    monkeypatch.setattr(sys, "stdout", screen)
    fit_code_pages()
    texts = [f"{one.title}\n{one.summary}\n{one.body}\n" for one in topics()]
    screen.write("".join(texts) + "\udc80 \u1234")
    screen.flush()
    shown = content.getvalue().decode(page)
    assert shown.count("\n") == "".join(texts).count("\n")
    assert shown.count("\\u") == (2 if page != "utf-8" else 1)
