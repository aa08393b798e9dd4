"""What must hold for any fleet: row order, units, split spells, weights, relabelled groups."""

from __future__ import annotations

from itertools import pairwise
from typing import Any

import numpy as np
import polars as pl
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from spells import causes_table, fit_spells, for_cause, rows_of

from fleetlog.stats.errors import StatsError
from fleetlog.stats.histories import MachineHistories
from fleetlog.stats.lifetimes import (
    compare_fits,
    fit_weibull,
    fit_weibull_fixed_shape,
)
from fleetlog.stats.log_rank import WEIGHTS, log_rank
from fleetlog.stats.product_limit import INTERVALS, aalen_johansen, product_limit
from fleetlog.stats.proportions import comeback_rate, garwood, wilson
from fleetlog.stats.recurrent import mean_cumulative
from fleetlog.stats.risk_table import RiskTable
from fleetlog.stats.small_groups import shrink_groups

Spell = tuple[int, int, bool]


@st.composite
def spell(draw: st.DrawFn, longest: int = 60) -> Spell:
    entry = draw(st.integers(0, longest) | st.just(0))
    return entry, entry + draw(st.integers(1, longest)), draw(st.booleans())


spells = st.lists(spell(), min_size=1, max_size=40)
common = settings(max_examples=100, deadline=None)


def table(rows: list[Spell], **options: Any) -> RiskTable:
    entry, exit, failed = zip(*rows, strict=True)
    return RiskTable.from_spells(entry, exit, failed, **options)


def outcome(call: Any, *arguments: Any, **options: Any) -> Any:
    """A result, or the name of the error: both roads must end alike."""
    try:
        return call(*arguments, **options)
    except StatsError as error:
        return type(error).__name__


@common
@given(rows=spells, data=st.data())
def test_row_order_changes_no_digit(rows: list[Spell], data: st.DataObject) -> None:
    weights = data.draw(st.lists(st.integers(1, 9), min_size=len(rows), max_size=len(rows)))
    order = data.draw(st.permutations(range(len(rows))))
    plain = product_limit(table(rows, weights=weights))
    turned = product_limit(table([rows[i] for i in order], weights=[weights[i] for i in order]))
    for name in ("hours", "at_risk", "failed", "survival", "lower", "upper"):
        assert getattr(plain, name).tolist() == getattr(turned, name).tolist()
    assert plain.note == turned.note


@common
@given(rows=spells, repeats=st.integers(1, 4), interval=st.sampled_from(INTERVALS))
def test_weights_are_repeated_rows(rows: list[Spell], repeats: int, interval: Any) -> None:
    weighted, repeated = table(rows, weights=[repeats] * len(rows)), table(rows * repeats)
    assert rows_of(weighted).equals(rows_of(repeated))
    one, other = product_limit(weighted, interval=interval), product_limit(repeated, interval=interval)
    assert one.survival.tolist() == other.survival.tolist()
    # more of the same: the same curve, a narrower band
    single = product_limit(table(rows), minimum_at_risk=0)
    again = product_limit(weighted, minimum_at_risk=0)
    assert again.survival == pytest.approx(single.survival, rel=1e-12)
    known = single.survival > 0
    assert again.std_error[known] * np.sqrt(repeats) == pytest.approx(single.std_error[known], rel=1e-9)


@common
@given(rows=spells, cuts=st.lists(st.integers(1, 119), min_size=1, max_size=5))
def test_splitting_spells_changes_nothing(rows: list[Spell], cuts: list[int]) -> None:
    """A spell watched in pieces is the same spell: its pieces leave and enter at the same age."""
    pieces: list[Spell] = []
    for entry, exit, failed in rows:
        edges = [entry, *sorted({c for c in cuts if entry < c < exit}), exit]
        pieces += [(a, b, failed and b == exit) for a, b in pairwise(edges)]
    whole, split = table(rows), table(pieces)
    one, other = (product_limit(t, minimum_at_risk=0) for t in (whole, split))
    assert one.survival.tolist() == other.survival.tolist()
    assert one.at_risk.tolist() == other.at_risk.tolist()
    assert split.total_hours == pytest.approx(whole.total_hours)
    first, second = outcome(fit_weibull, whole), outcome(fit_weibull, split)
    if isinstance(first, str) or isinstance(second, str):
        assert first == second
    else:
        assert second.shape == pytest.approx(first.shape, rel=1e-8)
        assert second.scale_hours == pytest.approx(first.scale_hours, rel=1e-8)


@common
@given(rows=spells, factor=st.integers(2, 7))
def test_units_of_age_only_rename_ages(rows: list[Spell], factor: int) -> None:
    longer = [(a * factor, b * factor, f) for a, b, f in rows]
    short, long = table(rows), table(longer)
    one, other = product_limit(short), product_limit(long)
    assert one.survival.tolist() == other.survival.tolist()
    assert other.hours == pytest.approx(one.hours * factor)
    # finer ticks alone change nothing at all
    finer = product_limit(table(longer, per_hour=10 * factor))
    assert finer.hours == pytest.approx(one.hours, rel=1e-15)
    assert finer.lower.tolist() == one.lower.tolist()
    fits = [outcome(fit_weibull, t) for t in (short, long)]
    assume(not any(isinstance(fit, str) for fit in fits))
    assert fits[1].shape == pytest.approx(fits[0].shape, rel=1e-8)
    assert fits[1].scale_hours == pytest.approx(fits[0].scale_hours * factor, rel=1e-8)


