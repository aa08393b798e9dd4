"""Settings: defaults that say where they come from, a fleet's own values, and one sentence for a mistake."""

from __future__ import annotations

import tomllib
from dataclasses import FrozenInstanceError, fields
from datetime import date
from pathlib import Path

import pytest

from fleetlog.errors import SettingsError, UsageError
from fleetlog.faults import load_families
from fleetlog.settings import (
    DEFAULT,
    DEFAULT_FROM_MEMORY,
    FILE_NAME,
    SECTIONS,
    Settings,
    families_for,
    family_for,
    load_settings,
    settings_beside,
    settings_schema,
)

EVERYTHING = """
[fleet]
name = "Moor Lane yard"
time_zone = "Europe/Oslo"
currency = "EUR"

[costs]
labour_rate = 95
downtime_per_day = 180.5

[costs.parts]
position_sensor = 210
drive_pump = 5200

[shop]
weekly_hours = 60

[meters]
max_hours_per_day = 20
recent_rate_days = 60

[survival]
minimum_at_risk = 8
confidence = 0.9

[vocabulary]
component = ["seat_switch"]
finding = ["dirty"]

[faults.neutral-return.windows]
comeback_hours = 400

[faults.neutral-return.voltage]
tolerance = 0.08

[faults.neutral-return.steps.replace_bushing]
labour_hours = 16

[faults.neutral-return.steps.replace_sensor]
parts_cost = 199

[[faults.neutral-return.codes]]
spn = 520210
fmi = 7
side = "left"

[[faults.neutral-return.codes]]
code = "DRV-31"

[[faults.neutral-return.codes]]
words = "%drive plate fault%"
unless = ["%cleared%"]
"""


def written(folder: Path, text: str) -> Path:
    path = folder / FILE_NAME
    path.write_text(text, encoding="utf-8")
    return path


@pytest.fixture
def everything(tmp_path: Path) -> Settings:
    return load_settings(written(tmp_path, EVERYTHING))


# ------------------------------------------------------------------ defaults


def test_defaults_need_no_file() -> None:
    settings = load_settings(None)
    assert settings == Settings()
    assert settings.fleet.time_zone == "UTC"
    assert settings.fleet.currency == "USD"
    assert settings.fleet.paper == "a4"
    assert settings.meters.max_hours_per_day == 24.0
    assert settings.meters.recent_rate_days == 90
    assert settings.meters.silence_days == 180
    assert settings.survival.confidence == 0.95


def test_an_empty_file_is_the_defaults(tmp_path: Path) -> None:
    settings = load_settings(written(tmp_path, ""))
    assert settings.fingerprint() == Settings().fingerprint()
    assert settings.source("costs", "labour_rate") == DEFAULT_FROM_MEMORY


def test_every_default_says_where_it_comes_from() -> None:
    rows = Settings().to_rows()
    assert {row["source"] for row in rows} == {DEFAULT, DEFAULT_FROM_MEMORY}
    assert {row["section"] for row in rows} == set(SECTIONS)
    assert all(row["meaning"] for row in rows)
    assert all(set(row) == {"section", "key", "value", "unit", "source", "meaning"} for row in rows)
    remembered = {row["key"] for row in rows if row["source"] == DEFAULT_FROM_MEMORY}
    assert {"labour_rate", "downtime_per_day", "weekly_hours", "recent_rate_days"} <= remembered
    money = {row["unit"] for row in rows if row["section"] == "costs"}
    assert "USD/labour hour" in money


def test_settings_are_frozen() -> None:
    with pytest.raises(FrozenInstanceError):
        Settings().fleet.name = "other"  # type: ignore[misc]


# ------------------------------------------------------------------ a fleet's own


def test_values_of_a_file(everything: Settings) -> None:
    assert everything.fleet.name == "Moor Lane yard"
    assert everything.costs.labour_rate == 95.0
    assert everything.costs.downtime_per_day == 180.5
    assert everything.costs.day_hours == Settings().costs.day_hours
    assert everything.parts == {"position_sensor": 210.0, "drive_pump": 5200.0}
    assert everything.vocabulary.component == ("seat_switch",)
    assert everything.source("costs", "labour_rate") == FILE_NAME
    assert everything.source("costs", "day_hours") == DEFAULT_FROM_MEMORY


