"""The plan of least cost against brute force, and the rule it must reduce to."""

from __future__ import annotations

from itertools import permutations
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleetlog.stats.repair_order import Choices, Steps, best_plan, customary_plan, expected_sum

SEEDS = st.integers(0, 2**32 - 1)


def everything(cost: Any, steps: Steps, last_resort: float, waiting: Any = None) -> Choices:
    held = np.zeros((1, steps.cure.shape[0]), dtype=bool) if waiting is None else waiting
    return Choices(
        np.atleast_2d(cost), ~held, held, np.ones((1, len(steps.looks)), dtype=bool), np.array([last_resort])
    )


def cost_of(order: tuple[int, ...], p: Any, cure: Any, cost: Any, last_resort: float) -> float:
    """Expected cost of one order of cures, written out."""
    total, weight = 0.0, p.copy()
    for step in order:
        total += weight.sum() * cost[step]
        weight = weight * (1.0 - cure[step])
    return float(total + weight.sum() * last_resort)


@settings(max_examples=25, deadline=None)
@given(SEEDS, st.integers(1, 7), st.integers(1, 5))
def test_no_order_is_cheaper(seed: int, cures: int, causes: int) -> None:
    """All orders of up to seven cures, 5,040 at most."""
    dice = np.random.default_rng(seed)
    p = dice.dirichlet(np.ones(causes))
    cure = dice.random((cures, causes)) * (dice.random((cures, causes)) < 0.6)
    cost = dice.uniform(1, 100, cures)
    last = float(dice.uniform(0, 300))
    steps = Steps(cure)
    plan = best_plan(p[None], steps, everything(cost, steps, last))
    best = min(cost_of(order, p, cure, cost, last) for order in permutations(range(cures)))
    assert plan.cost[0] == pytest.approx(best, rel=1e-12)


@settings(max_examples=60, deadline=None)
@given(SEEDS, st.integers(2, 7))
def test_probability_over_cost_when_each_cure_is_certain(seed: int, size: int) -> None:
    dice = np.random.default_rng(seed)
    p, cost = dice.dirichlet(np.ones(size)), dice.uniform(1, 100, size)
    steps = Steps(np.eye(size))
    plan = best_plan(p[None], steps, everything(cost, steps, 0.0))
    by_rule = tuple(np.argsort(-p / cost, kind="stable"))
    assert plan.first[0] == by_rule[0]
    assert plan.cost[0] == pytest.approx(cost_of(by_rule, p, np.eye(size), cost, 0.0), rel=1e-12)


def recursed(
    p: Any, steps: Steps, cost: Any, last: float, waiting: Any, tried: int, shown: tuple[int, ...]
) -> float:
    """The least cost from here on, for weights `p`, by looking at every step in every state."""
    cures = steps.cure.shape[0]
    values, useful = [], False
    for s in range(cures):
        need = steps.needs[s] if steps.needs else None
        opened = not waiting[s] or (need is not None and shown[need[0]] in need[1])
        if tried >> s & 1 or not opened:
            continue
        useful = True
        after = recursed(p * (1 - steps.cure[s]), steps, cost, last, waiting, tried | 1 << s, shown)
        values.append(p.sum() * cost[s] + after)
    for t, look in enumerate(steps.looks):
        if shown[t] >= 0:
            continue
        useful |= any(
            waiting[s] and need is not None and need[0] == t and not tried >> s & 1
            for s, need in enumerate(steps.needs)
        )
        later = sum(
            recursed(p * look[o], steps, cost, last, waiting, tried, (*shown[:t], o, *shown[t + 1 :]))
            for o in range(look.shape[0])
        )
        values.append(p.sum() * cost[cures + t] + later)
    return min(values) if useful else float(p.sum() * last)


@settings(max_examples=40, deadline=None)
@given(SEEDS, st.integers(1, 3), st.integers(0, 2), st.integers(1, 4))
def test_no_plan_with_looks_is_cheaper(seed: int, cures: int, looks: int, causes: int) -> None:
    dice = np.random.default_rng(seed)
    p = dice.dirichlet(np.ones(causes))
    shown = tuple(dice.dirichlet(np.ones(2 + t), causes).T for t in range(looks))
    waiting = (dice.random(cures) < 0.5) & (looks > 0)
    needs = tuple((int(dice.integers(looks)), (1,)) if wait else None for wait in waiting)
    steps = Steps(dice.random((cures, causes)), shown, needs)
    cost, last = dice.uniform(1, 100, cures + looks), float(dice.uniform(50, 300))
    asked = everything(cost, steps, last, waiting[None])
    plan = best_plan(p[None], steps, asked)
    assert plan.cost[0] == pytest.approx(recursed(p, steps, cost, last, waiting, 0, (-1,) * looks), rel=1e-12)
    custom = customary_plan(p[None], steps, asked, list(dice.permutation(cures + looks)))
    assert plan.cost[0] <= custom.cost[0] * (1 + 1e-12)


@settings(max_examples=40, deadline=None)
@given(SEEDS, st.integers(1, 4), st.integers(0, 2))
def test_the_cost_of_a_plan_is_the_sum_of_its_steps(seed: int, cures: int, looks: int) -> None:
    """Counting steps under each cause and pricing them gives the plan's cost back."""
    dice = np.random.default_rng(seed)
    p = dice.dirichlet(np.ones(3), 4)
    shown = tuple(dice.dirichlet(np.ones(2), 3).T for _ in range(looks))
    steps = Steps(dice.random((cures, 3)), shown, (None,) * cures)
    cost, last = dice.uniform(1, 100, (4, cures + looks)), float(dice.uniform(50, 300))
    free = np.ones((4, cures), dtype=bool)
    asked = Choices(cost, free, ~free, np.ones((4, looks), dtype=bool), np.full(4, last))
    plan = best_plan(p, steps, asked)
    assert expected_sum(p, steps, plan, cost, last) == pytest.approx(plan.cost, rel=1e-12)
    by_cause = sum(
        p[:, k] * expected_sum(np.tile(np.eye(3)[k], (4, 1)), steps, plan, cost, last) for k in range(3)
    )
    assert by_cause == pytest.approx(plan.cost, rel=1e-12)


@settings(max_examples=20, deadline=None)
@given(SEEDS)
def test_a_case_is_planned_the_same_whoever_stands_beside_it(seed: int) -> None:
    dice = np.random.default_rng(seed)
    p = dice.dirichlet(np.ones(4), 700)
    steps = Steps(dice.random((3, 4)), (dice.dirichlet(np.ones(2), 4).T,), (None,) * 3)
    free = np.ones((700, 3), dtype=bool)
    asked = Choices(
        dice.uniform(1, 9, (700, 4)), free, ~free, np.ones((700, 1), dtype=bool), np.full(700, 40.0)
    )
    whole = best_plan(p, steps, asked)
    order = dice.permutation(700)
    mixed = best_plan(
        p[order],
        steps,
        Choices(asked.cost[order], free, ~free, asked.to_look, asked.last_resort),
    )
    assert mixed.cost == pytest.approx(whole.cost[order], rel=1e-12)
    assert (mixed.first == whole.first[order]).all()
