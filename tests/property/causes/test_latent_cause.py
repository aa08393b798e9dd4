"""What must hold of the learnt figures for any cases."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleetlog.stats.latent_cause import (
    SHAPE_RANGE,
    Cases,
    CauseModel,
    Defaults,
    Exposure,
    _expect,
    _maximise,
    fit_causes,
    follow_ups,
    log_prior,
    odds_without_a_fault,
    piece_likelihood,
)

SEEDS = st.integers(0, 2**32 - 1)
H, K, S, OUTCOMES = 4, 3, 3, 4


def world(seed: int, size: int) -> tuple[Cases, Exposure, Defaults]:
    """Random cases of three causes, with all that can occur: shared hazards, several visits, unknown ages."""
    dice = np.random.default_rng(seed)
    counts = dice.uniform(0.5, 9, (K + 1, OUTCOMES))
    counts[0, 3] = 0.0  # a table with fewer outcomes
    quiet = dice.random((S, K)) < 0.4
    defaults = Defaults(
        model=CauseModel(
            shape=np.array([2.0, 1.0, 1.0, 1.6]),
            scale_hours=dice.uniform(1e3, 5e4, H),
            outcome=counts / counts.sum(axis=1, keepdims=True),
            cure=np.where(quiet, 0.03, dice.uniform(0.1, 0.95, (S, K))),
            comeback_hours=60.0,
            background_hours=8000.0,
            repeat=float(dice.uniform(0.05, 0.6)),
        ),
        failures=dice.uniform(1, 8, H),
        wears=np.array([True, False, False, True]),
        counts=counts,
        learnt=np.array([True, True, True, False]),
        quiet=quiet,
        trials=20.0,
        comebacks=20.0,
    )
    pieces = np.repeat(np.arange(size), dice.integers(0, 4, size))
    visits = np.repeat(np.arange(size), dice.integers(0, 4, size))
    first, again = np.zeros((2, visits.size, S), dtype=bool)
    for row, case in enumerate(visits):
        free = np.flatnonzero(~first[:row][visits[:row] == case].any(axis=0))
        if free.size and dice.random() < 0.8:
            first[row, dice.choice(free, int(dice.integers(1, free.size + 1)), replace=False)] = True
        tried = first[:row][visits[:row] == case].any(axis=0)
        again[row] = tried & (dice.random(S) < 0.4)
    ages = dice.uniform(1, 8000, (size, K))
    fresh = np.where(dice.random(size) < 0.2, dice.uniform(0.5, 1.0, size), 1.0)
    ages[dice.random(size) < 0.1, 1] = np.nan
    cases = Cases(
        hazard=np.column_stack([dice.choice([0, 3], size), np.full(size, 1), np.full(size, 2)]),
        age_hours=ages,
        plain_weight=np.tile([5.0, 2.0, 1.0], (size, 1)),
        fresh=fresh,
        carried=np.where(fresh < 1, 1.0 - fresh, 0.0)[:, None] * dice.dirichlet(np.ones(K), size) * 1e-4,
        piece_case=pieces,
        piece_row=np.tile([1, 2, 3], (pieces.size, 1)),
        piece_outcome=dice.integers(0, OUTCOMES, pieces.size),
        piece_weight=np.where(dice.random(pieces.size) < 0.5, 1.0, dice.uniform(0.1, 2.0, pieces.size)),
        visit_case=visits,
        visit_steps=first,
        visit_again=again,
        visit_hours=dice.exponential(200, visits.size),
        visit_back=dice.random(visits.size) < 0.5,
        weight=np.where(dice.random(size) < 0.3, dice.uniform(0.0, 1.0, size), 1.0),
    )
    end = dice.uniform(100, 9000, 60)
    exposure = Exposure(
        np.tile(np.arange(H), 30).astype(np.int64),
        np.concatenate((end, end * dice.random(60))),
        np.repeat([1.0, -1.0], 60),
    )
    return cases, exposure, defaults


@settings(max_examples=40, deadline=None)
@given(SEEDS, st.integers(1, 40))
def test_every_step_makes_the_figures_more_probable(seed: int, size: int) -> None:
    cases, exposure, defaults = world(seed, size)
    model, last = defaults.model, -np.inf
    for _ in range(6):
        seen = _expect(model, cases, exposure, defaults)
        assert seen.log_posterior >= last - 1e-7 * (1 + abs(last))
        model, last = _maximise(seen, exposure, defaults), seen.log_posterior
    fit = fit_causes(cases, exposure, defaults)
    assert list(fit.log_posterior) == sorted(fit.log_posterior)
    assert fit.log_posterior[-1] >= last - 1e-3


@settings(max_examples=15, deadline=None)
@given(SEEDS)
def test_no_small_change_is_more_probable(seed: int) -> None:
    """The figures found are a maximum: pushed a little any way, they are less probable."""
    cases, exposure, defaults = world(seed, 60)
    fit = fit_causes(cases, exposure, defaults, tolerance=1e-9, most_steps=3000)
    assert fit.converged
    best = _expect(fit.model, cases, exposure, defaults).log_posterior
    dice = np.random.default_rng(seed)
    for _ in range(8):
        nudge = dice.normal(0, 0.02, 6)
        outcome = fit.model.outcome * np.exp(
            np.where(defaults.learnt[:, None], dice.normal(0, 0.03, (K + 1, OUTCOMES)), 0)
        )
        low, high = (defaults.model.shape * factor for factor in SHAPE_RANGE)
        near = CauseModel(
            shape=np.where(
                defaults.wears, np.clip(fit.model.shape * np.exp(nudge[0]), low, high), fit.model.shape
            ),
            scale_hours=fit.model.scale_hours * np.exp(nudge[1]),
            outcome=outcome / outcome.sum(axis=1, keepdims=True),
            cure=np.clip(fit.model.cure * np.exp(nudge[2]), 1e-9, 1 - 1e-9),
            comeback_hours=fit.model.comeback_hours * float(np.exp(nudge[3])),
            background_hours=fit.model.background_hours * float(np.exp(nudge[4])),
            repeat=float(np.clip(fit.model.repeat * np.exp(nudge[5]), 1e-8, 1 - 1e-8)),
        )
        assert _expect(near, cases, exposure, defaults).log_posterior < best + 1e-6


@settings(max_examples=20, deadline=None)
@given(SEEDS, st.integers(2, 25))
def test_the_order_of_the_cases_does_not_matter(seed: int, size: int) -> None:
    cases, exposure, defaults = world(seed, size)
    order = np.random.default_rng(seed).permutation(size)
    place = np.argsort(order)
    pieces = np.argsort(place[cases.piece_case], kind="stable")
    visits = np.argsort(place[cases.visit_case], kind="stable")
    mixed = Cases(
        hazard=cases.hazard[order],
        age_hours=cases.age_hours[order],
        plain_weight=cases.plain_weight[order],
        fresh=cases.fresh[order],
        carried=cases.carried[order],
        piece_case=place[cases.piece_case][pieces],
        piece_row=cases.piece_row[pieces],
        piece_outcome=cases.piece_outcome[pieces],
        piece_weight=cases.piece_weight[pieces],
        visit_case=place[cases.visit_case][visits],
        visit_steps=cases.visit_steps[visits],
        visit_again=cases.visit_again[visits],
        visit_hours=cases.visit_hours[visits],
        visit_back=cases.visit_back[visits],
        weight=cases.weight[order],
    )
    # sums in another order differ in the last digit, which may end the search a round sooner: both go on to the end
    one, other = (
        fit_causes(each, exposure, defaults, tolerance=1e-10, most_steps=3000) for each in (cases, mixed)
    )
    assert other.probability == pytest.approx(one.probability[order], rel=1e-4, abs=1e-6)


@settings(max_examples=60, deadline=None)
@given(SEEDS, st.integers(1, 4))
def test_follow_ups_against_a_sum_over_which_visit_cured(seed: int, visits: int) -> None:
    """The likelihood of a chain of visits, written as a sum over the visit that ended the fault, if any."""
    dice = np.random.default_rng(seed)
    cases, _, defaults = world(seed, 1)
    steps, again = np.zeros((2, visits, S), dtype=bool)
    for s in range(S):
        if dice.random() < 0.7:
            when = int(dice.integers(visits))
            steps[when, s] = True
            again[when + 1 :, s] = dice.random(visits - when - 1) < 0.5
    hours, back = dice.exponential(100, visits) + 0.1, dice.random(visits) < 0.5
    chain = Cases(
        **{
            **cases.__dict__,
            "visit_case": np.zeros(visits, dtype=np.int64),
            "visit_steps": steps,
            "visit_again": again,
            "visit_hours": hours,
            "visit_back": back,
        }
    )
    model = defaults.model
    found = follow_ups(model, chain)

    def time(mean: float, v: int) -> float:
        return float(np.exp(-hours[v] / mean) / (mean if back[v] else 1.0))

    for k in range(K):
        miss = [
            float(np.prod(1 - model.cure[steps[v], k]) * np.prod(1 - model.repeat * model.cure[again[v], k]))
            for v in range(visits)
        ]
        never = np.prod([miss[v] * time(60.0, v) for v in range(visits)])
        total = never
        for cured in range(visits):
            before = np.prod([miss[v] * time(60.0, v) for v in range(cured)])
            after = np.prod([time(8000.0, v) for v in range(cured, visits)])
            total += before * (1 - miss[cured]) * after
        assert np.exp(found.gain[:, k].sum()) == pytest.approx(total, rel=1e-9)
        assert found.uncured[0, k] == pytest.approx(never / total, rel=1e-9)


@settings(max_examples=40, deadline=None)
@given(SEEDS, st.integers(1, 6))
def test_no_fault_against_one_by_all_its_causes(seed: int, size: int) -> None:
    """By Bayes' rule in plain sums: the chance of the times after the visits without a fault, over that with one."""
    cases, _, defaults = world(seed, size)
    model = defaults.model
    pieces, followed = piece_likelihood(model, cases), follow_ups(model, cases)
    odds = odds_without_a_fault(model, cases)
    for i in range(size):
        weight = np.exp(log_prior(model, cases)[i] + pieces[cases.piece_case == i].sum(axis=0))
        own = cases.visit_case == i
        with_one = (weight / weight.sum() * np.exp(followed.gain[own].sum(axis=0))).sum()
        ends = [np.exp(-max(h, 0.1) / model.background_hours) for h in cases.visit_hours[own]]
        densities = [1 / model.background_hours if back else 1.0 for back in cases.visit_back[own]]
        assert odds[i] == pytest.approx(np.prod(ends) * np.prod(densities) / with_one, rel=1e-9)