def test_rows_show_everything_that_the_file_sets(everything: Settings) -> None:
    rows = {(row["section"], row["key"]): row for row in everything.to_rows()}
    assert rows["costs", "labour_rate"]["unit"] == "EUR/labour hour"
    assert rows["costs.parts", "drive_pump"]["value"] == 5200.0
    assert rows["faults.neutral-return.windows", "comeback_hours"]["value"] == 400.0
    assert rows["faults.neutral-return.codes", "spn 1"]["value"] == "SPN 520210 FMI 7 (left)"
    assert rows["faults.neutral-return.codes", "code 2"]["value"] == "drv-31"
    assert rows["vocabulary", "finding"]["value"] == "dirty"
    own = [row for row in rows.values() if row["source"] == FILE_NAME]
    assert len(own) == 12 + 2 + 4 + 3  # values, parts, figures, codes


def test_a_family_takes_the_fleets_figures_and_says_so(everything: Settings) -> None:
    family = families_for(everything)["neutral-return"]
    shipped = load_families()["neutral-return"]
    assert family.windows.comeback_hours == 400.0
    assert family.windows.sources["comeback_hours"] == FILE_NAME
    assert family.windows.confirmation_hours == shipped.windows.confirmation_hours
    assert family.voltage is not None
    assert family.voltage.tolerance == 0.08
    bushing = family.step("replace_bushing")
    assert (bushing.labour_hours, bushing.labour_hours_low, bushing.labour_hours_high) == (16.0, 12.0, 16.0)
    assert bushing.sources["labour_hours"] == FILE_NAME
    # [costs.parts] prices every step that replaces the part; a step's own figure wins over it
    assert family.step("replace_pump").parts_cost == 5200.0
    assert family.step("replace_sensor").parts_cost == 199.0
    assert family.step("calibrate_pump").parts_cost == 0.0
    assert family.fingerprint() != shipped.fingerprint()
    assert shipped == load_families()["neutral-return"]  # nothing shared was changed


def test_the_fleets_codes_come_first(everything: Settings) -> None:
    family = families_for(everything)["neutral-return"]
    spn, code, words = family.recognise[:3]
    assert (spn.field, spn.spn, spn.fmi, spn.side) == ("spn", 520210, 7, "left")
    assert (code.field, code.words) == ("code", "drv-31")  # matched in lower case
    assert (words.field, words.words, words.unless) == ("description", "%drive plate fault%", ("%cleared%",))
    assert {rule.source for rule in family.recognise[:3]} == {FILE_NAME}
    assert family.recognise[3:] == load_families()["neutral-return"].recognise


def test_other_families_stay_as_they_are(everything: Settings) -> None:
    families, shipped = families_for(everything), load_families()
    assert families["start-interlock"] == shipped["start-interlock"]


def test_a_folder_of_families_is_found_beside_the_file(tmp_path: Path) -> None:
    (tmp_path / "ours").mkdir()
    (tmp_path / "ours" / "a.toml").write_text(
        'extends = "start-interlock"\nname = "no-crank"\ntitle = "Will not crank"\n', encoding="utf-8"
    )
    settings = load_settings(written(tmp_path, '[faults]\nfolders = ["ours"]\n'))
    families = families_for(settings)
    assert families["no-crank"].title == "Will not crank"
    assert "start-interlock" in families


def test_the_file_beside_a_store(tmp_path: Path) -> None:
    assert settings_beside(tmp_path / "fleetlog.duckdb") is None
    path = written(tmp_path, "")
    assert settings_beside(tmp_path / "fleetlog.duckdb") == path


# ------------------------------------------------------------------ fingerprint


def test_the_fingerprint_is_of_values_not_of_places_or_order(tmp_path: Path) -> None:
    first = load_settings(written(tmp_path, EVERYTHING))
    other = tmp_path / "elsewhere.toml"
    blocks = EVERYTHING.strip().split("\n\n")
    assert tomllib.loads(EVERYTHING)
    shuffled = [block for block in blocks if "[[" not in block][::-1] + [
        block for block in blocks if "[[" in block
    ]
    other.write_text("# another order\n" + "\n\n".join(shuffled), encoding="utf-8")
    assert load_settings(other).fingerprint() == first.fingerprint()
    assert len(first.fingerprint()) == 64


@pytest.mark.parametrize(
    "change",
    ["labour_rate = 96", "confidence = 0.91", 'finding = ["dusty"]', "comeback_hours = 401", "spn = 520211"],
)
def test_every_change_changes_the_fingerprint(tmp_path: Path, change: str) -> None:
    before = load_settings(written(tmp_path, EVERYTHING)).fingerprint()
    key = change.split(" =")[0]
    lines = [change if line.startswith(f"{key} =") else line for line in EVERYTHING.splitlines()]
    assert load_settings(written(tmp_path, "\n".join(lines))).fingerprint() != before


