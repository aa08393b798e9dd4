"""Reading families: what a fleet may add, and one exact sentence for every mistake."""

from __future__ import annotations

import copy
import subprocess
import sys
import tomllib
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from fleetlog.errors import SettingsError
from fleetlog.faults import FaultFamily, load_families, parse_family
from fleetlog.faults.loader import SHIPPED, merge

NAMES = ["neutral-return", "oil-overheating", "start-interlock"]
NEUTRAL = tomllib.loads((SHIPPED / "neutral-return.toml").read_text(encoding="utf-8"))
OIL = tomllib.loads((SHIPPED / "oil-overheating.toml").read_text(encoding="utf-8"))

Document = dict[str, Any]


def changed(base: Document, path: str, value: Any) -> Document:
    """The document with one dotted key set, or removed when the value is Ellipsis."""
    document = copy.deepcopy(base)
    *above, last = path.split(".")
    table: Any = document
    for key in above:
        table = table[int(key)] if isinstance(table, list) else table.setdefault(key, {})
    if isinstance(table, list):
        table[int(last)] = value
    elif value is ...:
        del table[last]
    else:
        table[last] = value
    return document


# ------------------------------------------------------------------ shipped


def test_the_shipped_families() -> None:
    assert list(load_families()) == NAMES


@pytest.mark.parametrize("name", NAMES)
def test_a_shipped_family_is_complete(name: str) -> None:
    family = load_families()[name]
    causes = [cause.name for cause in family.causes]
    assert "unknown" in causes
    assert {hazard.cause for hazard in family.hazards} == set(causes)
    for table in family.evidence:
        assert list(table.counts) == causes
        for cause in causes:
            total = sum(table.probability(outcome, cause) for outcome in table.outcomes)
            assert total == pytest.approx(1.0, abs=1e-12)
    # Whatever the cause, but for the one nobody knows and what only words can mend, some step cures it.
    curable = {cause for step in family.steps for cause, chance in step.cures.items() if chance >= 0.5}
    assert set(causes) - {"unknown"} <= curable
    assert family.cautions
    assert [step.order for step in family.steps] == sorted(step.order for step in family.steps)


@pytest.mark.parametrize("name", NAMES)
def test_every_figure_carries_its_source(name: str) -> None:
    rows = load_families()[name].to_rows()
    assert len(rows) > 100
    assert {row["source"] for row in rows} <= {"common practice, no source", "from memory, default"}
    assert all(set(row) == {"section", "key", "value", "unit", "source"} for row in rows)
    keys = [(row["section"], row["key"]) for row in rows]
    assert len(set(keys)) == len(keys)


@pytest.mark.parametrize("name", NAMES)
def test_the_components_are_words_every_store_knows(name: str) -> None:
    family = load_families()[name]
    known = {
        *("drive_pump", "position_sensor", "internal_bushing", "wiring", "controller", "servo"),
        *("rotating_group", "drive_motor", "hydraulic_oil", "engine", "battery", "cooling"),
        *("track", "tire", "other"),
    }
    actions = {"inspect", "test", "adjust", "calibrate", "clean", "repair", "replace", "overhaul"}
    used = {match.component for step in family.steps for match in step.matches}
    used |= {part.component for part in family.parts} | {cause.component for cause in family.causes} - {""}
    assert used <= known
    assert {match.action for step in family.steps for match in step.matches} <= actions


def test_fingerprints_tell_families_apart_and_are_stable() -> None:
    prints = {name: family.fingerprint() for name, family in load_families().items()}
    assert len(set(prints.values())) == len(NAMES)
    assert prints == {name: family.fingerprint() for name, family in load_families().items()}
    other = parse_family(changed(NEUTRAL, "comeback.mean_hours", 61), "neutral-return.toml")
    assert other.fingerprint() != prints["neutral-return"]
    moved = parse_family(NEUTRAL, "/elsewhere/neutral-return.toml")
    rules = [rule.source for rule in moved.recognise]
    assert set(rules) == {"/elsewhere/neutral-return.toml"}
    assert moved.fingerprint() == prints["neutral-return"]


