"""The built wheel works outside the checkout: sql/, reports/ and demo_data/ really ship."""

from __future__ import annotations

import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

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


@pytest.mark.slow
def test_demo_outside_the_checkout(wheel: Path, tmp_path: Path) -> None:
    venv = tmp_path / "venv"
    subprocess.run([sys.executable, "-m", "venv", str(venv)], check=True)
    python = venv / "bin" / "python"
    pip = [str(python), "-m", "pip", "install", "-q", "--no-compile", "--disable-pip-version-check"]
    lock = ["-c", str(ROOT / "requirements.lock")]
    done = subprocess.run([*pip, *lock, str(wheel)], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
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
