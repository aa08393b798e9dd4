"""The plan of least cost against brute force, and the rule it must reduce to."""

from __future__ import annotations

from itertools import combinations, permutations
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleetlog.stats.repair_order import (
    Choices,
    Inside,
    Rail,
    Steps,
    best_plan,
    customary_plan,
    expected_sum,
)

SEEDS = st.integers(0, 2**32 - 1)


def everything(cost: Any, steps: Steps, last_resort: float) -> Choices:
    return Choices(
        np.atleast_2d(cost),
        np.ones((1, steps.count), dtype=bool),
        np.zeros((1, len(steps.rails)), dtype=bool),
        np.array([last_resort]),
    )


def cost_of(order: tuple[int, ...], p: Any, cure: Any, cost: Any, last_resort: float) -> float:
    """Expected cost of one order of cures, written out."""
    total, weight = 0.0, p.copy()
    for step in order:
        total += weight.sum() * cost[step]
        weight = weight * (1.0 - cure[step])
    return float(total + weight.sum() * last_resort)


@settings(max_examples=25, deadline=None)
@given(SEEDS, st.integers(1, 6), st.integers(1, 5))
def test_no_order_is_cheaper(seed: int, cures: int, causes: int) -> None:
    """All orders of all choices of up to six cures, the last resort after them."""
    dice = np.random.default_rng(seed)
    p = dice.dirichlet(np.ones(causes))
    cure = dice.random((cures, causes)) * (dice.random((cures, causes)) < 0.6)
    cost = dice.uniform(1, 100, cures)
    last = float(dice.uniform(0, 300))
    steps = Steps(cure)
    plan = best_plan(p[None], steps, everything(cost, steps, last))
    best = min(
        cost_of(order, p, cure, cost, last)
        for size in range(cures + 1)
        for order in permutations(range(cures), size)
    )
    assert plan.cost[0] == pytest.approx(best, rel=1e-12)


@settings(max_examples=60, deadline=None)
@given(SEEDS, st.integers(2, 7))
def test_probability_over_cost_when_each_cure_is_certain(seed: int, size: int) -> None:
    dice = np.random.default_rng(seed)
    p, cost = dice.dirichlet(np.ones(size)), dice.uniform(1, 100, size)
    steps = Steps(np.eye(size))
    plan = best_plan(p[None], steps, everything(cost, steps, 1e9))
    by_rule = tuple(np.argsort(-p / cost, kind="stable"))
    assert plan.first[0] == by_rule[0]
    assert plan.cost[0] == pytest.approx(cost_of(by_rule, p, np.eye(size), cost, 0.0), rel=1e-12)


class Brute:
    """The least cost from any state on, by looking at every step there, with the rules written out once more."""

    def __init__(self, steps: Steps, cost: Any, last: float, free: Any, met: Any) -> None:
        self.steps, self.cost, self.last, self.free, self.met = steps, cost, last, free, met
        self.cures = steps.cure.shape[0]

    def allowed(self, step: int, done: dict[int, int]) -> bool:
        held = [rail for r, rail in enumerate(self.steps.rails) if rail.step == step and not self.met[r]]
        return (
            bool(self.free[step])
            and step not in done
            and all(
                any(b in done and (not wanted or done[b] in wanted) for b, wanted in rail.any_of)
                for rail in held
            )
        )

    def open_now(self, done: dict[int, int]) -> Inside | None:
        for opening in self.steps.openings:
            if opening.look in done and not set(opening.jobs) & set(done):
                return opening
        return None

    def options(self, done: dict[int, int]) -> list[tuple[tuple[int, ...], float]]:
        """Steps that may be taken together, and their price."""
        of = {job: opening for opening in self.steps.openings for job in opening.jobs}
        look_of = {opening.look: opening for opening in self.steps.openings}
        now = self.open_now(done)
        found: list[tuple[int, ...]] = []
        for step in range(self.steps.count):
            if not self.allowed(step, done) or (now and of.get(step) is not now):
                continue
            if step in look_of and not any(self.allowed(job, done) for job in look_of[step].jobs):
                continue
            if step in of and of[step].look not in done:
                continue
            found.append((step,))
        for opening in self.steps.openings:
            for size in range(2, len(opening.together) + 1):
                for jobs in combinations(opening.together, size):
                    if all((job,) in found for job in jobs):
                        found.append(jobs)
        return [
            (
                members,
                sum(self.cost[m] for m in members)
                + (self.cost[of[members[0]].look] if members[0] in of and of[members[0]] is not now else 0.0),
            )
            for members in found
        ]

    def least(self, p: Any, done: dict[int, int]) -> float:
        best = float(p.sum() * self.last)
        for members, price in self.options(done):
            if members[0] < self.cures:
                left = p * np.prod([1 - self.steps.cure[m] for m in members], axis=0)
                after = self.least(left, done | dict.fromkeys(members, 0))
            else:
                look = self.steps.looks[members[0] - self.cures]
                after = sum(self.least(p * row, done | {members[0]: o}) for o, row in enumerate(look))
            best = min(best, float(p.sum() * price + after))
        return best


