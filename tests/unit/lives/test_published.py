"""Published cases, loaded as machines and repairs and asked for through the findings.

Each case names its source in tests/reference/expected.json; the expected values are not ours.
"""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from parts import Pump, Repeater, fleet_of_pumps, fleet_of_repeaters
from published import all_cases, data

from fleetlog.lives.comparison import compare
from fleetlog.lives.drivers import DriversFinding, drivers
from fleetlog.lives.incidence import incidence
from fleetlog.lives.survival import survival
from fleetlog.lives.trend import trend

TOLERANCE = 1e-6


def pumps(
    frame: pl.DataFrame,
    *,
    time: str = "time",
    entry: str = "",
    event: str = "event",
    site: str,
    model: str = "",
) -> list[Pump]:
    return [
        Pump(
            entry=float(row[entry]) if entry else 0.0,
            exit=float(row[time]),
            ending="worn" if row[event] else "",
            site=str(row[site]),
            model=str(row[model]) if model else "all",
        )
        for row in frame.to_dicts()
    ]


def channing() -> list[Pump]:
    return pumps(
        data("channing.csv").filter(pl.col("exit") > pl.col("entry")),
        time="exit",
        entry="entry",
        site="gender",
    )


# case, data, running hours a unit of time, ties
REGRESSIONS = {
    "cox.gehan.breslow": (lambda: pumps(data("gehan_6mp.csv"), site="group"), "breslow"),
    "cox.aml.breslow": (lambda: pumps(data("aml.csv"), site="group"), "breslow"),
    "cox.tg1.efron": (lambda: pumps(data("tg_test1.csv"), site="x"), "efron"),
    "cox.tg2.efron": (lambda: pumps(data("tg_test2.csv"), time="stop", entry="start", site="x"), "efron"),
    "cox.channing.lt": (channing, "breslow"),
}


@pytest.mark.parametrize("case_id", REGRESSIONS)
def test_hazard_ratio_of_two_groups(case_id: str, tmp_path: Path) -> None:
    """Either group may be the one compared with, so the coefficient is known up to its sign."""
    expected = all_cases()[case_id]["expected"]
    lives, ties = REGRESSIONS[case_id]
    with fleet_of_pumps(tmp_path, lives()) as fleet:
        found = drivers(fleet, component="drive_pump", factors=("site",), ties=ties)
    check(found, expected)
    assert found.model["machines"] == expected["n"]


def check(found: DriversFinding, expected: dict[str, float]) -> None:
    (row,) = found.ratios.to_dicts()
    assert abs(row["coefficient"]) == pytest.approx(abs(expected["coef"]), rel=TOLERANCE)
    assert row["std_error"] == pytest.approx(expected["se"], rel=TOLERANCE)
    assert found.model["log_likelihood"] == pytest.approx(expected["loglik"], rel=TOLERANCE)
    assert found.model["likelihood_ratio"]["chi2"] == pytest.approx(expected["lrt"], rel=TOLERANCE, abs=1e-8)
    assert found.model["spells"] == expected["n"]
    assert found.model["failures"] == expected["nevent"]


def patients() -> list[Repeater]:
    """128 patients with infections after infections, some more than one row; treated ones at a site of theirs."""
    return [
        Repeater(
            name=f"P{patient}",
            exit=float(rows["tstop"].max()),  # type: ignore[arg-type]
            events=tuple(map(float, rows.filter(pl.col("event") == 1)["tstop"].sort())),
            site=str(rows["treat"][0]),
        )
        for (patient,), rows in data("cgd.csv").group_by("id", maintain_order=True)
    ]


def test_recurrences_on_the_clock_of_the_machine(tmp_path: Path) -> None:
    """Andersen and Gill's model with the variance robust by patient, whose sums are made in the store."""
    expected = all_cases()["ag.cgd"]["expected"]
    with fleet_of_repeaters(tmp_path, patients(), scale=10.0) as fleet:
        found = drivers(fleet, factors=("site",), clock="total")
    check(found, expected)
    (row,) = found.ratios.to_dicts()
    assert row["robust_std_error"] == pytest.approx(expected["robust_se"], rel=TOLERANCE)
    assert found.terms["chi2"][0] == pytest.approx(expected["wald_robust"], rel=TOLERANCE)
    assert found.model["machines"] == data("cgd.csv")["id"].n_unique()


