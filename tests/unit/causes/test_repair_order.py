"""Plans of least cost, worked out by hand."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest

from fleetlog.stats.repair_order import Choices, Steps, best_plan, customary_plan, expected_sum


def choices(
    cost: npt.ArrayLike, steps: Steps, last_resort: float = 0.0, waiting: tuple[int, ...] = ()
) -> Choices:
    """Everything is still to be done; the cures named wait for their look."""
    cures = steps.cure.shape[0]
    ready = np.ones((1, cures), dtype=bool)
    ready[0, list(waiting)] = False
    return Choices(
        cost=np.atleast_2d(np.asarray(cost, dtype=np.float64)),
        ready=ready,
        waiting=~ready,
        to_look=np.ones((1, len(steps.looks)), dtype=bool),
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
    steps = Steps(np.eye(2), (look,), (None, None))
    plan = best_plan([[0.5, 0.5]], steps, choices([100, 100, 5], steps))
    assert plan.first[0] == 2
    assert plan.cost[0] == pytest.approx(105.0, abs=1e-12)
    assert best_plan([[0.5, 0.5]], steps, choices([100, 100, 51], steps)).first[0] == 0


def test_a_look_that_tells_nothing_is_not_taken() -> None:
    steps = Steps(np.eye(2), (np.full((2, 2), 0.5),), (None, None))
    plan = best_plan([[0.6, 0.4]], steps, choices([10, 10, 0.01], steps))
    assert plan.first[0] == 0
    assert plan.cost[0] == pytest.approx(14.0, abs=1e-12)


def test_a_repair_waits_for_its_inspection() -> None:
    """Cure 0 opens only when the look shows fault. Cause 0 shows always: 2 + 0.5 * 10 + 0.5 * 30."""
    look = np.array([[0.0, 1.0], [1.0, 0.0]])
    steps = Steps(np.eye(2), (look,), ((0, (1,)), None))
    asked = choices([10, 30, 2], steps, last_resort=1000, waiting=(0,))
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
    none = Choices(
        np.array([[10.0]]), np.array([[False]]), np.array([[False]]), np.zeros((1, 0), bool), np.ones(1)
    )
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


def test_too_many_steps_are_refused() -> None:
    with pytest.raises(ValueError, match="states"):
        Steps(np.eye(20))