@common
@given(rows=spells)
def test_curves_stay_where_they_belong(rows: list[Spell]) -> None:
    whole = table(rows)
    for interval in INTERVALS:
        curve = product_limit(whole, interval=interval)
        for band in (curve.survival, curve.lower, curve.upper):
            assert ((band >= 0) & (band <= 1)).all()
        assert (np.diff(curve.survival) <= 0).all()
        assert (curve.lower <= curve.survival + 1e-12).all()
        assert (curve.upper >= curve.survival - 1e-12).all()
        assert (curve.from_hours > 0) == (curve.note is not None)
        median = curve.quantile(0.5)
        if median.estimate is not None and median.lower is not None:
            assert median.lower <= median.estimate <= (median.upper or np.inf)


@common
@given(rows=st.lists(spell(), min_size=4, max_size=40), data=st.data())
def test_relabelled_groups_score_the_same(rows: list[Spell], data: st.DataObject) -> None:
    label = data.draw(st.lists(st.integers(0, 2), min_size=len(rows), max_size=len(rows)))
    weights = data.draw(st.sampled_from(WEIGHTS))
    groups = {k: table([r for r, g in zip(rows, label, strict=True) if g == k]) for k in sorted(set(label))}
    assume(len(groups) > 1)
    order = data.draw(st.permutations(sorted(groups)))
    plain = log_rank([groups[k] for k in sorted(groups)], weights=weights)
    turned = log_rank([groups[k] for k in order], groups=order, weights=weights)
    assert turned.chi2 == pytest.approx(plain.chi2, rel=1e-7, abs=1e-9)
    assert turned.df == plain.df
    assert plain.observed.sum() == pytest.approx(plain.expected.sum(), rel=1e-9, abs=1e-12)
    assert np.abs(plain.variance.sum(axis=0)).max() <= 1e-7 * max(1.0, np.abs(plain.variance).max())
    assert 0 <= plain.p <= 1


@common
@given(rows=st.lists(spell(), min_size=6, max_size=40), data=st.data())
def test_cox_counts_order_and_labels(rows: list[Spell], data: st.DataObject) -> None:
    x = data.draw(st.lists(st.integers(0, 1), min_size=len(rows), max_size=len(rows)))
    order = data.draw(st.permutations(range(len(rows))))
    entry, exit, failed = (np.array(a) for a in zip(*rows, strict=True))
    group = np.array(x)
    plain = outcome(fit_spells, exit, failed, group, entry=entry)
    turned = outcome(fit_spells, exit[order], failed[order], group[order], entry=entry[order])
    if isinstance(plain, str):
        assert turned == plain
        return
    assert turned.coefficients.tolist() == plain.coefficients.tolist()
    flipped = fit_spells(exit, failed, 1 - group, entry=entry)
    assert flipped.coefficients == pytest.approx(-plain.coefficients, rel=1e-6, abs=1e-8)


@common
@given(rows=spells, data=st.data())
def test_incidences_never_exceed_one_minus_survival(rows: list[Spell], data: st.DataObject) -> None:
    cause = data.draw(st.lists(st.integers(0, 3), min_size=len(rows), max_size=len(rows)))
    entry, exit, _ = zip(*rows, strict=True)
    causes = causes_table(entry, exit, cause, causes=[1, 2, 3])
    curves = aalen_johansen(causes, minimum_at_risk=0)
    assert curves.incidence.sum(axis=1) + curves.survival == pytest.approx(
        np.ones(curves.hours.size), rel=1e-9
    )
    assert (curves.std_error >= 0).all()
    for k, name in enumerate(curves.causes):
        naive = product_limit(for_cause(causes, name), minimum_at_risk=0).at(curves.hours).survival
        assert (curves.incidence[:, k] <= 1 - naive + 1e-9).all()


@st.composite
def histories(draw: st.DrawFn) -> MachineHistories:
    windows = draw(st.lists(st.tuples(st.integers(0, 30), st.integers(1, 60)), min_size=1, max_size=12))
    unit, when = [], []
    for i, (entry, length) in enumerate(windows):
        for age in draw(st.lists(st.integers(1, length), max_size=5)):
            unit.append(i)
            when.append(entry + age)
    entry = np.array([a for a, _ in windows])
    return MachineHistories.of(range(len(windows)), entry, entry + [b for _, b in windows], unit, when)


