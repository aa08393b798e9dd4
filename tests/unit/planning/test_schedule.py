"""Schedules against every possible one, and what must hold of any."""

from __future__ import annotations

from itertools import product

import numpy as np
import pytest

from fleetlog.stats import schedule as module
from fleetlog.stats.errors import BadArgument, LengthMismatch
from fleetlog.stats.schedule import Visits, best_schedule


def made(
    machines: int,
    weeks: int,
    seed: int,
    kinds: tuple[float, ...] = (13.5, 15.0),
    required: tuple[int, ...] = (),
) -> Visits:
    """Every machine in every week and kind, some of them worth nothing, a few not there at all."""
    rng = np.random.default_rng(seed)
    machine, week, kind = (
        x.reshape(-1) for x in np.meshgrid(range(machines), range(weeks), range(len(kinds)), indexing="ij")
    )
    worth = rng.uniform(-300, 3000, machine.size).round(2)
    there = rng.random(machine.size) < 0.85
    hours = np.array(kinds)[kind]
    use = np.column_stack((hours, 0.8 * hours, np.ones(machine.size)))
    return Visits(machine[there], week[there], use[there], worth[there], required)


def by_enumeration(visits: Visits, limits: np.ndarray) -> float | None:
    """The greatest worth over every choice of at most one visit a machine."""
    per_machine = [
        [None, *np.flatnonzero(visits.machine == machine).tolist()]
        if machine not in visits.required
        else np.flatnonzero(visits.machine == machine).tolist()
        for machine in range(int(visits.machine.max()) + 1)
    ]
    best: float | None = None
    for choice in product(*per_machine):
        rows = [row for row in choice if row is not None]
        taken = np.zeros_like(limits)
        for row in rows:
            taken[visits.week[row]] += visits.use[row]
        if (taken <= limits + 1e-9).all():
            worth = float(visits.worth[rows].sum())
            best = worth if best is None else max(best, worth)
    return best


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize("room", [(14.0, 30.0, 1.0), (30.0, 23.0, 3.0), (43.0, 99.0, 2.0), (15.0, 12.0, 9.0)])
def test_the_best_of_all_schedules(seed: int, room: tuple[float, float, float]) -> None:
    visits = made(4, 3, seed)
    limits = np.tile(room, (3, 1))
    limits[1] *= 0.97
    found = best_schedule(visits, limits)
    assert found is not None
    assert found.worth == pytest.approx(by_enumeration(visits, limits), abs=1e-6)
    assert found.method == "exact"
    assert found.gap <= 1e-4


@pytest.mark.parametrize("seed", range(6))
def test_required_machines_are_visited_even_at_a_loss(seed: int) -> None:
    visits = made(4, 2, seed, required=(1, 3))
    limits = np.tile((16.0, 99.0, 2.0), (2, 1))
    expected = by_enumeration(visits, limits)
    found = best_schedule(visits, limits)
    if expected is None:
        assert found is None
    else:
        assert found is not None
        assert found.worth == pytest.approx(expected, abs=1e-6)
        assert {1, 3} <= set(visits.machine[found.chosen].tolist())


