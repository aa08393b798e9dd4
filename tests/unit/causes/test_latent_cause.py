"""Learning the figures: what comes back without data, by hand with certain labels, and from a known truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from fleetlog.belief.family_arrays import Layout
from fleetlog.faults import load_families
from fleetlog.stats.hidden_repair import ReturnLaw
from fleetlog.stats.latent_cause import (
    Cases,
    CauseModel,
    Defaults,
    Exposure,
    fit_causes,
    follow_ups,
    log_prior,
    piece_likelihood,
)

NOBODY = Exposure(np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0))


def two_causes(**changes: object) -> Defaults:
    """Two causes, one constant hazard each, one sign with two outcomes each, one cure."""
    model = CauseModel(
        shape=np.array([1.0, 1.0]),
        scale_hours=np.array([1000.0, 4000.0]),
        outcome=np.array([[0.75, 0.25], [0.5, 0.5]]),
        cure=np.array([[0.8, 0.05]]),
        comeback_hours=50.0,
        background_hours=5000.0,
        repeat=0.25,
    )
    defaults = Defaults(
        model=model,
        failures=np.array([2.0, 2.0]),
        wears=np.array([False, False]),
        counts=np.array([[3.0, 1.0], [2.0, 2.0]]),
        learnt=np.array([True, True]),
        quiet=np.array([[False, True]]),
        trials=10.0,
        comebacks=10.0,
    )
    return replace(defaults, **changes)  # type: ignore[arg-type]


#: How a fault shows again where every one that ends is written down.
LAW = ReturnLaw(0.5, 0.02, 1e-6, 3.0, 60.0, 240.0, 8000.0)


def cases(size: int, ages: float = 500.0, pieces: list[tuple[int, int]] | None = None) -> Cases:
    """Cases with the same age; pieces are (case, outcome)."""
    seen = pieces or []
    return Cases(
        hazard=np.tile([0, 1], (size, 1)),
        age_hours=np.full((size, 2), ages),
        plain_weight=np.ones((size, 2)),
        fresh=np.ones(size),
        carried=np.zeros((size, 2)),
        piece_case=np.array([case for case, _ in seen], dtype=np.int64),
        piece_row=np.tile([0, 1], (len(seen), 1)),
        piece_outcome=np.array([outcome for _, outcome in seen], dtype=np.int64),
        piece_weight=np.ones(len(seen)),
        visit_case=np.zeros(0, dtype=np.int64),
        visit_steps=np.zeros((0, 1), dtype=bool),
        visit_again=np.zeros((0, 1), dtype=bool),
        visit_hours=np.zeros(0),
        visit_back=np.zeros(0, dtype=bool),
        weight=np.ones(size),
    )


@pytest.mark.parametrize("name", sorted(load_families()))
def test_without_cases_the_defaults_come_back(name: str) -> None:
    family = load_families()[name]
    defaults = Layout.of(family, LAW).defaults
    causes, steps = defaults.model.cure.shape[1], defaults.model.cure.shape[0]
    nothing = Cases(
        hazard=np.zeros((0, causes), dtype=np.int64),
        age_hours=np.zeros((0, causes)),
        plain_weight=np.zeros((0, causes)),
        fresh=np.ones(0),
        carried=np.zeros((0, causes)),
        piece_case=np.zeros(0, dtype=np.int64),
        piece_row=np.zeros((0, causes), dtype=np.int64),
        piece_outcome=np.zeros(0, dtype=np.int64),
        piece_weight=np.zeros(0),
        visit_case=np.zeros(0, dtype=np.int64),
        visit_steps=np.zeros((0, steps), dtype=bool),
        visit_again=np.zeros((0, steps), dtype=bool),
        visit_hours=np.zeros(0),
        visit_back=np.zeros(0, dtype=bool),
        weight=np.ones(0),
    )
    fit = fit_causes(nothing, NOBODY, defaults)
    assert fit.converged
    for field in ("shape", "scale_hours", "outcome", "cure"):
        assert getattr(fit.model, field) == pytest.approx(getattr(defaults.model, field), rel=1e-4)
    assert fit.model.repeat == pytest.approx(defaults.model.repeat, rel=1e-6)
    assert fit.model.comeback_hours == pytest.approx(defaults.model.comeback_hours, rel=1e-9)
    assert fit.model.background_hours == pytest.approx(defaults.model.background_hours, rel=1e-9)


def test_prior_odds_are_the_hazards_at_the_age() -> None:
    model = replace(two_causes().model, shape=np.array([2.0, 1.0]))
    weight = np.exp(log_prior(model, cases(1)))[0]
    # Weibull: shape / scale * (age / scale) ** (shape - 1), 2/1000 * 0.5 = 1/1000 against 1/4000
    assert weight == pytest.approx([1 / 1000, 1 / 4000], rel=1e-12)


def test_without_an_age_the_plain_weights_count() -> None:
    unknown = replace(cases(1), age_hours=np.array([[np.nan, 10.0]]), plain_weight=np.array([[3.0, 5.0]]))
    assert np.exp(log_prior(two_causes().model, unknown))[0] == pytest.approx([3.0, 5.0])


def test_evidence_is_the_share_of_the_outcome() -> None:
    seen = np.exp(piece_likelihood(two_causes().model, cases(1, pieces=[(0, 1)])))
    assert seen == pytest.approx(np.array([[0.25, 0.5]]))


def test_half_a_piece_is_the_root_of_its_likelihood() -> None:
    half = replace(cases(1, pieces=[(0, 1)]), piece_weight=np.array([0.5]))
    assert np.exp(piece_likelihood(two_causes().model, half)) == pytest.approx(np.sqrt([[0.25, 0.5]]))


def test_a_cure_tried_again_has_a_share_of_its_chance_left() -> None:
    """First try 0.8, back after 20 h; then 0.25 * 0.8 = 0.2, and quiet for 100 h."""
    visits = replace(
        cases(1),
        visit_case=np.array([0, 0]),
        visit_steps=np.array([[True], [False]]),
        visit_again=np.array([[False], [True]]),
        visit_hours=np.array([20.0, 100.0]),
        visit_back=np.array([True, False]),
    )
    found = follow_ups(two_causes().model, visits)
    fast, slow = np.exp(-20 / 50) / 50, np.exp(-20 / 5000) / 5000
    stays = 0.2 * fast * 0.8 * np.exp(-100 / 50)
    ended = (0.2 * fast * 0.2 + 0.8 * slow) * np.exp(-100 / 5000)
    assert np.exp(found.gain[:, 0].sum()) == pytest.approx(stays + ended, rel=1e-12)
    assert found.uncured[0, 0] == pytest.approx(stays / (stays + ended), rel=1e-12)


def test_what_is_left_to_a_repeat_is_learnt() -> None:
    """Of 600 first tries two thirds held; of the 200 others a second try half: 1/2 = repeat * 2/3."""
    failed = np.arange(200)
    again = replace(
        cases(600),
        visit_case=np.concatenate((np.repeat(failed, 2), np.arange(200, 600))),
        visit_steps=np.concatenate((np.tile([True, False], 200), np.ones(400, dtype=bool)))[:, None],
        visit_again=np.concatenate((np.tile([False, True], 200), np.zeros(400, dtype=bool)))[:, None],
        visit_hours=np.concatenate((np.tile([1e-3, 1e-3, 1e-3, 1e5], 100), np.full(400, 1e5))),
        visit_back=np.concatenate((np.tile([True, True, True, False], 100), np.zeros(400, dtype=bool))),
    )
    sure = two_causes(failures=np.array([1e9, 1e-9]), trials=1.0)
    model = replace(sure.model, scale_hours=np.array([1.0, 1e12]))
    fit = fit_causes(again, NOBODY, replace(sure, model=model), tolerance=1e-9, most_steps=3000)
    assert fit.model.cure[0, 0] == pytest.approx(2 / 3, abs=0.02)
    assert fit.model.repeat == pytest.approx(3 / 4, abs=0.02)


def test_follow_ups_by_hand() -> None:
    """Cured with chance 0.8, back after 20 h: 0.2 f(20) + 0.8 g(20); then nothing new for 100 h in vain."""
    model = two_causes().model
    visits = replace(
        cases(1),
        visit_case=np.array([0, 0]),
        visit_steps=np.array([[True], [False]]),
        visit_again=np.zeros((2, 1), dtype=bool),
        visit_hours=np.array([20.0, 100.0]),
        visit_back=np.array([True, False]),
    )
    found = follow_ups(model, visits)
    fast, slow = np.exp(-20 / 50) / 50, np.exp(-20 / 5000) / 5000
    first = 0.2 * fast + 0.8 * slow
    assert np.exp(found.gain[0, 0]) == pytest.approx(first, rel=1e-12)
    both = 0.2 * fast * np.exp(-100 / 50) + 0.8 * slow * np.exp(-100 / 5000)
    assert np.exp(found.gain[:, 0].sum()) == pytest.approx(both, rel=1e-12)
    assert found.uncured[0, 0] == pytest.approx(0.2 * fast * np.exp(-100 / 50) / both, rel=1e-12)


def test_certain_cases_are_counted() -> None:
    """Signs that only one cause can show make labels: then every figure is a plain ratio of counts."""
    sure = two_causes(
        model=replace(two_causes().model, outcome=np.array([[1.0, 0.0, 0.6, 0.4], [0.0, 1.0, 0.5, 0.5]])),
        counts=np.array([[1e9, 0.0, 6.0, 4.0], [0.0, 1e9, 5.0, 5.0]]),
    )
    # Case 0 and 1 are of the first cause, case 2 of the second: outcomes 0 and 1 of a fixed row say so.
    model = CauseModel(
        shape=np.array([1.0, 1.0]),
        scale_hours=np.array([1000.0, 4000.0]),
        outcome=np.array([[1 - 1e-12, 1e-12], [1e-12, 1 - 1e-12], [0.75, 0.25], [0.5, 0.5]]),
        cure=np.array([[0.8, 0.05]]),
        comeback_hours=50.0,
        background_hours=5000.0,
        repeat=0.25,
    )
    defaults = replace(
        sure,
        model=model,
        counts=np.array([[1 - 1e-12, 1e-12], [1e-12, 1 - 1e-12], [3.0, 1.0], [2.0, 2.0]]),
        learnt=np.array([False, False, True, True]),
    )
    told = replace(
        cases(3, pieces=[(0, 0), (0, 1), (1, 0), (1, 1), (2, 1), (2, 0)]),
        piece_row=np.array([[0, 1], [2, 3], [0, 1], [2, 3], [0, 1], [2, 3]]),
        visit_case=np.array([0, 1]),
        visit_steps=np.array([[True], [True]]),
        visit_again=np.zeros((2, 1), dtype=bool),
        visit_hours=np.array([1e-3, 1e5]),
        visit_back=np.array([True, False]),
    )
    # 10,000 h of exposure for each cause.
    exposure = Exposure(np.array([0, 1]), np.array([10_000.0, 10_000.0]), np.array([1.0, 1.0]))
    fit = fit_causes(told, exposure, defaults, tolerance=1e-10)
    assert fit.converged
    assert fit.probability.round(6).tolist() == [[1, 0], [1, 0], [0, 1]]
    # rate = (failures + pseudo) / (hours + pseudo * default scale)
    assert fit.model.scale_hours[0] == pytest.approx((10_000 + 2 * 1000) / (2 + 2), rel=1e-6)
    assert fit.model.scale_hours[1] == pytest.approx((10_000 + 2 * 4000) / (1 + 2), rel=1e-6)
    # two cases of the first cause showed outcome 1 besides, the one of the second outcome 0
    assert fit.model.outcome[2] == pytest.approx([3 / 6, 3 / 6], abs=1e-6)
    assert fit.model.outcome[3] == pytest.approx([3 / 5, 2 / 5], abs=1e-6)
    # one cure failed (back at once, against 5,000 h of background), one held for good
    assert fit.model.cure[0, 0] == pytest.approx((0.8 * 10 + 1) / (10 + 2), abs=2e-3)


def test_it_stops_and_says_so() -> None:
    many = cases(40, pieces=[(i, i % 2) for i in range(40)])
    fit = fit_causes(
        many, Exposure(np.array([0, 1]), np.full(2, 1e5), np.ones(2)), two_causes(), most_steps=3
    )
    assert not fit.converged
    assert fit.steps <= 4
