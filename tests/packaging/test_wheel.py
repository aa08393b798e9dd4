"""The built wheel works outside the checkout: sql/, reports/ and demo_data/ really ship."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from collections.abc import Iterable, Iterator
from importlib import metadata
from pathlib import Path

import pytest
from packaging.requirements import Requirement

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    out = tmp_path_factory.mktemp("dist")
    command = [sys.executable, "-m", "build", "--wheel", "--outdir", str(out), str(ROOT)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    (built,) = out.glob("*.whl")
    return built


def test_contents(wheel: Path) -> None:
    names = zipfile.ZipFile(wheel).namelist()
    for needed in (
        "fleetlog/py.typed",
        "fleetlog/_data/sql/risk/survival.sql",
        "fleetlog/_data/demo_data/machines.csv",
        "fleetlog/_data/reports/print/report.typ",
    ):
        assert needed in names
    assert any(name.startswith("fleetlog/_data/reports/methods/") for name in names)
    assert any(name.startswith("fleetlog/faults/families/") for name in names)
    assert not [name for name in names if name.startswith("tests/")]


def distributions(requirements: Iterable[str]) -> Iterator[metadata.Distribution]:
    """What the requirements ask for, and what that asks for in turn, as it is installed here."""
    seen: set[str] = set()
    waiting = [*requirements]
    while waiting:
        requirement = Requirement(waiting.pop())
        if requirement.marker and not any(
            requirement.marker.evaluate({"extra": extra}) for extra in requirement.extras or {""}
        ):
            continue
        found = metadata.distribution(requirement.name)
        if found.name not in seen:
            seen.add(found.name)
            yield found
            waiting += found.requires or []


def lend(distribution: metadata.Distribution, site: Path) -> None:
    """Links the top of everything that a distribution installed beside its modules."""
    home = Path(str(distribution.locate_file("")))
    for top in {file.parts[0] for file in distribution.files or []} - {"..", "__pycache__"}:
        if not (site / top).exists():
            (site / top).symlink_to(home / top)


@pytest.mark.slow
def test_demo_outside_the_checkout(wheel: Path, tmp_path: Path) -> None:
    """An environment with the wheel, and of what is installed here only that which the wheel says it needs."""
    venv = tmp_path / "venv"
    subprocess.run([sys.executable, "-m", "venv", "--without-pip", str(venv)], check=True)
    pip = [
        sys.executable,
        "-m",
        "pip",
        "--disable-pip-version-check",
        "--python",
        str(venv / "bin" / "python"),
    ]
    done = subprocess.run(
        [*pip, "install", "-q", "--no-deps", str(wheel)], capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr
    (site,) = venv.glob("lib/python*/site-packages")
    (own,) = metadata.distributions(name="fleetlog", path=[str(site)])
    for needed in distributions(own.requires or []):
        lend(needed, site)
    assert not (site / "pytest").exists()
    checked = subprocess.run([*pip, "check"], capture_output=True, text=True, check=False)
    assert checked.returncode == 0, checked.stdout
    clean = {key: value for key, value in os.environ.items() if not key.startswith(("PYTHON", "FLEETLOG"))}
    done = subprocess.run(
        [str(venv / "bin" / "fleetlog"), "demo"],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        env=clean,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert (tmp_path / "fleetlog-demo" / "report" / "report.html").stat().st_size > 100_000
    assert (tmp_path / "fleetlog-demo" / "report" / "report.pdf").read_bytes().startswith(b"%PDF-1.7")
    assert (tmp_path / "fleetlog-demo" / "fleetlog.duckdb").is_file()
    assert str(Path("fleetlog-demo") / "report") in done.stdout
    assert "site-packages" in done.stdout
