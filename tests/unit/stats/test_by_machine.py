"""Errors by machine: against a loop over machines, against published figures, and where Greenwood's are known."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from fleetlog.stats.by_machine import (
    hazard_error,
    log_rank_by_machine,
    mean_by_machine,
    numbered,
    weibull_spread,
    with_errors,
)
from fleetlog.stats.lifetimes import fit_weibull
from fleetlog.stats.log_rank import log_rank
from fleetlog.stats.product_limit import product_limit
from fleetlog.stats.risk_table import RiskTable, in_grains
from fleetlog.stats.weighted_lives import Law, ObservedLives

DATA = Path(__file__).parents[2] / "reference" / "data"


def drawn(seed: int, machines: int = 30, *, alike: float = 0.0) -> ObservedLives:
    """Two lives a machine, some watched late, some in doubt, a few of one age."""
    rng = np.random.default_rng(seed)
    pace = np.repeat(np.exp(alike * rng.standard_normal(machines)), 2)
    life = np.ceil(300 * pace * rng.weibull(2.0, 2 * machines) / 10).astype(np.int64) * 10 + 10
    entry = np.where(rng.random(life.size) < 0.3, life // 3, 0)
    share = in_grains(np.where(rng.random(life.size) < 0.5, 1.0, rng.random(life.size)))
    failed = (rng.random(life.size) < 0.7).astype(np.int64)
    return ObservedLives(entry, life, failed, np.repeat(np.arange(machines), 2), share=share)


def table_of(lives: ObservedLives) -> RiskTable:
    return RiskTable.from_spells(lives.entry, lives.exit, lives.failed, lives.share)


def curve_of(lives: ObservedLives):  # type: ignore[no-untyped-def]
    return product_limit(table_of(lives), minimum_at_risk=0)


def without(lives: ObservedLives, machine: int, step: float) -> ObservedLives:
    assert lives.share is not None
    return replace(lives, share=np.where(lives.machine == machine, lives.share * (1.0 - step), lives.share))


@pytest.mark.parametrize("seed", [1, 2])
def test_error_is_what_each_machine_moves(seed: int) -> None:
    """The influence of a machine is how far the curve moves, per step, as it is weighed a little less."""
    lives = drawn(seed)
    curve = curve_of(lives)
    keep = curve.survival > 0.02
    step = 2.0**-6  # whole grains; two steps extrapolated
    moved = []
    for machine in range(30):
        slope = []
        for h in (step, step / 2):
            other = curve_of(
                replace(without(lives, machine, h), share=in_grains(without(lives, machine, h).share))
            )
            at = other.at(curve.hours).survival
            slope.append((at - curve.survival) / h)
        moved.append(2 * slope[1] - slope[0])
    naive = np.sqrt((np.array(moved) ** 2).sum(axis=0) * 30 / 29)
    assert with_errors(curve, lives).std_error[keep] == pytest.approx(naive[keep], rel=0.03)


def test_error_of_the_mean_is_what_each_machine_moves() -> None:
    lives = drawn(3)
    whole = curve_of(lives)
    horizon = float(whole.hours[whole.survival > 0.2][-1])
    step, moved = 2.0**-6, []
    for machine in range(30):
        means = [
            curve_of(replace(lives, share=in_grains(without(lives, machine, h).share))).restricted_mean(
                horizon
            )
            for h in (step, step / 2)
        ]
        slopes = [
            (mean.estimate - whole.restricted_mean(horizon).estimate) / h
            for mean, h in zip(means, (step, step / 2), strict=True)
        ]
        moved.append(2 * slopes[1] - slopes[0])
    naive = np.sqrt((np.array(moved) ** 2).sum() * 30 / 29)
    mean = mean_by_machine(whole, lives, horizon)
    assert mean.std_error == pytest.approx(naive, rel=0.03)
    assert mean.upper - mean.estimate == pytest.approx(1.959963984540054 * mean.std_error)
    assert mean.estimate == whole.restricted_mean(horizon).estimate
    learnt = mean_by_machine(whole, lives, horizon, np.full(whole.hours.size, 0.1))
    assert learnt.std_error > mean.std_error


def test_valve_seats_as_lawless_and_nadeau() -> None:
    """Gaps between replacements of an engine as lives of one machine on its own clock: the published robust error.

    Nelson & Doganaksoy 1989; standard errors of tests/reference/expected.json, mcf.valve_seat (R survival 3.5-3).
    """
    rows = pl.read_csv(DATA / "valve_seat.csv")
    assert {"id", "time", "status"} <= set(rows.columns), rows.columns
    at, published = [61, 98, 139, 206, 298], [
        0.02409096577194, 0.05519933710726, 0.07326981195813, 0.08752682525996, 0.1096072756653
    ]  # fmt: skip
    entry, exit, failed, machine = [], [], [], []
    for engine, (_, own) in enumerate(rows.sort("id", "time").group_by("id", maintain_order=True)):
        last = 0
        for time, status in own.select("time", "status").iter_rows():
            ticks = 10 * time
            if ticks <= last:  # a second one on the same day, as R is told it: a tenth earlier
                exit[-1] -= 1
                last = exit[-1]
            entry.append(last)
            exit.append(ticks)
            failed.append(status)
            machine.append(engine)
            last = ticks
    lives = ObservedLives(np.array(entry), np.array(exit), np.array(failed), np.array(machine))
    curve = curve_of(lives)
    error = hazard_error(curve, lives) * np.sqrt(40 / 41)
    found = [float(error[np.searchsorted(curve.hours, t, side="right") - 1]) for t in at]
    assert found == pytest.approx(published, rel=1e-9)


def test_greenwood_without_censoring() -> None:
    """Every life a machine of its own, all seen from new to failure: the binomial variance, as Greenwood gives it."""
    ages = np.arange(1, 21) * 100
    lives = ObservedLives(np.zeros(20, dtype=np.int64), ages, np.ones(20, dtype=np.int64), np.arange(20))
    curve = curve_of(lives)
    error = with_errors(curve, lives).std_error[:-1] * np.sqrt(19 / 20)
    assert error == pytest.approx(curve.std_error[:-1], rel=1e-9)


def test_twins_count_once() -> None:
    """Two lives of a machine that are the same say no more than one."""
    lives = drawn(3)
    one = ObservedLives(lives.entry[::2], lives.exit[::2], lives.failed[::2], lives.machine[::2])
    both = ObservedLives(
        *(np.repeat(part[::2], 2) for part in (lives.entry, lives.exit, lives.failed, lives.machine))
    )
    for of in (with_errors, None):
        found = [of(curve_of(x), x) if of else curve_of(x) for x in (one, both)]
        ratio = found[0].std_error[:-2] / found[1].std_error[:-2]
        assert ratio == pytest.approx(1.0 if of else np.sqrt(2), rel=1e-6 if of else 0.1)


def test_log_rank_by_machine_as_a_loop() -> None:
    lives, group = drawn(4), np.tile([0, 1], 30)
    assert lives.share is not None
    ages = np.unique(lives.exit[lives.failed > 0])
    scores = np.zeros(30)
    for i in range(60):
        for age in ages:
            at_risk = (lives.entry < age) & (age <= lives.exit)
            if not at_risk[i]:
                continue
            y = (lives.share * at_risk).sum()
            d = (lives.share * ((lives.exit == age) & (lives.failed > 0))).sum()
            part = (lives.share * at_risk * (group == 1)).sum() / y
            own = float(lives.exit[i] == age and lives.failed[i] > 0)
            scores[lives.machine[i]] += lives.share[i] * (group[i] - part) * (own - d / y)
    found = log_rank_by_machine(lives, group)
    assert found is not None
    assert found.chi2 == pytest.approx(scores.sum() ** 2 / (scores**2).sum(), rel=1e-9)
    assert found.df == 1


def test_log_rank_by_machine_is_the_score_of_the_plain_one() -> None:
    """Observed less expected are those of the test that R agrees with; only the variance differs."""
    lives = replace(drawn(5), share=None)
    group = (np.arange(60) // 2) % 3
    tables = [
        table_of(ObservedLives(lives.entry[group == g], lives.exit[group == g], lives.failed[group == g], lives.machine[group == g]))
        for g in range(3)
    ]  # fmt: skip
    plain, robust = log_rank(tables), log_rank_by_machine(lives, group)
    assert robust is not None
    assert robust.df == plain.df == 2
    assert 0.2 < robust.chi2 / plain.chi2 < 5


@pytest.mark.parametrize("weights", ["log-rank", "peto-peto"])
def test_the_plain_test_is_wrong_and_this_is_right_where_machines_are_alike(weights: str) -> None:
    """Machines differ, groups of machines do not: by machine some 5% are called different, by lives far more."""
    plain = robust = 0
    trials = 300
    for seed in range(trials):
        lives = replace(drawn(1000 + seed, 40, alike=0.8), share=None)
        group = lives.machine % 2
        tables = [
            table_of(ObservedLives(*(part[group == g] for part in (lives.entry, lives.exit, lives.failed, lives.machine))))
            for g in (0, 1)
        ]  # fmt: skip
        test = log_rank_by_machine(lives, group, None, weights)  # type: ignore[arg-type]
        assert test is not None
        robust += test.p < 0.05
        plain += log_rank(tables, weights=weights).p < 0.05  # type: ignore[arg-type]
    assert 0.02 * trials <= robust <= 0.085 * trials
    assert plain > 1.3 * robust


def test_strata_are_tests_added_up() -> None:
    lives, group = drawn(6), np.tile([0, 1], 30)
    apart = log_rank_by_machine(lives, group, lives.machine % 2)
    assert apart is not None
    assert log_rank_by_machine(lives, group, np.zeros(60, dtype=np.int64)) == log_rank_by_machine(
        lives, group
    )
    assert apart.chi2 != pytest.approx(log_rank_by_machine(lives, group).chi2)  # type: ignore[union-attr]


def test_trend_by_machine_of_two_groups_is_their_test() -> None:
    lives, group = drawn(9), np.tile([0, 1], 30)
    along = log_rank_by_machine(lives, group, order=np.array([3.0, 5.0]))
    plain = log_rank_by_machine(lives, group)
    assert along is not None
    assert plain is not None
    assert (along.df, along.chi2) == (1, pytest.approx(plain.chi2))


def test_nothing_to_compare() -> None:
    lives = drawn(7)
    assert log_rank_by_machine(lives, np.zeros(60, dtype=np.int64)) is None
    none = replace(lives, failed=np.zeros(60, dtype=np.int64))
    test = log_rank_by_machine(none, np.tile([0, 1], 30))
    assert test is not None
    assert (test.df, test.p) == (0, 1.0)


def test_weibull_spread_by_machine() -> None:
    """Of independent lives it is about what the information says; of twins twice as much."""
    rng = np.random.default_rng(8)
    ages = np.ceil(5000 * rng.weibull(2.5, 4000)).astype(np.int64) + 1
    lives = ObservedLives(
        np.zeros(4000, dtype=np.int64), ages, np.ones(4000, dtype=np.int64), np.arange(4000)
    )
    fit = fit_weibull(table_of(lives))
    law = Law(fit.shape, fit.scale_hours)
    assert weibull_spread(lives, law, fit.covariance) == pytest.approx(fit.covariance, rel=0.15, abs=2e-5)
    twins = ObservedLives(
        *(np.repeat(part, 2) for part in (lives.entry, lives.exit, lives.failed, lives.machine))
    )
    twice = fit_weibull(table_of(twins))
    assert weibull_spread(twins, law, twice.covariance) == pytest.approx(
        weibull_spread(lives, law, fit.covariance), rel=1e-6
    )


def test_numbers_of_names() -> None:
    assert numbered(["b", "a", "b"]).tolist() == [0, 1, 0]
