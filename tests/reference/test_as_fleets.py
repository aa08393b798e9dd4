"""Published cases, loaded as machines, readings and repairs and asked for through the findings.

Each case names its source in expected.json; the expected values are not ours.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import polars as pl
import pytest
from fleets import Life, Repeater, fleet_of_lives, fleet_of_repeaters
from published import all_cases, data

from fleetlog.lives.repeats import repeats
from fleetlog.lives.survival import SurvivalFinding, survival

TOLERANCE = 1e-6


def _lives(
    frame: pl.DataFrame,
    *,
    time: str = "time",
    entry: str | None = None,
    event: str = "event",
    group: str | None = None,
    count: str | None = None,
) -> list[Life]:
    return [
        Life(
            entry=float(row[entry]) if entry else 0.0,
            exit=float(row[time]),
            failed=bool(row[event]),
            group=str(row[group]) if group else "all",
        )
        for row in frame.to_dicts()
        for _ in range(int(row[count]) if count else 1)
    ]


def _gehan() -> list[Life]:
    return _lives(data("gehan_6mp.csv"), group="group")


def _six_mp() -> list[Life]:
    return _lives(data("gehan_6mp.csv").filter(pl.col("group") == "6-MP"))


def _maintained() -> list[Life]:
    return _lives(data("aml.csv").filter(pl.col("group") == "Maintained"))


def _aml() -> list[Life]:
    return _lives(data("aml.csv"), group="group")


def _lung(group: str | None = None) -> list[Life]:
    return _lives(data("lung.csv"), group=group)


def _veteran() -> list[Life]:
    return _lives(data("veteran.csv"), group="celltype")


def _channing(gender: int) -> list[Life]:
    frame = data("channing.csv").filter((pl.col("gender") == gender) & (pl.col("exit") > pl.col("entry")))
    return _lives(frame, time="exit", entry="entry")


def _synthetic() -> list[Life]:
    return _lives(data("synthetic_fleet_left_truncated.csv"), time="exit", entry="entry")


def _fluid(voltage: int) -> list[Life]:
    frame = data("nelson_insulating_fluid.csv").filter(pl.col("voltage") == voltage)
    return _lives(frame.with_columns(pl.lit(1).alias("event")))


_ANSWERS: dict[tuple[tuple[Life, ...], float, bool], SurvivalFinding] = {}


def _ask(folder: Path, lives: list[Life], scale: float = 1.0, split: bool = False) -> SurvivalFinding:
    """The answer for published lives; several cases rest on the same ones, which are loaded once."""
    case = (tuple(lives), scale, split)
    if case not in _ANSWERS:
        with fleet_of_lives(folder, lives, scale) as fleet:
            _ANSWERS[case] = survival(fleet, component="drive_pump", by=("site",) if split else ())
    # Every pump fitted after the failure is sold at once, so no life but the published ones is observed.
    assert sum(group.spells for group in _ANSWERS[case].groups) == len(lives)
    return _ANSWERS[case]


def _at(curve: pl.DataFrame, hours: list[float], column: str) -> list[float]:
    """The step function's value at given ages (1 before the first step)."""
    values = []
    for age in hours:
        passed = curve.filter(pl.col("hours") <= age + 1e-9)
        values.append(passed[column][-1] if passed.height else 1.0)
    return values


CURVES: dict[str, Callable[[], list[Life]]] = {
    "km.gehan.6mp": _six_mp,
    "km.aml.maintained": _maintained,
}


@pytest.mark.parametrize("case_id", CURVES)
def test_curve_and_numbers_at_risk(case_id: str, tmp_path: Path) -> None:
    expected = all_cases()[case_id]["expected"]
    curve = _ask(tmp_path, CURVES[case_id]()).groups[0].curve
    assert curve["hours"].to_list() == expected["time"]
    assert curve["at_risk"].to_list() == expected["n_risk"]
    assert curve["failed"].to_list() == expected["n_event"]
    assert curve["survival"].to_list() == pytest.approx(expected["surv"], rel=TOLERANCE)