def invented(dice: np.random.Generator, cures: int, looks: int, causes: int, jobs: int) -> Steps:
    """Steps with rails of every kind, a cure that is tried twice, and the last cures done in an opening."""
    shown = [dice.dirichlet(np.ones(int(dice.integers(1, 3))), causes).T for _ in range(looks)]
    cure = dice.random((cures, causes))
    rails = []
    for step in range(1, cures + looks):
        before = [s for s in range(cures + looks) if s < step or s >= cures > step]
        if dice.random() < 0.5:
            chosen = dice.choice(before, size=min(len(before), int(dice.integers(1, 3))), replace=False)
            rails.append(
                Rail(
                    step,
                    tuple((int(b), (0,) if b >= cures and dice.random() < 0.5 else ()) for b in chosen),
                )
            )
    if cures > 1:
        cure[1] = 0.3 * cure[0]
        rails.append(Rail(1, ((0, ()),)))
    openings: tuple[Inside, ...] = ()
    if jobs:
        inside = tuple(range(cures - jobs, cures))
        shown.append(dice.dirichlet(np.ones(2), causes).T)
        openings = (Inside(cures + looks, inside, inside[: int(dice.integers(0, jobs + 1))]),)
    return Steps(cure, tuple(shown), tuple(rails), openings)


def asked_of(
    dice: np.random.Generator, steps: Steps, cases: int = 1, last: tuple[float, float] = (50, 2000)
) -> Choices:
    cost = dice.uniform(1, 100, (cases, steps.count))
    for opening in steps.openings:  # dear, so that jobs done together pay now and then
        cost[:, opening.look] *= 5
        cost[:, list(opening.jobs)] /= 5
    return Choices(
        cost,
        dice.random((cases, steps.count)) < 0.85,
        dice.random((cases, len(steps.rails))) < 0.3,
        dice.uniform(*last, cases),
    )


@settings(max_examples=60, deadline=None)
@given(SEEDS, st.integers(1, 4), st.integers(0, 2), st.integers(1, 4), st.integers(0, 2))
def test_no_plan_is_cheaper(seed: int, cures: int, looks: int, causes: int, jobs: int) -> None:
    """With rails, openings and a cure tried again; and custom, which keeps to the same rules, costs no less."""
    dice = np.random.default_rng(seed)
    steps = invented(dice, cures, looks, causes, min(jobs, cures))
    p, asked = dice.dirichlet(np.ones(causes)), asked_of(dice, steps)
    plan = best_plan(p[None], steps, asked)
    brute = Brute(steps, asked.cost[0], float(asked.last_resort[0]), asked.free[0], asked.met[0])
    assert plan.cost[0] == pytest.approx(brute.least(p, {}), rel=1e-12)
    custom = customary_plan(p[None], steps, asked, [int(s) for s in dice.permutation(steps.count)])
    assert plan.cost[0] <= custom.cost[0] * (1 + 1e-12)


@settings(max_examples=40, deadline=None)
@given(SEEDS, st.integers(1, 5), st.integers(0, 2), st.integers(0, 2))
def test_rails_hold_in_every_state_however_sure_the_cause(
    seed: int, cures: int, looks: int, jobs: int
) -> None:
    dice = np.random.default_rng(seed)
    steps = invented(dice, cures, looks, 3, min(jobs, cures))
    asked = asked_of(dice, steps, last=(1e6, 1e7))
    p = np.array([[1.0 - 2e-9, 1e-9, 1e-9]])
    brute = Brute(steps, asked.cost[0], 0.0, asked.free[0], asked.met[0])
    order = [int(s) for s in dice.permutation(steps.count)]
    for plan in (best_plan(p, steps, asked), customary_plan(p, steps, asked, order)):
        (part,) = plan._parts
        for taken, action in zip(part.tree.taken.tolist(), part.chosen[:, 0], strict=True):
            done = {step: digit - 1 for step, digit in enumerate(taken) if digit}
            members = part.tree.actions[action].members if action >= 0 else ()
            assert members in [(), *(option for option, _ in brute.options(done))]
        for step in np.flatnonzero(np.isfinite(plan.after[0])):
            assert brute.allowed(int(step), {})


@settings(max_examples=40, deadline=None)
@given(SEEDS, st.integers(1, 4), st.integers(0, 2), st.integers(0, 2))
def test_the_cost_of_a_plan_is_the_sum_of_its_steps(seed: int, cures: int, looks: int, jobs: int) -> None:
    """Counting steps under each cause and pricing them gives the plan's cost back."""
    dice = np.random.default_rng(seed)
    p = dice.dirichlet(np.ones(3), 4)
    steps = invented(dice, cures, looks, 3, min(jobs, cures))
    asked = asked_of(dice, steps, 4)
    plan = best_plan(p, steps, asked)
    for row in range(4):
        last, cost = float(asked.last_resort[row]), asked.cost[row]
        assert expected_sum(p, steps, plan, cost, last)[row] == pytest.approx(plan.cost[row], rel=1e-12)
        by_cause = sum(
            p[row, k] * expected_sum(np.tile(np.eye(3)[k], (4, 1)), steps, plan, cost, last)[row]
            for k in range(3)
        )
        assert by_cause == pytest.approx(plan.cost[row], rel=1e-12)


@pytest.mark.slow
@settings(max_examples=20, deadline=None)
@given(SEEDS)
def test_a_case_is_planned_the_same_whoever_stands_beside_it(seed: int) -> None:
    dice = np.random.default_rng(seed)
    p = dice.dirichlet(np.ones(4), 700)
    steps = invented(dice, 4, 1, 4, 2)
    asked = asked_of(dice, steps, 700)
    whole = best_plan(p, steps, asked)
    order = dice.permutation(700)
    mixed = best_plan(
        p[order],
        steps,
        Choices(asked.cost[order], asked.free[order], asked.met[order], asked.last_resort[order]),
    )
    assert (mixed.cost == whole.cost[order]).all()
    assert (mixed.after == whole.after[order]).all()
    assert (mixed.first == whole.first[order]).all()
