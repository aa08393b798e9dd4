"""Every line of the page of limits names a test that is there."""

from __future__ import annotations

import re
from pathlib import Path

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "pages" / "reference" / "limits.md").read_text(encoding="utf-8")


def test_every_line_is_proved() -> None:
    lines = [line for line in PAGE.splitlines() if line.startswith("| ") and not line.startswith("| what |")]
    assert len(lines) > 25
    for line in lines:
        proof = re.fullmatch(r".*\| `(tests/[\w/]+\.py)::(test_\w+)` \|", line)
        assert proof, line
        text = (ROOT / proof[1]).read_text(encoding="utf-8")
        assert f"def {proof[2]}(" in text, line


def test_security_points_to_it() -> None:
    text = (ROOT / "SECURITY.md").read_text(encoding="utf-8")
    assert "docs/pages/reference/limits.md" in text
    assert "requirements.hashed.lock" in text


def test_the_locks_agree() -> None:
    pin = re.compile(r"^([a-z0-9][\w.-]*==[^\s;\\]+)", re.MULTILINE | re.IGNORECASE)
    hashed = (ROOT / "requirements.hashed.lock").read_text(encoding="utf-8")
    plain = set(pin.findall((ROOT / "requirements.lock").read_text(encoding="utf-8")))
    build = {"hatchling", "tomlkit", "trove-classifiers"}
    own = [one for one in pin.findall(hashed) if one.partition("==")[0] not in build]
    assert len(own) > 30
    assert set(own) <= plain
    assert hashed.count("--hash=sha256:") >= len(own)