def test_log_log_interval(tmp_path: Path) -> None:
    expected = all_cases()["km.gehan.6mp.ci"]["expected"]
    curve = _ask(tmp_path, _six_mp()).groups[0].curve
    for bound in ("lower", "upper"):
        got = _at(curve, expected["time"], bound)
        assert got == pytest.approx(expected[f"{bound}_log-log"], rel=TOLERANCE)


AT_AGES: dict[str, Callable[[], list[Life]]] = {
    "km.lung.times": _lung,
    "km.channing.lt.g2": lambda: _channing(2),
    "km.synthetic.lt": _synthetic,
}


@pytest.mark.parametrize("case_id", AT_AGES)
def test_survival_at_given_ages(case_id: str, tmp_path: Path) -> None:
    expected = all_cases()[case_id]["expected"]
    curve = _ask(tmp_path, AT_AGES[case_id]()).groups[0].curve
    assert _at(curve, expected["time"], "survival") == pytest.approx(expected["surv"], rel=TOLERANCE)


def test_conditional_survival_with_delayed_entry(tmp_path: Path) -> None:
    """S(t | alive at 816) is S(t) / S(816): the published curve starts where enough are under observation."""
    expected = all_cases()["km.channing.cond68.g2"]["expected"]
    curve = _ask(tmp_path, _channing(2)).groups[0].curve
    (begin,) = _at(curve, [816], "survival")
    got = [value / begin for value in _at(curve, expected["time"], "survival")]
    assert got == pytest.approx(expected["surv"], rel=TOLERANCE)


def test_thin_first_risk_sets_do_not_end_the_curve(tmp_path: Path) -> None:
    """The published curve of the men is 0 from 781 months on, with one man at risk there.

    Ours starts after that age, says so, and runs through the later failures as published.
    """
    expected = all_cases()["km.channing.men.first"]["expected"]
    group = _ask(tmp_path, _channing(1)).groups[0]
    assert expected["surv"][1] == 0
    assert group.from_hours >= expected["time"][1]
    assert "conditional" in group.note
    assert group.curve["hours"][:2].to_list() == expected["time"][2:]
    assert group.curve["at_risk"][:2].to_list() == expected["n_risk"][2:]
    assert group.curve["survival"].min() > 0  # type: ignore[operator]


def test_survival_by_group(tmp_path: Path) -> None:
    expected = all_cases()["km.lung.sex365"]["expected"]
    result = _ask(tmp_path, _lung("sex"), split=True)
    got = [_at(group.curve, [365], "survival")[0] for group in result.groups]
    assert got == pytest.approx(expected["surv"], rel=TOLERANCE)


def test_median(tmp_path: Path) -> None:
    expected = all_cases()["km.lung.median"]["expected"]
    assert _ask(tmp_path, _lung()).groups[0].median_hours == expected["estimate"][1]


def test_medians_by_group(tmp_path: Path) -> None:
    expected = all_cases()["km.veteran.celltype"]["expected"]
    result = _ask(tmp_path, _veteran(), split=True)
    assert [group.group["site"] for group in result.groups] == expected["strata"]
    assert [group.spells for group in result.groups] == expected["records"]
    assert [group.failures for group in result.groups] == expected["events"]
    assert [group.median_hours for group in result.groups] == expected["median"]


def test_median_where_survival_is_one_half_exactly(tmp_path: Path) -> None:
    """The definition inf{t: S(t) <= 0.5} is ours; the midpoint is another program's convention."""
    expected = all_cases()["km.quantile.tie"]["expected"]
    lives = [Life(0, time, True) for time in (1, 2, 3, 4)]
    assert _ask(tmp_path, lives).groups[0].median_hours == expected["inf_S_le_half"]


LOG_RANKS: dict[str, Callable[[], list[Life]]] = {
    "lr.gehan": _gehan,
    "lr.aml": _aml,
    "lr.lung.sex": lambda: _lung("sex"),
    "lr.veteran.celltype": _veteran,
    "lr.larynx": lambda: _lives(data("larynx.csv"), group="stage"),
    "lr.ovarian": lambda: _lives(data("ovarian.csv"), group="rx"),
}


