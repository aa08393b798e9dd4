"""Fleet figures by hand on two machines, and what must hold of the demo fleet's."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

import numpy as np
import polars as pl
import pytest
from scipy import stats

from fleetlog.errors import UsageError
from fleetlog.lives.fleet_figures import TERMS, FleetFiguresFinding, fleet_figures
from fleetlog.session.finding import Finding
from fleetlog.session.fleet import Fleet, open_fleet
from fleetlog.session.scope import Scope

MACHINES = """
INSERT INTO machines (machine_id, build_date, site, model, acquired_on, file_id, row_no) VALUES
    ('A', '2018', 'North', 'M1', DATE '2022-01-01', 0, 1),
    ('B', '2019', 'South', 'M1', DATE '2022-01-01', 0, 2)
"""
READINGS = """
INSERT INTO meter_readings VALUES
    ('A', TIMESTAMP '2023-12-21 12:00:00', 1000, 'telematics', 0, 1),
    ('A', TIMESTAMP '2024-01-30 12:00:00', 1200, 'telematics', 0, 2),
    ('B', TIMESTAMP '2024-01-01 00:00:00', 500, 'telematics', 0, 3),
    ('B', TIMESTAMP '2024-01-30 12:00:00', 560, 'telematics', 0, 4)
"""
ORDERS = """
INSERT INTO work_orders (work_order_id, machine_id, opened_at, closed_at, status, file_id, row_no) VALUES
    ('1', 'A', TIMESTAMP '2024-01-05 08:00', TIMESTAMP '2024-01-07 08:00', 'closed', 0, 1),
    ('2', 'A', TIMESTAMP '2024-01-10 08:00', TIMESTAMP '2024-01-10 20:00', 'closed', 0, 2),
    ('3', 'A', TIMESTAMP '2024-01-12 08:00', TIMESTAMP '2024-01-13 08:00', 'cancelled', 0, 3),
    ('4', 'B', TIMESTAMP '2024-01-20 00:00', NULL, 'open', 0, 4),
    ('5', 'B', TIMESTAMP '2024-01-15 00:00', NULL, 'closed', 0, 5),
    ('6', 'A', TIMESTAMP '2023-12-25 00:00', TIMESTAMP '2023-12-26 00:00', 'closed', 0, 6)
"""
LINES = """
INSERT INTO work_lines (work_order_id, line_no, component, action, finding, labour_hours, labour_cost, parts_cost,
    file_id, row_no) VALUES
    ('1', 1, 'track', 'replace', 'worn', 3, NULL, 400, 0, 1),
    ('1', 2, 'engine', 'inspect', NULL, 1, 90, NULL, 0, 2),
    ('2', 1, 'hydraulic_oil', 'replace', NULL, 1, NULL, 60, 0, 3),
    ('3', 1, 'track', 'replace', 'worn', 9, NULL, 900, 0, 4),
    ('4', 1, 'battery', 'repair', NULL, 2, NULL, NULL, 0, 5),
    ('5', 1, 'cooling', 'inspect', 'no_fault_found', 1, NULL, NULL, 0, 6),
    ('6', 1, 'track', 'repair', NULL, 5, NULL, NULL, 0, 7)
