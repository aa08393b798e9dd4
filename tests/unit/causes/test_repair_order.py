"""Plans of least cost, worked out by hand."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from fleetlog.stats.repair_order import (
    Choices,
    Inside,
    Rail,
    Steps,
    best_plan,
    customary_plan,
    expected_sum,
)


def choices(
    cost: npt.ArrayLike, steps: Steps, last_resort: float = 1e6, met: tuple[int, ...] = ()
) -> Choices:
    """Everything is still to be done; the rails named are satisfied."""
    known = np.zeros((1, len(steps.rails)), dtype=bool)
    known[0, list(met)] = True
    return Choices(
        cost=np.atleast_2d(np.asarray(cost, dtype=np.float64)),
        free=np.ones((1, steps.count), dtype=bool),
        met=known,
        last_resort=np.array([last_resort]),
    )


def test_by_falling_probability_over_cost() -> None:
    """Certain cures, one a cause: 0.5/10 > 0.3/8 > 0.2/9, so 10 + 0.5 * 8 + 0.2 * 9 = 15.8."""
    steps = Steps(np.eye(3))
    plan = best_plan([[0.5, 0.3, 0.2]], steps, choices([10, 8, 9], steps))
    assert plan.cost[0] == pytest.approx(15.8, abs=1e-12)
    assert plan.first[0] == 0


def test_an_unlikely_cause_comes_first_when_it_is_cheap_to_rule_out() -> None:
    """0.1/1 > 0.9/20: 1 + 0.9 * 20 = 19, against 20 + 0.1 * 1 = 20.1."""
    steps = Steps(np.eye(2))
    plan = best_plan([[0.9, 0.1]], steps, choices([20, 1], steps))
    assert plan.first[0] == 1
    assert plan.cost[0] == pytest.approx(19.0, abs=1e-12)


def test_a_look_that_settles_the_matter_is_worth_its_price() -> None:
    """Causes 1:1, cures 100 each. Looking for 5 first: 105; trying one first: 100 + 0.5 * 100 = 150."""
    look = np.array([[1.0, 0.0], [0.0, 1.0]])
    steps = Steps(np.eye(2), (look,))
    plan = best_plan([[0.5, 0.5]], steps, choices([100, 100, 5], steps))
    assert plan.first[0] == 2
    assert plan.cost[0] == pytest.approx(105.0, abs=1e-12)
    assert best_plan([[0.5, 0.5]], steps, choices([100, 100, 51], steps)).first[0] == 0


def test_a_look_that_tells_nothing_is_not_taken() -> None:
    steps = Steps(np.eye(2), (np.full((2, 2), 0.5),))
    plan = best_plan([[0.6, 0.4]], steps, choices([10, 10, 0.01], steps))
    assert plan.first[0] == 0
    assert plan.cost[0] == pytest.approx(14.0, abs=1e-12)


def test_a_repair_waits_for_its_inspection() -> None:
    """Cure 0 opens only when the look shows fault. Cause 0 shows always: 2 + 0.5 * 10 + 0.5 * 30."""
    look = np.array([[0.0, 1.0], [1.0, 0.0]])
    steps = Steps(np.eye(2), (look,), (Rail(0, ((2, (1,)),)),))
    asked = choices([10, 30, 2], steps, last_resort=1000)
    plan = best_plan([[0.5, 0.5]], steps, asked)
    assert plan.first[0] == 2
    assert plan.cost[0] == pytest.approx(2 + 0.5 * 10 + 0.5 * 30, abs=1e-12)


def test_the_last_resort_is_paid_when_all_was_in_vain() -> None:
    steps = Steps(np.array([[0.8]]))
    plan = best_plan([[1.0]], steps, choices([10], steps, last_resort=50))
    assert plan.cost[0] == pytest.approx(10 + 0.2 * 50, abs=1e-12)
    assert plan.after[0, 0] == pytest.approx(0.2 * 50, abs=1e-12)


def test_nothing_left_to_try_costs_the_last_resort() -> None:
    steps = Steps(np.array([[0.8]]))
    none = Choices(np.array([[10.0]]), np.array([[False]]), np.zeros((1, 0), bool), np.ones(1))
    plan = best_plan([[1.0]], steps, none)
    assert plan.first[0] == -1
    assert plan.cost[0] == 1.0


def test_custom_takes_its_steps_in_order_and_never_costs_less() -> None:
    steps = Steps(np.eye(3))
    asked = choices([10, 8, 9], steps)
    custom = customary_plan([[0.1, 0.2, 0.7]], steps, asked, [0, 1, 2])
    assert custom.cost[0] == pytest.approx(10 + 0.9 * 8 + 0.7 * 9, abs=1e-12)
    assert best_plan([[0.1, 0.2, 0.7]], steps, asked).cost[0] <= custom.cost[0]


def test_what_a_plan_does_can_be_counted_for_the_cause_that_was_true() -> None:
    """Order 0, 1, 2 by custom; the cause is 1: cure 0 and cure 1 are done, cure 2 never."""
    steps = Steps(np.eye(3))
    custom = customary_plan([[0.1, 0.2, 0.7]], steps, choices([10, 8, 9], steps), [0, 1, 2])
    done = [expected_sum([[0.0, 1.0, 0.0]], steps, custom, np.eye(3)[s])[0] for s in range(3)]
    assert done == pytest.approx([1.0, 1.0, 0.0], abs=1e-12)
    assert expected_sum([[0.0, 1.0, 0.0]], steps, custom, [10, 8, 9])[0] == pytest.approx(18.0)


def test_a_cure_that_hardly_helps_is_not_tried() -> None:
    """10 for a chance of 5 % saves 0.05 * 100 of the last resort: no; for one of 15 %, yes, though 85 % fail."""
    for chance, first in ((0.05, -1), (0.15, 0)):
        steps = Steps(np.array([[chance]]))
        assert best_plan([[1.0]], steps, choices([10], steps, last_resort=100)).first[0] == first


def test_a_rail_holds_however_sure_the_cause() -> None:
    """Cure 1 waits for cure 0, which is as good as useless: 5 + 20, unless the record satisfies the rail."""
    steps = Steps(np.eye(2), rails=(Rail(1, ((0, ()),)),))
    p = [[0.001, 0.999]]
    held = best_plan(p, steps, choices([5, 20], steps))
    assert held.first[0] == 0
    assert held.cost[0] == pytest.approx(5 + 0.999 * 20, abs=1e-9)
    assert held.after[0, 1] == np.inf
    assert best_plan(p, steps, choices([5, 20], steps, met=(0,))).first[0] == 1


def test_one_of_several_satisfies_a_rail() -> None:
    """Cure 0 waits for either look; the cheaper one is taken, though it tells nothing."""
    nothing = np.ones((1, 1))
    steps = Steps(np.ones((1, 1)), (nothing, nothing), (Rail(0, ((1, ()), (2, ()))),))
    plan = best_plan([[1.0]], steps, choices([10, 3, 2], steps))
    assert plan.first[0] == 2
    assert plan.cost[0] == pytest.approx(12.0, abs=1e-12)


def test_an_opening_is_paid_once_and_what_it_shows_is_mended() -> None:
    """Inside for 100 shows the cause; its own work is 3 or 5. Before, either job alone would have cost 103, 105."""
    inside = Inside(2, (0, 1), (0, 1))
    steps = Steps(np.eye(2), (np.eye(2),), openings=(inside,))
    plan = best_plan([[0.6, 0.4]], steps, choices([3, 5, 100], steps))
    assert plan.first[0] == 2
    assert plan.cost[0] == pytest.approx(100 + 0.6 * 3 + 0.4 * 5, abs=1e-9)


def test_in_an_opening_that_shows_nothing_both_jobs_are_done_at_once() -> None:
    """Together 100 + 3 + 5; one after the other 100 + 3 + 0.4 * (100 + 5). If they exclude each other, the latter."""
    blind = np.ones((1, 2))
    for together, cost in (((0, 1), 108.0), ((), 145.0)):
        steps = Steps(np.eye(2), (blind,), openings=(Inside(2, (0, 1), together),))
        plan = best_plan([[0.6, 0.4]], steps, choices([3, 5, 100], steps))
        assert plan.cost[0] == pytest.approx(cost, abs=1e-9)
        jobs = [expected_sum([[0.6, 0.4]], steps, plan, np.eye(3)[s])[0] for s in range(3)]
        assert jobs == pytest.approx([1.0, 1.0, 1.0] if together else [1.0, 0.4, 1.4], abs=1e-9)


def test_what_helps_again_is_done_again() -> None:
    """A chance of 0.8, then 0.4: 10 + 0.2 * (10 + 0.6 * 90), against 10 + 0.2 * 90."""
    steps = Steps(np.array([[0.8], [0.4]]), rails=(Rail(1, ((0, ()),)),))
    plan = best_plan([[1.0]], steps, choices([10, 10], steps, last_resort=90))
    assert plan.cost[0] == pytest.approx(10 + 0.2 * (10 + 0.6 * 90), abs=1e-12)


def test_too_many_steps_are_refused() -> None:
    steps = Steps(np.eye(20))
    with pytest.raises(ValueError, match="states"):
        best_plan(np.full((1, 20), 0.05), steps, choices(np.ones(20), steps))