@pytest.mark.parametrize("case_id", LOG_RANKS)
def test_log_rank(case_id: str, tmp_path: Path) -> None:
    expected = all_cases()[case_id]["expected"]
    # Larynx is in years with one decimal: ten running hours a year keep it exact in tenths.
    scale = 10.0 if case_id == "lr.larynx" else 1.0
    test = _ask(tmp_path, LOG_RANKS[case_id](), scale=scale, split=True).log_rank
    assert test is not None
    assert test["chi2"] == pytest.approx(expected["chisq"], rel=TOLERANCE)
    assert test["df"] == expected.get("df", 1)
    assert test["p"] == pytest.approx(expected["p"], rel=TOLERANCE)


WEIBULLS: dict[str, tuple[Callable[[], list[Life]], float]] = {
    "wb.nist8413": (lambda: _lives(data("nist_8413.csv"), count="count"), 1.0),
    "wb.nwh_c5": (lambda: _lives(data("nwh_appendix_c5.csv")), 1.0),
    # Two decimals: ten running hours a minute keep them exact in tenths.
    "wb.ifluid.26": (lambda: _fluid(26), 10.0),
    "wb.ifluid.30": (lambda: _fluid(30), 10.0),
    "wb.ifluid.34": (lambda: _fluid(34), 10.0),
    "wb.lung": (_lung, 1.0),
    "wblt.channing.g1": (lambda: _channing(1), 1.0),
    "wblt.synthetic": (_synthetic, 1.0),
}


@pytest.mark.parametrize("case_id", WEIBULLS)
def test_weibull_fit(case_id: str, tmp_path: Path) -> None:
    expected = all_cases()[case_id]["expected"]
    lives, scale = WEIBULLS[case_id]
    fit = _ask(tmp_path, lives(), scale=scale).groups[0].weibull
    assert fit is not None
    assert fit["shape"] == pytest.approx(expected["beta"], rel=TOLERANCE)
    assert fit["scale_hours"] / scale == pytest.approx(expected["eta"], rel=TOLERANCE)
    if "beta_ci_lr" in expected:
        assert fit["shape_ci"] == pytest.approx(expected["beta_ci_lr"], rel=1e-5)
        assert [limit / scale for limit in fit["scale_ci"]] == pytest.approx(expected["eta_ci_lr"], rel=1e-5)
        assert [limit / scale for limit in fit["b10_ci"]] == pytest.approx(expected["B10_ci_lr"], rel=1e-5)


def _valve_seats() -> dict[str, Repeater]:
    """41 engines; status 0 ends the watch, two replacements on one day count two."""
    frame = data("valve_seat.csv")
    return {
        f"E{engine}": Repeater(
            exit=float(rows["time"].max()),  # type: ignore[arg-type]
            events=tuple(map(float, rows.filter(pl.col("status") == 1)["time"].sort())),
        )
        for (engine,), rows in frame.group_by("id", maintain_order=True)
    }


def _granulomatous() -> dict[str, Repeater]:
    frame = data("cgd.csv")
    return {
        f"P{patient}": Repeater(
            exit=float(rows["tstop"].max()),  # type: ignore[arg-type]
            events=tuple(map(float, rows.filter(pl.col("event") == 1)["tstop"].sort())),
        )
        for (patient,), rows in frame.group_by("id", maintain_order=True)
    }


COUNTS = {"mcf.valve_seat": _valve_seats, "mcf.cgd": _granulomatous}


@pytest.mark.parametrize("case_id", COUNTS)
def test_mean_cumulative_count(case_id: str, tmp_path: Path) -> None:
    expected = all_cases()[case_id]["expected"]
    # Ten running hours a day: codes of one engine a few days apart must not fall into one tenth of an hour.
    scale = 10.0
    with fleet_of_repeaters(tmp_path, COUNTS[case_id](), scale) as fleet:
        curve = repeats(fleet).mean_cumulative
    ages = [time * scale for time in expected["time"]]
    assert _at(curve, ages, "count") == pytest.approx(expected["mcf"], rel=TOLERANCE)
    for bound in ("lower", "upper"):
        assert _at(curve, ages, bound) == pytest.approx(expected[f"{bound}_log"], rel=TOLERANCE)