@pytest.mark.parametrize("seed", range(6))
def test_the_plain_form_agrees_with_patterns(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    visits = made(9, 4, 50 + seed, kinds=(6.5, 8.0, 13.5, 15.0))
    limits = np.tile((29.0, 26.0, 3.0), (4, 1))
    patterned = best_schedule(visits, limits, gap=1e-9)
    monkeypatch.setattr(module, "_MOST_PATTERNS", 0)
    plain = best_schedule(visits, limits, gap=1e-9)
    assert patterned is not None
    assert plain is not None
    assert patterned.worth == pytest.approx(plain.worth, abs=1e-5)


def assert_within(visits: Visits, limits: np.ndarray, chosen: np.ndarray) -> None:
    taken = np.zeros_like(limits)
    np.add.at(taken, visits.week[chosen], visits.use[chosen])
    assert (taken <= limits + 1e-6).all()
    assert np.unique(visits.machine[chosen]).size == chosen.size


@pytest.mark.parametrize("seconds", [0.0, 30.0])
def test_limits_hold_and_the_bound_is_above(seconds: float) -> None:
    visits = made(60, 8, 3)
    limits = np.tile((40.0, 40.0, 2.0), (8, 1))
    limits[3] = 0.0
    found = best_schedule(visits, limits, seconds=seconds)
    assert found is not None
    assert_within(visits, limits, found.chosen)
    assert found.bound >= found.worth
    assert (visits.week[found.chosen] != 3).all()
    assert found.worth == pytest.approx(float(visits.worth[found.chosen].sum()))
    weeks = visits.week[found.chosen]
    assert (np.diff(weeks) >= 0).all()


def test_the_greedy_plan_states_an_honest_gap() -> None:
    for seed in range(5):
        visits = made(40, 6, 100 + seed)
        limits = np.tile((40.0, 40.0, 2.0), (6, 1))
        exact = best_schedule(visits, limits)
        quick = best_schedule(visits, limits, seconds=0)
        assert exact is not None
        assert quick is not None
        assert quick.method == "greedy"
        assert quick.worth <= exact.worth + 1e-6 <= quick.bound + 1e-3
        assert quick.worth > 0.85 * exact.worth
        assert quick.gap == pytest.approx((quick.bound - quick.worth) / quick.worth)


def test_when_time_runs_out_something_is_returned() -> None:
    visits = made(400, 20, 9)
    limits = np.tile((40.0, 40.0, 2.0), (20, 1))
    found = best_schedule(visits, limits, seconds=0.01)
    assert found is not None
    assert_within(visits, limits, found.chosen)
    assert found.chosen.size > 20
    assert 0 <= found.gap < 1


def test_a_job_too_large_for_any_week_is_left_out() -> None:
    visits = made(3, 2, 1)
    found = best_schedule(visits, np.tile((10.0, 99.0, 9.0), (2, 1)))
    assert found is not None
    assert found.chosen.size == 0
    assert found.gap == 0


def test_no_visit_and_unfit_requirements() -> None:
    none = Visits(np.zeros(0, int), np.zeros(0, int), np.zeros((0, 1)), np.zeros(0))
    found = best_schedule(none, [[10.0]])
    assert found is not None
    assert found.chosen.size == 0
    unmet = Visits(np.zeros(0, int), np.zeros(0, int), np.zeros((0, 1)), np.zeros(0), required=(4,))
    assert best_schedule(unmet, [[10.0]]) is None


def test_the_same_input_gives_the_same_schedule() -> None:
    visits = made(80, 10, 4)
    limits = np.tile((54.0, 50.0, 3.0), (10, 1))
    first, second = best_schedule(visits, limits), best_schedule(visits, limits)
    assert first is not None
    assert second is not None
    np.testing.assert_array_equal(first.chosen, second.chosen)


def test_impossible_input_is_refused() -> None:
    one = np.zeros(1, int)
    with pytest.raises(LengthMismatch):
        Visits(one, np.zeros(2, int), np.ones((1, 1)), np.ones(1))
    with pytest.raises(BadArgument, match="less than nothing"):
        Visits(one, one, -np.ones((1, 1)), np.ones(1))
    with pytest.raises(BadArgument, match="finite"):
        Visits(one, one, np.ones((1, 1)), np.array([np.nan]))
    with pytest.raises(BadArgument, match="one of the weeks"):
        best_schedule(Visits(one, one + 5, np.ones((1, 1)), np.ones(1)), [[1.0]])
    with pytest.raises(LengthMismatch, match="one column a resource"):
        best_schedule(Visits(one, one, np.ones((1, 1)), np.ones(1)), [[1.0, 2.0]])