def test_a_start_needs_no_heavy_library() -> None:
    code = (
        "import sys, fleetlog.settings, fleetlog.faults, fleetlog.methods\n"
        "print([m for m in ('duckdb', 'polars', 'scipy', 'numpy', 'altair', 'pyarrow') if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


# ------------------------------------------------------------------ a fleet's own folders


def write(folder: Path, name: str, text: str) -> Path:
    folder.mkdir(exist_ok=True)
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def test_a_folder_adds_a_family_and_replaces_one(tmp_path: Path) -> None:
    text = (SHIPPED / "start-interlock.toml").read_text(encoding="utf-8")
    write(tmp_path, "a.toml", text.replace('name = "start-interlock"', 'name = "dead-battery"'))
    write(tmp_path, "b.toml", text.replace("Start interlock keeps", "Our interlock keeps"))
    families = load_families([tmp_path])
    assert list(families) == sorted([*NAMES, "dead-battery"])
    assert families["start-interlock"].title.startswith("Our interlock")
    assert families["start-interlock"].file == str(tmp_path / "b.toml")


def test_a_family_may_start_from_another(tmp_path: Path) -> None:
    write(
        tmp_path,
        "ours.toml",
        'extends = "neutral-return"\nname = "neutral-return"\n'
        "[steps.replace_sensor]\nlabour_hours = 6.5\n[windows]\nepisode_days = 10\n",
    )
    ours, shipped = load_families([tmp_path])["neutral-return"], load_families()["neutral-return"]
    assert ours.step("replace_sensor").labour_hours == 6.5
    assert ours.step("replace_sensor").parts_cost == shipped.step("replace_sensor").parts_cost
    assert ours.windows.episode_days == 10.0
    assert ours.windows.episode_hours == shipped.windows.episode_hours
    assert ours.causes == shipped.causes


def test_merge_changes_neither_side() -> None:
    base = {"a": {"b": 1, "c": [1]}, "d": 2}
    over = {"a": {"c": [2]}, "e": 3}
    assert merge(base, over) == {"a": {"b": 1, "c": [2]}, "d": 2, "e": 3}
    assert base == {"a": {"b": 1, "c": [1]}, "d": 2}
    assert over == {"a": {"c": [2]}, "e": 3}


def test_two_files_of_one_folder_cannot_share_a_name(tmp_path: Path) -> None:
    text = (SHIPPED / "start-interlock.toml").read_text(encoding="utf-8")
    first = write(tmp_path, "a.toml", text)
    write(tmp_path, "b.toml", text)
    with pytest.raises(SettingsError, match=r'b\.toml: name "start-interlock" is already that of') as error:
        load_families([tmp_path])
    assert str(first) in str(error.value)


def test_a_missing_folder(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"there is no such folder of fault families"):
        load_families([tmp_path / "none"])


def test_extending_nothing_known(tmp_path: Path) -> None:
    write(tmp_path, "a.toml", 'extends = "neutral-retrun"\n')
    with pytest.raises(SettingsError, match=r"extends must name a family .* did you mean neutral-return\?"):
        load_families([tmp_path])


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"name = \n", "not valid TOML"),
        (b'name = "\xff\xfe"', "not UTF-8"),
        (b"", "lacks the key name"),
    ],
)
def test_files_that_are_no_family(tmp_path: Path, content: bytes, words: str) -> None:
    (tmp_path / "bad.toml").write_bytes(content)
    with pytest.raises(SettingsError) as error:
        load_families([tmp_path])
    assert words in str(error.value)
    assert all(line.startswith(str(tmp_path / "bad.toml")) for line in str(error.value).splitlines())


# ------------------------------------------------------------------ mistakes