def test_weighted_tests_of_two_groups(tmp_path: Path) -> None:
    expected = all_cases()["lr.kidney.weights"]["expected"]
    lives = pumps(data("kidney_km14.csv"), site="type")
    with fleet_of_pumps(tmp_path, lives, scale=10.0) as fleet:
        for test, name in (
            ("log-rank", "logrank"),
            ("gehan", "gehan"),
            ("tarone-ware", "tarone_ware"),
            ("peto-peto", "peto_peto"),
            ("modified-peto", "modified_peto"),
        ):
            for found in (
                compare(fleet, component="drive_pump", by="site", test=test),
                survival(fleet, component="drive_pump", by=("site",), test=test),
            ):
                assert found.log_rank is not None
                assert found.log_rank["chi2"] == pytest.approx(expected[name]["chisq"], rel=TOLERANCE)
                assert found.log_rank["p"] == pytest.approx(expected[name]["p"], rel=TOLERANCE)


@pytest.mark.parametrize(
    ("case_id", "name", "group", "stratum"),
    [
        ("lr.gehan.stratified_pair", "gehan_6mp.csv", "group", "pair"),
        ("lr.lung.sex.strat_inst", "lung.csv", "sex", "inst"),
    ],
)
def test_log_rank_within_strata(case_id: str, name: str, group: str, stratum: str, tmp_path: Path) -> None:
    expected = all_cases()[case_id]["expected"]
    lives = pumps(data(name).drop_nulls(stratum), site=group, model=stratum)
    with fleet_of_pumps(tmp_path, lives) as fleet:
        compared = compare(fleet, component="drive_pump", by="site", strata=("model",))
        curves = survival(fleet, component="drive_pump", by=("site",), strata=("model",))
    for test in (compared.log_rank, curves.log_rank):
        assert test is not None
        assert test["chi2"] == pytest.approx(expected["chisq"], rel=TOLERANCE)
        assert (test["df"], test["p"]) == (1, pytest.approx(expected["p"], rel=TOLERANCE))
    assert compared.groups["observed"].to_list() == expected["obs"]
    assert compared.groups["expected"].to_list() == pytest.approx(expected["exp"], rel=TOLERANCE)
    # The curves do not look at the strata.
    assert [group.spells for group in curves.groups] == compared.groups["spells"].to_list()


def _tiny() -> list[Pump]:
    return [
        Pump(0.0, float(row["time"]), ("", "worn", "broken")[row["cause"]])
        for row in data("tiny_competing.csv").to_dicts()
    ]


def _transplants(group: int) -> list[Pump]:
    rows = data("bmt_competing.csv").filter(pl.col("group") == group)
    return [Pump(0.0, float(row["time"]), ("", "worn", "broken")[row["cause"]]) for row in rows.to_dicts()]


@pytest.mark.parametrize("case_id", ["cif.tiny", "cif.bmt.g2", "cif.bmt.g3"])
def test_competing_endings(case_id: str, tmp_path: Path) -> None:
    """Two causes as two findings on the old pump; the delta-method error is that of the infinitesimal jackknife."""
    expected = all_cases()[case_id]["expected"]
    lives = _tiny() if case_id == "cif.tiny" else _transplants(int(case_id[-1]))
    with fleet_of_pumps(tmp_path, lives) as fleet:
        (group,) = incidence(fleet, component="drive_pump").groups
    for ending, cause in (("worn", 1), ("broken", 2)):
        curve = group.curve.filter(pl.col("ending") == ending)
        passed = [curve.filter(pl.col("hours") <= age) for age in expected["time"]]
        shares = [rows["incidence"][-1] if rows.height else 0.0 for rows in passed]
        errors = [rows["std_error"][-1] if rows.height else 0.0 for rows in passed]
        assert shares == pytest.approx(expected[f"cif_{cause}"], rel=TOLERANCE, abs=1e-12)
        known = expected.get(f"se_delta_{cause}", expected.get(f"se_cif_{cause}"))
        assert errors == pytest.approx(known, rel=TOLERANCE, abs=1e-9)


def test_endings_of_groups_compared(tmp_path: Path) -> None:
    """Gray's test, ending by ending: an R program's answer, reached from machines and repairs at two sites."""
    case = all_cases()["gray.mgus2.sex"]
    lives = [
        Pump(0.0, float(row["time"]), ("", "worn", "broken")[row["event"]], row["sex"])
        for row in data("mgus2_competing.csv").to_dicts()
    ]
    with fleet_of_pumps(tmp_path, lives) as fleet:
        found = incidence(fleet, component="drive_pump", by=("site",))
    tests = {test.ending: test for test in found.tests}
    assert list(tests) == ["broken", "worn"]
    for ending, cause in (("worn", "cause1"), ("broken", "cause2")):
        expected = case["expected"][cause]
        got = tests[ending]
        assert (got.chi2, got.p) == pytest.approx((expected["stat"], expected["p"]), rel=TOLERANCE)
        assert got.df == expected["df"]
    assert tests["broken"].p_holm == pytest.approx(2 * case["expected"]["cause2"]["p"], rel=TOLERANCE)


