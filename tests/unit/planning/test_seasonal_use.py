"""Levels and seasons recovered from hours that were made from known ones."""

from __future__ import annotations

import numpy as np
import pytest

from fleetlog.stats.errors import LengthMismatch
from fleetlog.stats.seasonal_use import UseTable, learn_use

SEASON = np.array([0.5, 0.6, 0.9, 1.1, 1.2, 1.3, 1.2, 1.2, 1.1, 1.1, 1.0, 0.8])
SEASON = SEASON / SEASON.mean()
DAYS = np.array([31, 28, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31])


def made(machines: int, months: int, noise: float, seed: int, sites: int = 1) -> tuple[UseTable, np.ndarray]:
    rng = np.random.default_rng(seed)
    level = rng.uniform(0.5, 5.0, machines)
    machine = np.repeat(np.arange(machines), months)
    month = np.tile(np.arange(600, 600 + months), machines)
    days = DAYS[month % 12].astype(float)
    hours = level[machine] * SEASON[month % 12] * days * np.exp(noise * rng.normal(size=machine.size))
    return UseTable(machine, month, hours, days, np.arange(machines) % sites), level


def test_without_noise_both_come_back_exactly() -> None:
    table, level = made(40, 24, 0.0, 1)
    use = learn_use(table)
    np.testing.assert_allclose(use.season[0], SEASON, rtol=1e-9)
    np.testing.assert_allclose(use.mean_level, level, rtol=1e-9)
    assert use.month_spread == pytest.approx(0.0, abs=1e-9)


def test_with_noise_they_come_back_nearly() -> None:
    table, level = made(300, 36, 0.3, 2)
    use = learn_use(table)
    np.testing.assert_allclose(use.season[0], SEASON, rtol=0.06)
    assert np.corrcoef(use.level, level)[0, 1] > 0.97


def test_machines_seen_for_half_a_year_do_not_bend_the_season() -> None:
    table, _ = made(200, 36, 0.0, 3)
    # half of the machines are seen in summer only; their own mean would take the season for their level
    kept = (table.machine % 2 == 0) | (np.isin(table.month % 12, (4, 5, 6, 7)))
    part = UseTable(table.machine[kept], table.month[kept], table.hours[kept], table.days[kept], table.site)
    np.testing.assert_allclose(learn_use(part).season[0], SEASON, rtol=1e-6)


def test_a_small_site_leans_on_the_fleet() -> None:
    table, _ = made(100, 36, 0.2, 4)
    site = np.where(np.arange(100) == 0, 1, 0)  # one machine alone on its site, and it stands in July
    hours = np.where((table.machine == 0) & (table.month % 12 == 6), 0.0, table.hours)
    use = learn_use(UseTable(table.machine, table.month, hours, table.days, site))
    alone, fleet = use.season[1, 6], use.season[0, 6]
    assert 0.5 * fleet < alone < fleet
    # with sixty such machines the site speaks for itself
    site = np.where(np.arange(100) < 60, 1, 0)
    hours = np.where((table.machine < 60) & (table.month % 12 == 6), 0.0, table.hours)
    assert learn_use(UseTable(table.machine, table.month, hours, table.days, site)).season[1, 6] < 0.35


def test_expected_hours_are_level_times_season_times_days() -> None:
    table, level = made(5, 24, 0.0, 5)
    use = learn_use(table)
    got = use.expected(np.array([2, 4]), np.array([624, 630]), np.array([31.0, 31.0]))
    np.testing.assert_allclose(got[:, 1] / got[:, 0], SEASON[6] / SEASON[0], rtol=1e-9)
    # without noise, leaning on the site moves a level only a little
    np.testing.assert_allclose(got[:, 0], level[[2, 4]] * SEASON[0] * 31, rtol=0.3)


def test_spread_of_levels_is_learnt_from_what_came() -> None:
    rng = np.random.default_rng(6)
    machines, months = 400, 24
    table, level = made(machines, months, 0.0, 6)
    late = np.exp(0.4 * rng.normal(size=machines))
    shifted = np.where(table.month >= 600 + months - 6, late[table.machine], 1.0)
    use = learn_use(UseTable(table.machine, table.month, table.hours * shifted, table.days, table.site))
    assert use.level_spread == pytest.approx(0.4, abs=0.08)
    assert level.size == machines


def test_spread_of_months_is_learnt_from_the_yard() -> None:
    rng = np.random.default_rng(7)
    table, _ = made(80, 96, 0.0, 7)
    strayed = np.exp(0.2 * rng.normal(size=96))
    hours = table.hours * strayed[table.month - 600]
    use = learn_use(UseTable(table.machine, table.month, hours, table.days, table.site))
    assert use.month_spread == pytest.approx(0.2, abs=0.04)


def test_weights_of_one_give_the_season_itself() -> None:
    table, _ = made(30, 24, 0.3, 8, sites=3)
    use = learn_use(table)
    np.testing.assert_allclose(use.season_draw(np.ones(30)), use.season, rtol=1e-6)
    heavy = np.ones(30)
    heavy[3] = 50.0
    assert not np.allclose(use.season_draw(heavy), use.season, rtol=1e-3)


def test_a_fleet_without_readings_expects_nothing() -> None:
    none = np.zeros(0, dtype=np.int64)
    use = learn_use(UseTable(none, none, np.zeros(0), np.zeros(0), np.zeros(4, dtype=np.int64)))
    assert use.level.tolist() == [0.0] * 4
    np.testing.assert_array_equal(use.season, np.ones((1, 12)))


def test_columns_must_belong_together() -> None:
    none = np.zeros(0, dtype=np.int64)
    with pytest.raises(LengthMismatch):
        UseTable(np.zeros(2, dtype=np.int64), none, np.zeros(0), np.zeros(0), none)
