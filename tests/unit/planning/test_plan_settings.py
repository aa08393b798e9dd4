"""What the planner can set: read, refused in one sentence, and shown with its source."""

from __future__ import annotations

from pathlib import Path

import pytest

from fleetlog.errors import SettingsError
from fleetlog.settings import Settings, load_settings

PLANNING = {
    "costs": ("call_out", "days_waiting", "engine_out_hours", "discount_per_year"),
    "shop": (
        "pump_mechanics",
        "mechanic_hours",
        "engine_out_jobs",
        "parts_lead_days",
        "closed_weeks",
        "replan_penalty",
    ),
}


def written(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "fleetlog.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_every_figure_is_shown_with_unit_and_source() -> None:
    rows = {(row["section"], row["key"]): row for row in Settings().to_rows()}
    for section, keys in PLANNING.items():
        for key in keys:
            assert rows[section, key]["meaning"]
            assert rows[section, key]["source"] in ("default", "default from memory")


def test_a_file_sets_them(tmp_path: Path) -> None:
    settings = load_settings(
        written(
            tmp_path,
            '[costs]\ncall_out = 90\n[shop]\npump_mechanics = 1\nclosed_weeks = ["2026-W53", "2027-W01"]\n',
        )
    )
    assert settings.costs.call_out == 90
    assert settings.shop.pump_mechanics == 1
    assert settings.shop.closed_weeks == ("2026-W53", "2027-W01")
    assert settings.source("shop", "closed_weeks") == "fleetlog.toml"
    assert settings.fingerprint() != Settings().fingerprint()


@pytest.mark.parametrize(
    "week", ["2026-W54", "2025-W53", "2026-W1", "2026-52", "week 3", "W52", "2026-W52-1", "９９９９-W01"]
)
def test_what_is_no_week_is_refused(tmp_path: Path, week: str) -> None:
    with pytest.raises(SettingsError, match="an ISO week such as"):
        load_settings(written(tmp_path, f'[shop]\nclosed_weeks = ["{week}"]\n'))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[costs]\ndiscount_per_year = 1.0", "below 1"),
        ("[costs]\ncall_out = -1", "at least 0"),
        ("[costs]\nlabour_rate = -95", "at least 0"),
        ("[costs]\ndowntime_per_day = -0.5", "at least 0"),
        ('[costs]\nlabour_rate = "95 an hour"', "must be a number"),
        ("[costs]\nlabour_rate =", "TOML"),
        ("[costs]\nday_hours = 0", "above 0"),
        ("[costs.parts]\nposition_sensor = -1", "at least 0"),
        ("[shop]\nweekly_hours = -40", "at least 0"),
        ("[shop]\nclosed_weeks = 52", "list"),
        ("[shop]\npump_mechanics = 1.5", "whole number"),
        ("[shop]\nengine_out_jobs = -1", "at least 0"),
        ("[shop]\nmechanic_hours = 200", "at most 168"),
    ],
)
def test_impossible_figures_are_refused(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(SettingsError, match=said):
        load_settings(written(tmp_path, text))
