"""Scores of forecasts by hand and by pairs."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import special

from fleetlog.stats import scores as sc
from fleetlog.stats.errors import BadArgument, LengthMismatch


def test_area_under_the_curve_by_hand() -> None:
    assert sc.area_under_curve([1, 2, 3, 2], [0, 0, 1, 1]) == pytest.approx(3.5 / 4)
    with pytest.raises(BadArgument, match="did not"):
        sc.area_under_curve([1, 2], [1, 1])


def test_wrong_probabilities_are_refused() -> None:
    with pytest.raises(BadArgument, match="between 0 and 1"):
        sc.calibration_bins([1.2], [1])
    with pytest.raises(LengthMismatch):
        sc.calibration_bins([0.2, 0.3], [1])


def test_calibration_bins_and_line() -> None:
    rng = np.random.default_rng(1)
    p = rng.random(20000)
    y = (rng.random(20000) < p).astype(int)
    bins = sc.calibration_bins(p, y)
    assert bins["cases"].sum() == 20000
    assert (
        (bins["lower"] <= bins["mean_probability"]) & (bins["mean_probability"] <= bins["upper"])
    ).sum() >= 8
    line = sc.calibration_line(p, y)
    assert abs(line.slope - 1) < 4 * line.slope_std_error
    assert abs(line.intercept) < 0.1
    # probabilities pushed to the extremes have a slope below one
    inner = (p > 0.01) & (p < 0.99)
    extreme = special.expit(2 * special.logit(p[inner]))
    plain = sc.calibration_line(p[inner], y[inner])
    assert sc.calibration_line(extreme, y[inner]).slope == pytest.approx(plain.slope / 2, rel=1e-9)
    with pytest.raises(BadArgument, match="no line"):
        sc.calibration_line([0.1, 0.2, 0.8, 0.9], [0, 0, 1, 1])
    assert sc.calibration_bins([0.0, 1.0], [0, 1], bins=5)["to"].to_list() == [0.2, 1.0]
