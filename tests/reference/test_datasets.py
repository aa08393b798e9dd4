"""The data files: each is described, with its terms, and the source archive has those that may be handed on."""

from __future__ import annotations

import subprocess
import sys
import tarfile
import tomllib
from pathlib import Path

import pytest
from published import HERE, ROOT, all_cases, data, datasets, is_archive, require


@pytest.mark.parametrize("name", datasets())
def test_each_file_has_the_rows_and_columns_listed(name: str) -> None:
    listed = datasets()[name]
    rows = data(name)
    assert rows.height == listed["rows"]
    assert rows.columns == listed["columns"].split(";")


@pytest.mark.parametrize("name", datasets())
def test_each_file_says_where_it_comes_from_and_under_which_terms(name: str) -> None:
    listed = datasets()[name]
    assert all(listed[column] for column in ("source", "origin", "licence", "basis"))
    assert listed["in_sdist"] in ("yes", "no")
    if listed["in_sdist"] == "yes":
        assert "GPL" not in listed["licence"]
        assert "unknown" not in listed["licence"]
        assert f"`{name}`" in (HERE / "NOTICE.md").read_text(encoding="utf-8")


def test_no_file_is_undescribed_or_unused() -> None:
    """In the repository every file is there; a source archive has those listed for it."""
    there = {path.name for path in (HERE / "data").iterdir()}
    listed = {name for name, row in datasets().items() if not is_archive() or row["in_sdist"] == "yes"}
    assert there == listed
    used = {record["dataset"] for record in all_cases().values()}
    assert set(datasets()) <= used


def test_the_build_leaves_out_what_the_list_says() -> None:
    build = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["hatch"]["build"]
    left_out = [
        f"/tests/reference/data/{name}" for name, row in datasets().items() if row["in_sdist"] == "no"
    ]
    assert [path for path in build["targets"]["sdist"]["exclude"] if "reference" in path] == left_out


@pytest.mark.slow
def test_the_source_archive_has_the_files_that_may_be_handed_on(tmp_path: Path) -> None:
    command = [sys.executable, "-m", "build", "--sdist", "--outdir", str(tmp_path), str(ROOT)]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    (archive,) = tmp_path.glob("*.tar.gz")
    with tarfile.open(archive) as packed:
        names = [name.split("/", 1)[1] for name in packed.getnames()]
    handed_on = {name.rsplit("/", 1)[1] for name in names if name.startswith("tests/reference/data/")}
    assert handed_on == {name for name, row in datasets().items() if row["in_sdist"] == "yes"}
    assert "tests/reference/NOTICE.md" in names
    assert "PKG-INFO" in names  # by which tests know that they lie in an archive


def test_a_file_left_out_is_named_in_one_sentence(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Only an archive may lack a file, and only one that is listed as left out."""
    monkeypatch.setattr("published.HERE", tmp_path)
    monkeypatch.setattr("published.is_archive", lambda: False)
    require("lung.csv")  # says nothing: reading it fails, as it should in the repository
    with pytest.raises(FileNotFoundError):
        data("lung.csv")
    monkeypatch.setattr("published.is_archive", lambda: True)
    sentence = r"^lung.csv is not in this source archive, as .* repository\.$"
    with pytest.raises(pytest.skip.Exception, match=sentence):
        data("lung.csv")
    with pytest.raises(FileNotFoundError):
        data("aml.csv")