def test_a_default_written_out_is_the_same_setting(tmp_path: Path) -> None:
    settings = load_settings(written(tmp_path, "[costs]\nlabour_rate = 110\n"))
    assert settings.fingerprint() == Settings().fingerprint()
    assert settings.source("costs", "labour_rate") == FILE_NAME


# ------------------------------------------------------------------ mistakes


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("[cost]\n", "cost is not a known key; did you mean costs?"),
        ("[costs]\nlabor_rate = 1", "costs.labor_rate is not a known key; did you mean labour_rate?"),
        ("[costs]\nlabour_rate = -1", "costs.labour_rate must be a number of at least 0, not -1"),
        ('[costs]\nlabour_rate = "95"', 'must be a number of at least 0, not "95"'),
        ("[costs]\nlabour_rate = true", "must be a number of at least 0, not true"),
        ("[costs]\nlabour_rate = inf", "must be a number of at least 0, not inf"),
        ("[costs]\nlabour_rate = nan", "must be a number of at least 0, not nan"),
        ("[costs]\nday_hours = 0", "costs.day_hours must be a number above 0 and at most 24, not 0"),
        ('[costs.parts]\nposition_sensor = "dear"', "costs.parts.position_sensor must be a number"),
        ("costs = 3", "costs must be a table, not 3"),
        ('"costs.parts" = { drive_pump = 1 }', "costs.parts is not a known key"),
        ('"<file>" = "x"', "is not a known key"),
        ('[fleet]\ntime_zone = "Europe/Osloo"', "did you mean Europe/Oslo?"),
        ('[fleet]\ntime_zone = ""', "is not a time zone that this computer knows"),
        ('[fleet]\ntime_zone = "../../etc/passwd"', "is not a time zone that this computer knows"),
        ('[fleet]\ntime_zone = "Europe"', "is not a time zone that this computer knows"),
        ("[fleet]\ntime_zone = 1", "fleet.time_zone must be a text in quotes, not 1"),
        ('[fleet]\ncurrency = "usd"', "must be an ISO 4217 code of three capitals such as USD"),
        ('[fleet]\ncurrency = "€"', "must be an ISO 4217 code"),
        ('[fleet]\npaper = "A3"', 'fleet.paper cannot be "A3"; known are a4, letter'),
        ("[meters]\nmax_hours_per_day = 25", "at most 24, not 25"),
        ("[meters]\nrecent_rate_days = 1.5", "must be a whole number of at least 1, not 1.5"),
        ("[survival]\nconfidence = 1", "must be a number above 0 and below 1, not 1"),
        ("[survival]\nminimum_at_risk = 0", "must be a whole number of at least 1, not 0"),
        ('[vocabulary]\naction = "weld"', "vocabulary.action must be a list of texts"),
        ('[vocabulary]\naction = ["Weld it"]', "action[1] must be a lower_snake_case word"),
        ("[vocabulary]\naction = [1]", "vocabulary.action[1] must be a text in quotes, not 1"),
        ('[faults]\nfolders = "ours"', "faults.folders must be a list of texts"),
        ("[faults]\nneutral-return = 1", "faults.neutral-return must be a table, not 1"),
        ("[faults.neutral-return]\nwindow = 1", "did you mean windows?"),
        ("[faults.neutral-return.windows]\nepisode_hour = 1", "did you mean episode_hours?"),
        ("[faults.neutral-return.windows]\nepisode_hours = 0", "must be a number above 0, not 0"),
        ("[[faults.neutral-return.codes]]\nfmi = 7", "must have exactly one of spn"),
        ('[[faults.neutral-return.codes]]\nspn = 1\ncode = "x"', "it has spn and code"),
        (
            "[[faults.neutral-return.codes]]\nspn = 1\nfmi = 32",
            "fmi must be a whole number of at least 0 and",
        ),
        ('[[faults.neutral-return.codes]]\nspn = 1\nside = "port"', 'side cannot be "port"'),
        ('[[faults.neutral-return.codes]]\nwords = "%Drive%"', "must be a lower-case pattern"),
        ('[[faults.neutral-return.codes]]\ncode = ""', "code must not be empty"),
        (
            "[faults.neutral-return]\ncodes = 1",
            "must be a list of tables, written [[faults.neutral-return.codes]]",
        ),
        ("name =", "is not valid TOML"),
    ],
)
def test_one_sentence_for_one_mistake(tmp_path: Path, text: str, words: str) -> None:
    path = written(tmp_path, text)
    with pytest.raises(SettingsError) as error:
        load_settings(path)
    message = str(error.value)
    assert words in message
    assert message.startswith(f"{path}: ")
    assert "\n" not in message
    assert error.value.exit_code == 2


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (
            "[faults.neutral-retrun]\n",
            "faults.neutral-retrun is no fault family; did you mean neutral-return?",
        ),
        (
            "[faults.neutral-return.steps.replace_bush]\nlabour_hours = 1",
            "steps.replace_bush is no step of that family; did you mean replace_bushing?",
        ),
        (
            "[faults.neutral-return.steps.replace_bushing]\nlabour_hours_low = 14",
            "labour_hours_low must be at most labour_hours, 13.5",
        ),
        (
            "[faults.neutral-return.steps.replace_bushing]\nlabour_hours_high = 10",
            "labour_hours_high must be at least labour_hours, 13.5",
        ),
        (
            "[faults.neutral-return.steps.replace_bushing]\nsecond_side_labour_hours = 20",
            "second_side_labour_hours must be at most labour_hours, 13.5",
        ),
        ("[faults.neutral-return.voltage]\ntarget = 5", "near_zero below target below near_supply"),
        ("[faults.neutral-return.voltage]\ntolerance = 0", "must keep tolerance and wander above 0"),
        ("[faults.oil-overheating.voltage]\ntarget = 5", "must be left out: that family measures no voltage"),
        (
            '[[faults.oil-overheating.codes]]\nspn = 1\nside = "left"',
            "codes[1].side must be left out: that fault has no sides",
        ),
        ('[faults]\nfolders = ["nowhere"]', "there is no such folder of fault families"),
    ],
)
def test_what_only_shows_against_the_family(tmp_path: Path, text: str, words: str) -> None:
    settings = load_settings(written(tmp_path, text))
    with pytest.raises(SettingsError) as error:
        families_for(settings)
    assert words in str(error.value)
    assert str(tmp_path) in str(error.value)
    assert "\n" not in str(error.value)


