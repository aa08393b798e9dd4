from __future__ import annotations

from pathlib import Path

import pytest

from fleetlog.errors import SettingsError, UsageError
from fleetlog.intake.profiles import Profile, profile_text, read_profile, read_profiles, write_profile

GOOD = """
kind = "work_lines"
ignore = ["Tech"]
[columns]
"WO" = "work_order_id"
"Line" = "line_no"
[words.side]
"-" = ""
"LH" = "left"
"""


def written(folder: Path, text: str) -> Path:
    path = folder / "log.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_a_profile_is_read(tmp_path: Path) -> None:
    profile = read_profile(written(tmp_path, GOOD))
    assert profile == Profile(
        "log.toml",
        "work_lines",
        {"WO": "work_order_id", "Line": "line_no"},
        ("Tech",),
        {"side": {"-": "", "LH": "left"}},
    )


def test_writing_and_reading_give_the_same(tmp_path: Path) -> None:
    profile = Profile(
        "x.toml",
        "work_lines",
        {'WO "No" \\ #': "work_order_id", "Zeile\tNr": "line_no", "部品": "component"},
        ("Größe",),
        {"action": {"R&R\n": "replace", "\x7f": "test"}},
    )
    path = tmp_path / "x.toml"
    write_profile(profile, path)
    assert read_profile(path) == profile
    assert path.read_text(encoding="utf-8") == profile_text(profile)


def test_a_profile_is_never_written_over(tmp_path: Path) -> None:
    path = written(tmp_path, GOOD)
    with pytest.raises(UsageError, match="is there already"):
        write_profile(Profile("x", "machines"), path)
    assert path.read_text(encoding="utf-8") == GOOD
    with pytest.raises(UsageError, match="cannot be written"):
        write_profile(Profile("x", "machines"), tmp_path / "no" / "x.toml")


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "kind is missing; known are machines, components"),
        ('kind = "work_line"', r"kind cannot be 'work_line'; did you mean work_lines\?"),
        ('kind = "machines"\ncolums = 1', r"colums is not a known key; did you mean columns\?"),
        ('kind = "machines"\ncolumns = 1', "columns must be a table"),
        (
            'kind = "machines"\n[columns]\nUnit = "machine"',
            r'columns\."Unit" cannot be \'machine\', which machines do not have; did you mean machine_id\?',
        ),
        ('kind = "machines"\n[columns]\nUnit = 1', r'columns\."Unit" must be a heading and its column'),
        (
            'kind = "machines"\n[columns]\nUnit = "machine_id"\n"U-nit" = "model"',
            "columns has both 'Unit' and 'U-nit'",
        ),
        ('kind = "machines"\nignore = "Unit"', "ignore must be a list of headings"),
        (
            'kind = "machines"\nignore = ["unit"]\n[columns]\nUnit = "machine_id"',
            "'unit' stands both in columns and in ignore",
        ),
        ('kind = "machines"\nwords = 1', "words must be tables"),
        ('kind = "machines"\n[words.action]\na = "b"', r"words\.action is no column of machines"),
        ('kind = "machines"\n[words.control]\na = 1', r'words\.control\."a" must be a word'),
        ('kind = "components"\n[words.component]\na = ""', "cannot be empty, since component is required"),
        ('kind = "machines"\ndate_order = "dmy"', 'date_order must be "day" or "month"'),
        ('kind = "machines', "not valid TOML"),
    ],
)
def test_mistakes_are_told_in_one_sentence(text: str, message: str, tmp_path: Path) -> None:
    path = written(tmp_path, text)
    with pytest.raises(SettingsError, match=message) as caught:
        read_profile(path)
    told = str(caught.value)
    assert told.startswith(str(path))
    assert "\n" not in told
    assert told.endswith((".", "?."))


def test_files_that_cannot_be_read(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="there is no such profile"):
        read_profile(tmp_path / "none.toml")
    (tmp_path / "bad.toml").write_bytes(b"\xff\xfe\x00")
    with pytest.raises(SettingsError, match="not UTF-8"):
        read_profile(tmp_path / "bad.toml")
    with pytest.raises(SettingsError, match="cannot be read"):
        read_profile(tmp_path)


def test_the_profiles_of_a_folder(tmp_path: Path) -> None:
    assert read_profiles(tmp_path / "none") == []
    for name in ("b", "a"):
        (tmp_path / f"{name}.toml").write_text(GOOD, encoding="utf-8")
    (tmp_path / "readme.txt").write_text("x", encoding="utf-8")
    assert [profile.name for profile in read_profiles(tmp_path)] == ["a.toml", "b.toml"]