MISTAKES: list[tuple[Document, str, Any, str]] = [
    (NEUTRAL, "name", "Neutral Return", "name must be lower-case words joined by dashes"),
    (NEUTRAL, "titel", "x", "titel is not a known key; did you mean title?"),
    (NEUTRAL, "title", "", "title must not be empty"),
    (NEUTRAL, "source", ..., "the file lacks the key source; add it"),
    (NEUTRAL, "control", ["electronic"], 'control[1] cannot be "electronic"; did you mean'),
    (NEUTRAL, "sides", ["left"], 'sides must be ["left", "right"]'),
    (NEUTRAL, "sides", ["left", "left"], 'sides contains "left" twice'),
    (NEUTRAL, "sides", "left", "sides must be a list of texts"),
    (NEUTRAL, "cautions", [], "cautions must not be empty: the step"),
    (NEUTRAL, "parts.internal_bushing.side", ["left"], "is not a known key; did you mean sides?"),
    (NEUTRAL, "parts.internal_bushing.service_variant", "inproved", "did you mean improved?"),
    (NEUTRAL, "parts.internal_bushing.part_of", "internal_bushing", "cannot be the part itself"),
    (
        NEUTRAL,
        "parts.internal_bushing.variants",
        {"improved": {"built_from": date(2017, 12, 1)}},
        "variants is not a known key",
    ),
    (NEUTRAL, "recognise.rules", [], "recognise.rules must hold at least one rule"),
    (NEUTRAL, "recognise.rules.0.field", "text", 'recognise.rules[1].field cannot be "text"'),
    (NEUTRAL, "recognise.rules.0.words", "%Return%", "must be a lower-case pattern"),
    (NEUTRAL, "recognise.rules.0.words", "%", "must be a lower-case pattern"),
    (NEUTRAL, "recognise.rules.0.side", "both", 'side cannot be "both"; known are'),
    (NEUTRAL, "recognise.rules.0.spn", 5, "spn is not a known key"),
    (
        NEUTRAL,
        "recognise.rules.0",
        {"field": "spn", "spn": 524288},
        "spn must be a whole number of at least 0",
    ),
    (NEUTRAL, "recognise.rules.0", {"field": "spn", "spn": 1, "fmi": 32}, "fmi must be a whole number"),
    (NEUTRAL, "recognise.rules.0", {"field": "spn", "spn": True}, "spn must be a whole number"),
    (NEUTRAL, "side_words.left", ["% rh %"], "which also names the other side"),
    (NEUTRAL, "causes", {"one": {"title": "x", "prior": 1, "source": "x"}}, "causes must hold at least two"),
    (NEUTRAL, "causes.wiring.prior", 0, "causes.wiring.prior must be a number above 0, not 0"),
    (NEUTRAL, "causes.wiring.prior", float("nan"), "prior must be a number above 0"),
    (NEUTRAL, "causes.wiring.prior", "often", 'prior must be a number above 0, not "often"'),
    (NEUTRAL, "causes.internal_bushing.prior", {"original": 1}, "lacks the key otherwise"),
    (NEUTRAL, "causes.internal_bushing.prior.orignal", 3, "did you mean original?"),
    (NEUTRAL, "hazards.wiring", ..., "the table [hazards] lacks the key wiring"),
    (NEUTRAL, "hazards.wirring", {"scale_hours": 1, "source": "x"}, "did you mean wiring?"),
    (NEUTRAL, "hazards.wiring.scale_hours", -1, "scale_hours must be a number above 0, not -1"),
    (NEUTRAL, "hazards.wiring.source", ..., "lacks the key source"),
    (
        NEUTRAL,
        "hazards.wiring.variants",
        {"thick": {"scale_hours": 1}},
        "thick is not a variant of the component",
    ),
    (NEUTRAL, "steps", {}, "steps must name at least one step"),
    (NEUTRAL, "steps.calibrate_pump.order", 1, "steps have the same order twice"),
    (NEUTRAL, "steps.calibrate_pump.kind", "try", 'steps.calibrate_pump.kind cannot be "try"'),
    (NEUTRAL, "steps.calibrate_pump.cures", {}, "cures must name at least one cause"),
    (NEUTRAL, "steps.calibrate_pump.cures.calibrtion", 0.5, "did you mean calibration?"),
    (NEUTRAL, "steps.calibrate_pump.cures.wiring", 1.5, "of at least 0 and at most 1, not 1.5"),
    (NEUTRAL, "steps.inspect_wiring.cures", {"wiring": 0.5}, "looking cures nothing"),
    (NEUTRAL, "steps.inspect_wiring.confirms.worn", "wirring", "did you mean wiring?"),
    (NEUTRAL, "steps.inspect_wiring.labour_hours", -1, "labour_hours must be a number of at least 0"),
    (NEUTRAL, "steps.inspect_wiring.labour_hours_low", 9, "labour_hours_low must be at most labour_hours, 1"),
    (NEUTRAL, "steps.inspect_wiring.also", ["wiring"], 'also[1] must be a pair such as "wiring/clean"'),
    (NEUTRAL, "steps.inspect_wiring.also", ["wiring/repair"], "a work line must be one step only"),
    (NEUTRAL, "steps.inspect_wiring.sources.cost", "x", "sources.cost is not a known key"),
    (NEUTRAL, "steps.inspect_wiring.opens_pump", "yes", 'must be true or false, not "yes"'),
    (NEUTRAL, "steps.repair_wiring.after", "inspect_wirng", "did you mean inspect_wiring?"),
    (NEUTRAL, "steps.replace_bushing.cautions", False, "must be true where opens_pump is"),
    (NEUTRAL, "steps.replace_sensor.only_after", ["inspect_wirng"], "did you mean inspect_wiring?"),
    (NEUTRAL, "steps.replace_sensor.only_after_any", ["replace_pump"], "no step of lower order"),
    (
        NEUTRAL,
        "steps.test_wiring.deeper_than",
        "repair_wiring",
        "deeper_than must be left out, or both be looks",
    ),
    (NEUTRAL, "steps.test_wiring.helps_again", 0.5, 'helps_again must be left out where kind is not "cure"'),
    (NEUTRAL, "steps.replace_bushing.opening", "pmp", "did you mean pump?"),
    (NEUTRAL, "openings.pump.labour_hours", 13.9, "labour_hours must be at least those of its opening, 13.9"),
    (NEUTRAL, "openings.cab", {"title": "x", "labour_hours": 1, "source": "x"}, "no step is done in it"),
    (NEUTRAL, "service.fee", -1, "service.fee must be a number of at least 0"),
    (
        NEUTRAL,
        "evidence.smell",
        {"title": "x", "source": "x", "counts": {}},
        "evidence.smell is not a kind of evidence",
    ),
    (NEUTRAL, "evidence.voltage.counts.wiring", ..., "lacks the key wiring"),
    (NEUTRAL, "evidence.voltage.counts.wiring.normal", 0, "normal must be a number above 0, not 0"),
    (NEUTRAL, "evidence.voltage.counts.wiring.wandering", 1, "did you mean wanders?"),
    (
        NEUTRAL,
        "evidence.failure_mode.outcomes",
        ["electric"],
        'cannot contain "electric"; did you mean electrical?',
    ),
    (
        NEUTRAL,
        "evidence.failure_mode.outcomes",
        ...,
        "the table [evidence.failure_mode] lacks the key outcomes",
    ),
    (NEUTRAL, "steps.replace_sensor.<name>", "x", "is not a known key"),
    (NEUTRAL, "voltage", ..., "evidence.voltage needs the table [voltage]"),
    (NEUTRAL, "voltage.near_zero", 3, "near_zero must be a number below target, 2"),
    (NEUTRAL, "voltage.tolerance", 0, "tolerance must be a number above 0"),
    (NEUTRAL, "windows.episode_hours", 0, "windows.episode_hours must be a number above 0"),
    (NEUTRAL, "windows.episode_hour", 5, "did you mean episode_hours?"),
    (NEUTRAL, "comeback.quiet_chance", 1, "quiet_chance must be a number of at least 0 and below 1"),
    (NEUTRAL, "comeback", [1], "comeback must be a table, not a list"),
    (
        OIL,
        "evidence.sides",
        NEUTRAL["evidence"]["sides"],
        "the table [evidence.sides.counts] lacks the key cooler_blocked",
    ),
]