def test_a_missing_file(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"nothing\.toml: there is no such file"):
        load_settings(tmp_path / "nothing.toml")


def test_a_folder_is_no_file(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="the file cannot be read"):
        load_settings(tmp_path)


def test_an_unknown_family_proposes_the_nearest() -> None:
    with pytest.raises(
        UsageError, match=r'there is no fault family "neutral"; did you mean neutral-return\?'
    ):
        family_for(Settings(), load_families(), "neutral")


def test_every_field_can_be_read_from_a_file() -> None:
    for kind in SECTIONS.values():
        for one in fields(kind):
            assert one.name in settings_schema()["$defs"][kind.__name__]["properties"]


# ------------------------------------------------------------------ design changes


def design(**keys: str) -> str:
    usual = {"component": '"internal_bushing"', "variant": '"improved"', "built_from": "2016-04-01"}
    return "[[design_changes]]\n" + "\n".join(
        f"{key} = {value}" for key, value in (usual | keys).items() if value
    )


def test_design_changes_stand_in_the_order_of_the_file(tmp_path: Path) -> None:
    text = design(make='"Dunlin"') + "\n\n" + design(make='"Marram"', built_from='"2018-09-01"')
    settings = load_settings(written(tmp_path, text))
    families_for(settings)
    assert [change.make for change in settings.design_changes] == ["Dunlin", "Marram"]
    assert settings.design_changes[1].built_from == date(2018, 9, 1)
    assert settings.fingerprint() != Settings().fingerprint()
    assert "variant improved, make Dunlin, built_from 2016-04-01" in str(settings.to_rows())


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (design(component='"internal_bushin"'), "did you mean internal_bushing?"),
        (design(component=""), "component"),
        (design(variant='"improvd"'), "did you mean improved?"),
        (design(made='"Dunlin"'), "did you mean make?"),
        (design(built_from=""), "exactly one of built_from, serial_from"),
        (design(serial_from='"X1"'), "exactly one of built_from, serial_from"),
        (design(built_from='"April"'), "a date such as"),
        (design(built_to="2016-03-31"), "not before built_from"),
        (design(built_from="", serial_from='"X1A"'), "must end in digits"),
        (design(built_from="", serial_from='"X10"', serial_to='"X09"'), "letters and length of serial_from"),
        (design(built_from="", serial_from='"X10"', serial_to='"X100"'), "letters and length of serial_from"),
        (design(built_from="", serial_from='"X10"', built_to="2016-04-01"), "not before built_from"),
        (design() + "\n" + design(variant='"original"'), "design_changes[2]"),
    ],
)
def test_a_design_change_is_refused_in_one_sentence(text: str, told: str, tmp_path: Path) -> None:
    with pytest.raises(SettingsError) as error:
        families_for(load_settings(written(tmp_path, text)))
    assert told in str(error.value)
    assert "design_changes[" in str(error.value)
    assert FILE_NAME in str(error.value)