"""


@pytest.fixture
def two() -> Iterator[Fleet]:
    with open_fleet(None) as fleet:
        for statement in (MACHINES, READINGS, ORDERS, LINES):
            fleet.store.execute(statement)
        yield fleet


def test_every_figure_by_hand(two: Fleet) -> None:
    found = fleet_figures(two, Scope(as_of=date(2024, 1, 30)), days=30)
    row = found.frame.row(0, named=True)
    assert (found.first, found.after) == (date(2024, 1, 1), date(2024, 1, 31))
    # A ran 200 h in 40 days, 10.5 of them before January: 147.5 h count; B 60 h, both up to the last reading
    assert row["running_hours"] == pytest.approx(207.5)
    assert row["calendar_hours"] == pytest.approx(2 * 30 * 24)
    # orders 1 (worn) and 4 (repair) are corrective, 2 and 5 preventive; 3 is cancelled, 6 lies before
    assert (row["failures"], row["preventive_orders"], row["machines"]) == (2, 2, 2)
    assert row["motbf_hours"] == pytest.approx(103.75)
    # only order 1 is closed: two days; order 4 is still open
    assert row["mttr_hours"] == pytest.approx(48.0)
    assert any("1 corrective orders are not closed" in note for note in found.notes)
    # down: 48 + 12 h of A; B from the 20th to the end, 11 days; order 5 was closed nobody knows when
    assert row["availability"] == pytest.approx(1 - (48 + 12 + 11 * 24) / 1440)
    # labour: 4 and 2 h corrective, 1 and 1 h preventive
    assert row["corrective_share"] == pytest.approx(6 / 8)
    assert row["preventive_share"] == pytest.approx(2 / 8)
    rate = two.settings.costs.labour_rate
    assert row["corrective_cost"] == pytest.approx(3 * rate + 400 + 90 + 2 * rate)
    assert row["preventive_cost"] == pytest.approx(rate + 60 + rate)
    assert row["cost_per_hour"] == pytest.approx((7 * rate + 550) / 207.5)


def test_the_split_adds_up_and_small_counts_have_wide_intervals(two: Fleet) -> None:
    found = fleet_figures(two, Scope(as_of=date(2024, 1, 30)), by=("site",), days=30)
    assert found.frame["site"].to_list() == ["North", "South"]
    assert found.frame["running_hours"].sum() == pytest.approx(207.5)
    north = found.frame.row(0, named=True)
    # one failure in 147.5 h: at least as wide as the exact Poisson interval (chi-square, Garwood 1936)
    assert north["motbf_hours_lower"] <= 147.5 / (stats.chi2.ppf(0.975, 4) / 2) + 1e-9
    assert north["motbf_hours_upper"] >= 147.5 / (stats.chi2.ppf(0.025, 2) / 2) - 1e-9
    south = found.frame.row(1, named=True)
    assert south["mttr_hours"] is None
    assert found.chart() is not None


@pytest.fixture(scope="module")
def demo_figures(demo: Fleet) -> FleetFiguresFinding:
    return fleet_figures(demo, by=("site",))


def test_it_is_a_finding_and_names_terms_and_clocks(demo_figures: FleetFiguresFinding) -> None:
    assert isinstance(demo_figures, Finding)
    answer = demo_figures.to_dict()
    assert {row["figure"] for row in answer["terms"]} == set(TERMS)
    assert all(row["clock"] for row in answer["terms"])
    assert any("IEC 60050-192" in row["term"] for row in answer["terms"])
    assert any("EN 13306" in row["term"] for row in answer["terms"])
    assert demo_figures.chart() is not None


def test_figures_lie_in_their_intervals(demo_figures: FleetFiguresFinding) -> None:
    for name in TERMS:
        rows = demo_figures.frame.filter(pl.col(f"{name}_lower").is_not_null())
        assert (rows[f"{name}_lower"] <= rows[name]).all()
        assert (rows[name] <= rows[f"{name}_upper"]).all()
    shares = demo_figures.frame.select("availability", "corrective_share", "preventive_share").to_numpy()
    assert ((shares >= 0) & (shares <= 1)).all()


def test_the_whole_is_the_sum_of_any_split(demo: Fleet, demo_figures: FleetFiguresFinding) -> None:
    whole = fleet_figures(demo).frame.row(0, named=True)
    for by in (("site",), ("model",), ("build_year",), ("site", "model")):
        split = fleet_figures(demo, by=by).frame
        for column in ("machines", "running_hours", "failures", "corrective_cost"):
            np.testing.assert_allclose(split[column].sum(), whole[column], rtol=1e-9)
    assert demo_figures.frame.equals(fleet_figures(demo, by=("site",)).frame)


@pytest.mark.parametrize(
    ("how", "said"), [({"by": ("colour",)}, "cannot be split"), ({"days": 0}, "at least one day")]
)
def test_mistakes_end_in_one_sentence(demo: Fleet, how: dict[str, object], said: str) -> None:
    with pytest.raises(UsageError, match=said):
        fleet_figures(demo, **how)  # type: ignore[arg-type]