def test_trend_of_one_machine(tmp_path: Path) -> None:
    """A machine watched from new to 1,500 h with ten faults."""
    expected = all_cases()["nhpp.nist8452"]["expected"]
    ages = tuple(map(float, data("nist_8452.csv")["hours"]))
    with fleet_of_repeaters(tmp_path, [Repeater("A", 1500.0, ages)]) as fleet:
        found = trend(fleet)
    tests = {row["test"]: row for row in found.tests.to_dicts()}
    assert tests["laplace"]["statistic"] == pytest.approx(expected["laplace_u"], rel=TOLERANCE)
    assert tests["laplace"]["p"] == pytest.approx(expected["laplace_p_two"], rel=TOLERANCE)
    assert tests["mil_hdbk_189"]["statistic"] == pytest.approx(expected["milhdbk_chi2"], rel=TOLERANCE)
    assert tests["mil_hdbk_189"]["df"] == expected["milhdbk_df"]
    assert tests["mil_hdbk_189"]["p"] == pytest.approx(expected["milhdbk_p_two"], rel=TOLERANCE)
    assert found.power_law is not None
    assert found.power_law["shape"] == pytest.approx(expected["beta_mle"], rel=TOLERANCE)
    assert found.power_law["rate"] == pytest.approx(expected["lambda_mle"], rel=TOLERANCE)
    (unit,) = found.units.to_dicts()
    assert unit["statistic"] == pytest.approx(expected["laplace_u"], rel=TOLERANCE)
    assert unit["direction"] == "better"


def test_cumulative_hazard_and_intervals(tmp_path: Path) -> None:
    hazard = all_cases()["na.gehan.6mp"]["expected"]
    band = all_cases()["km.gehan.6mp.ci"]["expected"]
    table = all_cases()["km.gehan.6mp"]["expected"]
    lives = pumps(data("gehan_6mp.csv").filter(pl.col("group") == "6-MP"), site="group")
    with fleet_of_pumps(tmp_path, lives) as fleet:
        for interval in ("log-log", "log", "plain"):
            (group,) = survival(fleet, component="drive_pump", interval=interval).groups
            rows = group.curve.filter(pl.col("hours").is_in([float(age) for age in band["time"]]))
            for bound in ("lower", "upper"):
                assert rows[bound].to_list() == pytest.approx(band[f"{bound}_{interval}"], rel=TOLERANCE)
    assert group.curve["std_error"].to_list() == pytest.approx(table["se"], rel=TOLERANCE)
    assert group.curve["hours"].to_list() == hazard["time"]
    assert group.curve["cumulative_hazard"].to_list() == pytest.approx(hazard["cumhaz"], rel=TOLERANCE)
    errors = group.curve["cumulative_hazard_std_error"].to_list()
    assert errors == pytest.approx(hazard["se"], rel=TOLERANCE)
    assert (group.curve["cumulative_hazard_lower"] < group.curve["cumulative_hazard"]).all()
    assert (group.curve["cumulative_hazard_upper"] > group.curve["cumulative_hazard"]).all()


def test_medians_with_log_intervals(tmp_path: Path) -> None:
    expected = all_cases()["km.gehan.quantiles.log"]["expected"]
    with fleet_of_pumps(tmp_path, pumps(data("gehan_6mp.csv"), site="group")) as fleet:
        found = survival(fleet, component="drive_pump", by=("site",), interval="log")
    for group in found.groups:
        known = expected["mp" if group.group["site"] == "6-MP" else "placebo"]
        at = known["p"].index(0.5)
        assert group.median_hours == known["estimate"][at]
        assert (group.median_lower, group.median_upper) == (known["lower"][at], known["upper"][at])


def test_distributions_compared(tmp_path: Path) -> None:
    expected = all_cases()["dist.nist8413"]["expected"]
    rows = data("nist_8413.csv").to_dicts()
    lives = [
        Pump(0.0, float(row["time"]), "worn" if row["event"] else "")
        for row in rows
        for _ in range(row["count"])
    ]
    with fleet_of_pumps(tmp_path, lives) as fleet:
        (group,) = survival(fleet, component="drive_pump").groups
    fits = {row["distribution"]: row for row in group.fits}
    assert set(fits) == set(expected)
    for name, row in fits.items():
        assert row["log_likelihood"] == pytest.approx(expected[name]["loglik"], rel=TOLERANCE)
        assert row["aic"] == pytest.approx(expected[name]["aic"], rel=TOLERANCE)
    assert [row["aic"] for row in group.fits] == sorted(row["aic"] for row in group.fits)
    assert group.weibull is not None
    two = 2 * (expected["weibull"]["loglik"] - expected["exponential"]["loglik"])
    assert group.weibull["constant_rate"]["chi2"] == pytest.approx(two, rel=1e-5)
