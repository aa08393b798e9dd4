"""Bayes' rule over a few causes: what must hold for any evidence."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleetlog.stats.posterior import by_turn, posterior

SEEDS = st.integers(0, 2**32 - 1)
SIZES = st.integers(1, 12)


def drawn(seed: int, cases: int, causes: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    dice = np.random.default_rng(seed)
    owner = np.repeat(np.arange(cases), dice.integers(0, 6, cases))
    prior = np.log(dice.dirichlet(np.ones(causes), cases)) + dice.normal(0, 5, (cases, 1))
    return prior, np.log(dice.uniform(1e-6, 1, (owner.size, causes))), owner


@settings(max_examples=60, deadline=None)
@given(SEEDS, SIZES, st.integers(2, 7))
def test_it_is_bayes_rule_and_its_reasons_add_up(seed: int, cases: int, causes: int) -> None:
    prior, pieces, owner = drawn(seed, cases, causes)
    found = posterior(prior, pieces, owner)
    for i in range(cases):
        weight = np.exp(prior[i]) * np.prod(np.exp(pieces[owner == i]), axis=0)
        expected = weight / weight.sum()
        assert found.probability[i] == pytest.approx(expected, rel=1e-9)
        top = found.probability[i, found.top[i]]
        rest = found.probability[i].sum() - top
        told = found.prior_weight[i] + found.weight[owner == i].sum()
        if rest > 1e-12:
            assert told == pytest.approx(np.log(top / rest), abs=1e-8)


@settings(max_examples=40, deadline=None)
@given(SEEDS, st.integers(2, 10))
def test_a_case_does_not_depend_on_those_beside_it(seed: int, cases: int) -> None:
    """To the last digit: asked alone, or among others in another order."""
    prior, pieces, owner = drawn(seed, cases, 4)
    whole = posterior(prior, pieces, owner)
    for i in range(cases):
        alone = posterior(prior[i : i + 1], pieces[owner == i], np.zeros(int((owner == i).sum()), dtype=int))
        assert alone.probability[0].tolist() == whole.probability[i].tolist()
        assert alone.weight.tolist() == whole.weight[owner == i].tolist()


@settings(max_examples=40, deadline=None)
@given(SEEDS, SIZES)
def test_the_answer_does_not_depend_on_the_order_of_the_evidence(seed: int, cases: int) -> None:
    prior, pieces, owner = drawn(seed, cases, 5)
    order = np.lexsort((np.random.default_rng(seed).random(owner.size), owner))
    one, other = posterior(prior, pieces, owner), posterior(prior, pieces[order], owner)
    assert other.probability == pytest.approx(one.probability, rel=1e-9, abs=1e-300)


def test_turns_go_through_every_row_once() -> None:
    owner = np.array([0, 0, 0, 2, 2, 5])
    assert [rows.tolist() for rows in by_turn(owner)] == [[0, 3, 5], [1, 4], [2]]
    assert list(by_turn(np.zeros(0, dtype=np.int64))) == []