@pytest.mark.parametrize(
    ("base", "path", "value", "words"),
    MISTAKES,
    ids=[f"{path}={value!r:.30}" for _, path, value, _ in MISTAKES],
)
def test_one_sentence_for_one_mistake(base: Document, path: str, value: Any, words: str) -> None:
    with pytest.raises(SettingsError) as error:
        parse_family(changed(base, path, value), "ours.toml")
    message = str(error.value)
    assert words in message
    assert all(line.startswith("ours.toml: ") for line in message.splitlines())
    assert error.value.exit_code == 2


def test_all_mistakes_of_a_file_are_told_at_once() -> None:
    document = changed(NEUTRAL, "titel", "x")
    for path, value in (
        ("comeback.mean_hours", "long"),
        ("steps.replace_sensor.cures.wiring", 2),
        ("hazards.wiring.scale", 1),
        ("recognise.rules.1.words", "%Neutral%"),
        ("windows.episode_days", ...),
    ):
        document = changed(document, path, value)
    with pytest.raises(SettingsError) as error:
        parse_family(document, "ours.toml")
    assert sorted(str(error.value).splitlines()) == [
        'ours.toml: comeback.mean_hours must be a number above 0, not "long"',
        "ours.toml: hazards.wiring.scale is not a known key; did you mean scale_hours?",
        'ours.toml: recognise.rules[2].words must be a lower-case pattern such as "%return to neutral%", not "%Neutral%"',
        "ours.toml: steps.replace_sensor.cures.wiring must be a number of at least 0 and at most 1, not 2",
        "ours.toml: the table [windows] lacks the key episode_days; add it",
        "ours.toml: titel is not a known key; did you mean title?",
    ]