@common
@given(h=histories(), factor=st.integers(2, 5))
def test_mean_cumulative_count_of_copied_fleets(h: MachineHistories, factor: int) -> None:
    """A fleet copied whole has the same mean count and a robust variance smaller by the number of copies."""
    n = h.machines
    copies = MachineHistories.of(
        np.arange(n * factor),
        np.tile(h.entry, factor),
        np.tile(h.exit, factor),
        np.concatenate([h.event_machine + k * n for k in range(factor)]),
        np.tile(h.event_ticks, factor),
        np.tile(h.event_count, factor),
    )
    one, many = mean_cumulative(h), mean_cumulative(copies)
    assert many.count == pytest.approx(one.count, rel=1e-10)
    assert many.std_error**2 * factor == pytest.approx(one.std_error**2, rel=1e-7, abs=1e-11)
    assert (np.diff(one.count, prepend=0.0) > 0).all()


@common
@given(h=histories(), data=st.data())
def test_names_of_machines_do_not_matter(h: MachineHistories, data: st.DataObject) -> None:
    names = np.array(data.draw(st.permutations(range(h.machines))))
    renamed = MachineHistories.of(
        names, h.entry, h.exit, names[h.event_machine], h.event_ticks, h.event_count
    )
    one, other = mean_cumulative(h), mean_cumulative(renamed)
    assert one.count.tolist() == other.count.tolist()
    assert other.std_error**2 == pytest.approx(one.std_error**2, rel=1e-7, abs=1e-12)


@common
@given(x=st.integers(0, 60), extra=st.integers(0, 60), level=st.floats(0.5, 0.995))
def test_intervals_of_shares_hold_the_share_and_nest(x: int, extra: int, level: float) -> None:
    n = x + extra
    assume(n > 0)
    low, high = wilson(x, n, level=level)
    assert 0 <= low <= x / n + 1e-12
    assert x / n - 1e-12 <= high <= 1
    wider = wilson(x, n, level=0.5 + 0.5 * level)
    assert wider.lower <= low + 1e-12
    assert wider.upper >= high - 1e-12
    low, high = garwood(x, level=level)
    assert low <= x <= high


@common
@given(
    rows=st.lists(st.tuples(st.integers(1, 60), st.booleans()), min_size=1, max_size=30),
    window=st.integers(1, 60),
)
def test_comeback_rates_are_rates(rows: list[tuple[int, bool]], window: int) -> None:
    exit, failed = zip(*rows, strict=True)
    rate = comeback_rate(RiskTable.from_spells(0, exit, failed), window / 10)
    assert rate.rate is not None
    assert rate.lower is not None
    assert rate.upper is not None
    assert 0 <= rate.lower <= rate.rate + 1e-12
    assert rate.rate - 1e-12 <= rate.upper <= 1
    plain = sum(f for e, f in rows if e <= window) / len(rows)
    assert rate.rate >= plain - 1e-12
    if rate.censored == 0:
        assert rate.rate == pytest.approx(plain)


@common
@given(rows=spells)
def test_fits_of_any_table_are_sound_or_refused_by_name(rows: list[Spell]) -> None:
    whole = table(rows)
    found = outcome(fit_weibull, whole)
    if isinstance(found, str):
        assert found in ("TooFewFailures", "DidNotConverge")
    else:
        assert np.isfinite(found.log_likelihood)
        tenth = found.b_life(0.1)
        assert tenth.estimate > 0
        if tenth.lower is not None and tenth.upper is not None:
            assert tenth.lower <= tenth.estimate * (1 + 1e-9)
            assert tenth.estimate <= tenth.upper * (1 + 1e-9)
    rows_by_law = {row["distribution"]: row for row in compare_fits(whole).frame.to_dicts()}
    constant = rows_by_law["exponential"]["log_likelihood"]
    if whole.failures:
        fixed = fit_weibull_fixed_shape(whole, shape=1.0)
        assert fixed.log_likelihood == pytest.approx(constant, rel=1e-9, abs=1e-9)
    if not isinstance(found, str):
        assert found.log_likelihood >= constant - 1e-9


@settings(max_examples=40, deadline=None)
@given(
    counts=st.lists(st.tuples(st.integers(0, 30), st.floats(0.1, 30.0)), min_size=1, max_size=10),
)
def test_shrunk_rates_lie_between_raw_and_common(counts: list[tuple[int, float]]) -> None:
    observed, expected = zip(*counts, strict=True)
    result = shrink_groups(observed, expected)
    assert ((result.lower >= 0) & (result.lower <= result.shrunk) & (result.shrunk <= result.upper)).all()
    assert ((result.probability_above >= 0) & (result.probability_above <= 1)).all()
    low, high = result.raw.min(initial=1.0), result.raw.max(initial=1.0)
    assert (result.shrunk >= low * 0.5 - 1e-9).all()
    assert (result.shrunk <= high * 1.5 + 1e-9).all()


@common
@given(rows=spells)
def test_frames_come_back_as_they_went(rows: list[Spell]) -> None:
    whole = table(rows)
    shuffled = (
        rows_of(whole).sample(fraction=1.0, shuffle=True, seed=1).with_columns(pl.col("hours").cast(pl.Int32))
    )
    assert rows_of(RiskTable.from_frame(shuffled)).equals(rows_of(whole))