def test_what_shows_only_between_tables_is_told_at_once_too() -> None:
    document = changed(changed(NEUTRAL, "hazards.wiring", ...), "steps.calibrate_pump.order", 1)
    with pytest.raises(SettingsError) as error:
        parse_family(document, "ours.toml")
    assert len(str(error.value).splitlines()) == 2


def test_a_name_cannot_be_given_twice() -> None:
    with pytest.raises(SettingsError, match=r"steps\.replace_sensor\.name is not a known key"):
        parse_family(changed(NEUTRAL, "steps.replace_sensor.name", "replace_sensor"), "ours.toml")


def test_sides_evidence_needs_sides() -> None:
    causes = {name: {"one": 1, "both": 1} for name in OIL["causes"]}
    document = changed(OIL, "evidence.sides", {"title": "x", "source": "x", "counts": causes})
    with pytest.raises(SettingsError, match=r'evidence\.sides needs sides = \["left", "right"\]'):
        parse_family(document, "ours.toml")


KEYS_AT_TOP = sorted(NEUTRAL)


@pytest.mark.parametrize("key", KEYS_AT_TOP)
@pytest.mark.parametrize("value", [1, -1.5, True, "x", "", [], [1], {}, {"x": 1}, [{}], date(2020, 1, 1)])
def test_whatever_stands_there_no_other_error_comes(key: str, value: Any) -> None:
    """A wrong kind of value is either understood or refused in one sentence, never a crash."""
    outcome: FaultFamily | str
    try:
        outcome = parse_family(changed(NEUTRAL, key, value), "ours.toml")
    except SettingsError as error:
        outcome = str(error)
        assert all(line.startswith("ours.toml: ") for line in outcome.splitlines())
    assert outcome


def test_every_table_refuses_a_key_it_does_not_know() -> None:
    """Walks the whole shipped file: no typing error anywhere passes in silence."""
    free = {  # tables whose keys are names of the author's choosing
        "parts",
        "causes",
        "steps",
        "recognise.rules",
        "parts.internal_bushing.variants",
    }
    walked = 0

    def walk(table: Document, path: str, visit: Callable[[str], None]) -> None:
        visit(path)
        for key, value in table.items():
            if isinstance(value, dict):
                walk(value, f"{path}.{key}" if path else key, visit)

    def visit(path: str) -> None:
        nonlocal walked
        if path in free:
            return
        walked += 1
        with pytest.raises(SettingsError, match="zzz_unknown"):
            parse_family(changed(NEUTRAL, f"{path}.zzz_unknown" if path else "zzz_unknown", 1), "ours.toml")

    walk(NEUTRAL, "", visit)
    assert walked > 80
