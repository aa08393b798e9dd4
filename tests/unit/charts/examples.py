"""Invented findings that look like a real yard's, made by a seeded simulation; no real fleet is measured."""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import date, datetime, timedelta

import numpy as np
import polars as pl

from fleetlog.causes.case import Reason, Suspect
from fleetlog.causes.suspects import SuspectsFinding
from fleetlog.causes.unit import UnitFinding
from fleetlog.lives.comparison import ComparisonFinding
from fleetlog.lives.incidence import IncidenceFinding, IncidenceGroup
from fleetlog.lives.repeats import RepeatsFinding
from fleetlog.lives.survival import SurvivalFinding, SurvivalGroup
from fleetlog.lives.trend import TrendFinding
from fleetlog.planning.forecast import ForecastFinding
from fleetlog.planning.forecast_check import ForecastCheck
from fleetlog.planning.forecast_verification import ForecastVerification
from fleetlog.planning.plan import PlanFinding
from fleetlog.session.safety import Hold, Safety
from fleetlog.session.status import StatusFinding

AS_OF = date(2026, 10, 31)
FAULT = "neutral-return"
WORDS = {"original": "original (pumps built before the change)", "improved": "improved"}
HOSTILE = "<script>alert(1)</script>"


def lives(
    count: int, shape: float, scale: float, seed: int, *, entry_to: float = 1500.0, exit_to: float = 6500.0
) -> list[tuple[float, float, bool]]:
    """(entry, exit, failed) of `count` Weibull lives with late entry and censoring, in running hours."""
    draw = np.random.default_rng(seed)
    kept: list[tuple[float, float, bool]] = []
    while len(kept) < count:
        life = scale * draw.weibull(shape)
        entry = draw.uniform(0, entry_to) if draw.random() < 0.5 else 0.0
        end = draw.uniform(1500, exit_to)
        if min(life, end) > entry + 1:
            kept.append((round(entry, 1), round(min(life, end), 1), bool(life <= end)))
    return kept


def survival_group(
    group: dict[str, str], spells: list[tuple[float, float, bool]], *, component: str = "internal_bushing"
) -> SurvivalGroup:
    """Product-limit curve of the lives, by a plain loop."""
    rows, survival, hazard = [], 1.0, 0.0
    from_hours = 0.0
    for age in sorted({end for _, end, failed in spells if failed}):
        at_risk = sum(1 for entry, end, _ in spells if entry < age <= end)
        failed = sum(1 for _, end, did in spells if did and end == age)
        survival *= 1 - failed / at_risk
        if failed < at_risk:
            hazard += failed / (at_risk * (at_risk - failed))
        if 0 < survival < 1:
            spread = 1.96 * math.sqrt(hazard) / abs(math.log(survival))
            lower, upper = survival ** math.exp(spread), survival ** math.exp(-spread)
        else:
            lower = upper = math.nan
        rows.append((age, at_risk, failed, survival, lower, upper))
    curve = pl.DataFrame(
        rows,
        schema={
            "hours": pl.Float64,
            "at_risk": pl.Int64,
            "failed": pl.Int64,
            "survival": pl.Float64,
            "lower": pl.Float64,
            "upper": pl.Float64,
        },
        orient="row",
    )
    last = max(end for _, end, _ in spells) if spells else 0.0

    def quantile(column: str, level: float) -> float | None:
        below = curve.filter(pl.col(column) <= level)
        return float(below["hours"][0]) if below.height else None

    failures = sum(1 for *_, did in spells if did)
    weibull = None
    note = "too few failures for a Weibull fit"
    if failures >= 5:
        shape, scale = _weibull(spells)
        weibull = {
            "shape": shape,
            "scale_hours": scale,
            "shape_ci": [
                shape * math.exp(-1.6 / math.sqrt(failures)),
                shape * math.exp(1.6 / math.sqrt(failures)),
            ],
            "scale_ci": [scale * 0.9, scale * 1.1],
            "b10_hours": scale * (-math.log(0.9)) ** (1 / shape),
            "median_hours": scale * math.log(2) ** (1 / shape),
        }
        note = ""
    return SurvivalGroup(
        group=group,
        component=component,
        cause="worn",
        spells=len(spells),
        failures=failures,
        curve=curve,
        from_hours=from_hours,
        last_hours=last,
        median_hours=quantile("survival", 0.5),
        median_lower=quantile("lower", 0.5),
        median_upper=quantile("upper", 0.5),
        b10_hours=quantile("survival", 0.9),
        weibull=weibull,
        note=note,
        at_risk_at=tuple(
            (float(age), sum(1 for entry, end, _ in spells if entry <= age < end))
            for age in range(0, int(last) + 1, 1000)
        ),
    )


def _weibull(spells: list[tuple[float, float, bool]]) -> tuple[float, float]:
    """Maximum likelihood by a search over the shape; late entry respected."""
    entry = np.array([spell[0] for spell in spells]) / 1000
    end = np.array([spell[1] for spell in spells]) / 1000
    failed = np.array([spell[2] for spell in spells])
    best = (-math.inf, 1.0, 1.0)
    for shape in np.linspace(0.4, 6, 561):
        exposure = float(np.sum(end**shape - entry**shape))
        deaths = int(failed.sum())
        rate = deaths / exposure
        likelihood = deaths * math.log(shape * rate) + (shape - 1) * float(np.log(end[failed]).sum()) - deaths
        if likelihood > best[0]:
            best = (likelihood, float(shape), 1000 * rate ** (-1 / shape))
    return best[1], best[2]


def survival_by_variant() -> SurvivalFinding:
    groups = (
        survival_group({"variant": "original"}, lives(140, 2.6, 5400, 1)),
        survival_group({"variant": "improved"}, lives(160, 2.6, 16000, 2, exit_to=5200)),
    )
    return SurvivalFinding(
        as_of=AS_OF,
        fault=FAULT,
        component="internal_bushing",
        cause="worn",
        by=("variant",),
        groups=groups,
        log_rank={"chi2": 61.2, "df": 1, "p": 5.1e-15},
    )


def survival_pooled() -> SurvivalFinding:
    return replace(
        survival_by_variant(), by=(), groups=(survival_group({}, lives(140, 2.6, 5400, 1)),), log_rank=None
    )


def survival_by_build_year() -> SurvivalFinding:
    groups = tuple(
        survival_group(
            {"build_year": str(year)},
            lives(
                size, 2.6, 5400 if year < 2018 else 16000, year, exit_to=max(2200, 7500 - 600 * (year - 2013))
            ),
        )
        for year, size in zip(range(2013, 2023), (9, 22, 31, 40, 38, 28, 24, 20, 18, 12), strict=True)
    )
    return replace(
        survival_by_variant(), by=("build_year",), groups=groups, log_rank={"chi2": 44.0, "df": 9, "p": 1e-6}
    )


def survival_too_few() -> SurvivalFinding:
    spells = [(0.0, 2100.0, True), (0.0, 3300.5, True), *[(0.0, 900.0 + 45 * i, False) for i in range(38)]]
    return replace(survival_pooled(), groups=(survival_group({}, spells),))


def survival_conditional() -> SurvivalFinding:
    pooled = survival_pooled().groups[0]
    late = pooled.curve.filter(pl.col("hours") > 800)
    return replace(survival_pooled(), groups=(replace(pooled, from_hours=800.0, curve=late),))


def repeats() -> RepeatsFinding:
    def row(action, component, attempts, comebacks, censored, rate, lower, upper, median, labour, cost):  # type: ignore[no-untyped-def]
        return {
            "action": action,
            "component": component,
            "attempts": attempts,
            "comebacks": comebacks,
            "censored": censored,
            "comeback_rate": rate,
            "lower": lower,
            "upper": upper,
            "median_hours_to_comeback": median,
            "labour_hours": labour,
            "cost": cost,
        }

    by_action = pl.DataFrame(
        [
            row("calibrate", "drive_pump", 64, 39, 4, 0.637, 0.512, 0.752, 88.0, 1.4, 133.0),
            row("replace", "position_sensor", 26, 18, 2, 0.713, 0.52, 0.871, 121.5, 6.2, 834.0),
            row("replace", "internal_bushing", 41, 2, 9, 0.055, 0.014, 0.203, None, 13.6, 1310.0),
            row("repair", "wiring", 17, 4, 1, 0.24, 0.098, 0.51, 205.0, 2.1, 214.0),
            row("replace", "drive_pump", 3, 0, 1, 0.0, 0.0, 0.561, None, 16.0, 7450.0),
        ]
    )
    hours = np.arange(150.0, 6000.0, 150.0)
    count = 0.00009 * hours**1.12 * 1.0
    curve = pl.DataFrame({"hours": hours, "count": count, "lower": count * 0.82, "upper": count * 1.2})
    units = pl.DataFrame(
        [
            {
                "machine_id": "SK-104",
                "episodes": 6,
                "running_hours": 4810.0,
                "expected": 1.4,
                "ratio": 2.9,
                "lower": 1.4,
                "upper": 5.1,
            },
            {
                "machine_id": HOSTILE,
                "episodes": 4,
                "running_hours": 3920.0,
                "expected": 1.1,
                "ratio": 2.3,
                "lower": 1.05,
                "upper": 4.4,
            },
        ]
    )
    return RepeatsFinding(
        as_of=AS_OF, fault=FAULT, window_hours=500.0, by_action=by_action, mean_cumulative=curve, units=units
    )


CAUSES = (
    "internal_bushing",
    "position_sensor",
    "wiring",
    "calibration",
    "servo_or_rotating_group",
    "unknown",
)


def suspect(
    machine_id: str,
    side: str,
    shares: tuple[float, ...],
    *,
    state: str = "open",
    since: date | None = date(2026, 10, 12),
    age: float | None = 4310.0,
    variant: str = "original",
    next_step: str = "Split the pump and replace the bushing, both sides",
    cost: float | None = 1310.0,
    cautions: bool = True,
    reasons: tuple[Reason, ...] | None = None,
) -> Suspect:
    causes = dict(zip(CAUSES, shares, strict=True))
    top = max(causes, key=lambda cause: causes[cause])
    return Suspect(
        machine_id=machine_id,
        side=side,
        state=state,
        since=since,
        age_hours=age,
        variant=variant,
        causes=causes,
        top_cause=top,
        next_step=next_step,
        expected_cost=cost,
        reasons=reasons
        or (
            Reason("original bushing at 4,310 running hours", 1.9),
            Reason("code back 41 h after a good calibration", 1.4),
            Reason("code stayed after the sensor was replaced", 1.1),
            Reason("harness inspected and found good", 0.6),
            Reason("both sides reported within one day", -0.5),
        ),
        site="North yard",
        model="T-80",
        build_year=2016,
        episodes=4,
        last_report=datetime(2026, 10, 29, 7, 12),
        cautions=cautions,
    )


def suspects() -> SuspectsFinding:
    cases = (
        suspect("SK-104", "left", (0.91, 0.02, 0.02, 0.03, 0.01, 0.01)),
        suspect("SK-131", "right", (0.74, 0.05, 0.07, 0.09, 0.02, 0.03), since=date(2026, 9, 3)),
        suspect(
            HOSTILE,
            "left",
            (0.12, 0.06, 0.61, 0.15, 0.01, 0.05),
            next_step="Inspect the harness and connectors on the left side",
            cost=96.0,
            cautions=False,
            reasons=(
                Reason("SPN 520201 FMI 5, circuit open", 1.7),
                Reason('complaint says "<b>only when wet</b>"', 0.8),
            ),
        ),
        suspect(
            "=1+1",
            "right",
            (0.22, 0.05, 0.13, 0.52, 0.02, 0.06),
            next_step="Centre the sensor, then calibrate the pump",
            cost=190.0,
            cautions=False,
            variant="improved",
            age=1220.0,
        ),
        suspect(
            "../x",
            "left",
            (0.58, 0.05, 0.1, 0.2, 0.02, 0.05),
            state="watch",
            since=None,
            next_step="Measure the neutral voltage at the next service",
            cost=60.0,
            cautions=False,
        ),
    )
    return SuspectsFinding(
        as_of=AS_OF,
        fault=FAULT,
        cases=cases,
        safety=SAFETY,
        currency="USD",
    )


CAUTIONS = (
    "Support the lift arms and lower the attachment before any work begins.",
    "Stop the engine, remove the key, lock it out and tag it out.",
    "Relieve stored hydraulic pressure; oil under pressure enters the skin and needs a surgeon at once.",
    "Use rated hoisting gear for the engine and never work beneath a hanging load.",
    "At first start and calibration, keep wheels or tracks off the ground and people clear: it may move.",
    "Always follow the maker's service manual, local codes and licensed practice.",
)
SAFETY = Safety(
    as_of=AS_OF,
    records_end=AS_OF,
    danger="The machine may move unasked.",
    instruction="Keep from use and rental until a qualified person has checked it.",
    holds=(
        Hold("TL-07", ("left",), date(2026, 9, 2), "open case", "North", on_rent_since=date(2026, 10, 1)),
    ),
    cautions=CAUTIONS,
    release={"neutral_held": "Neutral is held"},
)


def suspects_before() -> SuspectsFinding:
    cases = (
        suspect("SK-131", "right", (0.41, 0.15, 0.19, 0.17, 0.03, 0.05), since=date(2026, 9, 3)),
        suspect("SK-122", "left", (0.83, 0.05, 0.03, 0.05, 0.02, 0.02), since=date(2026, 8, 20)),
        suspect("=1+1", "right", (0.3, 0.1, 0.2, 0.3, 0.05, 0.05), state="watch", since=None, cautions=False),
    )
    return replace(suspects(), as_of=date(2026, 9, 30), cases=cases)


def unit(machine_id: str = "SK-104") -> UnitFinding:
    day = datetime(2025, 11, 3, 8, 0)

    def at(days: int) -> datetime:
        return day + timedelta(days=days)

    reports = pl.DataFrame(
        [
            (at(0), 3820.4, "left", 520201, 7, "DRV-17", "does not return to neutral, left", 1),
            (at(1), 3826.0, "left", 520201, 7, "DRV-17", "does not return to neutral, left", 1),
            (at(40), 3984.2, "left", 520201, 13, "DRV-17", "does not return to neutral, left", 2),
            (at(120), 4210.9, "left", None, None, "DRV-17", "<i>not in neutral</i>", 3),
            (at(300), 4702.5, "right", 520202, 7, "DRV-18", "does not return to neutral, right", 4),
            (at(358), 4806.1, "left", 520201, 7, "DRV-17", "does not return to neutral, left", 5),
        ],
        schema={
            "at": pl.Datetime,
            "hours": pl.Float64,
            "side": pl.String,
            "spn": pl.Int64,
            "fmi": pl.Int64,
            "code": pl.String,
            "description": pl.String,
            "episode": pl.Int64,
        },
        orient="row",
    )
    attempts = pl.DataFrame(
        [
            (at(2), 3826.5, "left", "calibrate_pump", "drive_pump", None, "came_back", 157.7, "WO-2231"),
            (
                at(41),
                3985.0,
                "left",
                "replace_sensor",
                "position_sensor",
                "no_fault_found",
                "came_back",
                225.9,
                "WO-2290",
            ),
            (
                at(122),
                4212.0,
                "left",
                "inspect_wiring",
                "wiring",
                "no_fault_found",
                "came_back",
                594.1,
                "WO-2388",
            ),
            (at(301), 4703.0, "right", "calibrate_pump", "drive_pump", None, "held_so_far", 107.0, "WO-2501"),
        ],
        schema={
            "at": pl.Datetime,
            "hours": pl.Float64,
            "side": pl.String,
            "step": pl.String,
            "component": pl.String,
            "finding": pl.String,
            "outcome": pl.String,
            "held_hours": pl.Float64,
            "work_order_id": pl.String,
        },
        orient="row",
    )
    work = pl.DataFrame(
        [
            (
                at(2),
                3826.5,
                "WO-2231",
                "drive_pump",
                "left",
                "calibrate",
                None,
                1.5,
                0.0,
                "ok after calibration",
            ),
            (
                at(41),
                3985.0,
                "WO-2290",
                "position_sensor",
                "left",
                "replace",
                "no_fault_found",
                6.5,
                248.0,
                HOSTILE,
            ),
            (
                at(122),
                4212.0,
                "WO-2388",
                "wiring",
                "left",
                "inspect",
                "no_fault_found",
                0.8,
                0.0,
                "harness good",
            ),
            (at(301), 4703.0, "WO-2501", "drive_pump", "right", "calibrate", None, 1.3, 0.0, None),
        ],
        schema={
            "at": pl.Datetime,
            "hours": pl.Float64,
            "work_order_id": pl.String,
            "component": pl.String,
            "side": pl.String,
            "action": pl.String,
            "finding": pl.String,
            "labour_hours": pl.Float64,
            "parts_cost": pl.Float64,
            "note": pl.String,
        },
        orient="row",
    )
    measurements = pl.DataFrame(
        [
            (at(2), 3826.5, side, "sensor_neutral_voltage", value, "V")
            for side, value in (("left", 2.03), ("right", 1.99))
        ]
        + [
            (at(41), 3985.0, "left", "sensor_neutral_voltage", 2.21, "V"),
            (at(122), 4212.0, "left", "sensor_neutral_voltage", 1.84, "V"),
            (at(300), 4702.5, "right", "sensor_neutral_voltage", 2.05, "V"),
            (at(358), 4806.1, "left", "sensor_neutral_voltage", 2.32, "V"),
        ],
        schema={
            "at": pl.Datetime,
            "hours": pl.Float64,
            "side": pl.String,
            "quantity": pl.String,
            "value": pl.Float64,
            "unit": pl.String,
        },
        orient="row",
    )
    readings = pl.DataFrame(
        [
            (at(7 * week), 3820.0 + 19.5 * week, 3820.0 + 19.5 * week, "telematics", True, None)
            for week in range(51)
        ]
        + [
            (at(200), 4377.0, 437.7, "work_order", False, "falls below an earlier reading"),
            (at(260), 4545.0, 45450.0, "manual", False, "gains more than the calendar allows"),
        ],
        schema={
            "at": pl.Datetime,
            "hours": pl.Float64,
            "meter_hours": pl.Float64,
            "source": pl.String,
            "kept": pl.Boolean,
            "reason": pl.String,
        },
        orient="row",
    ).sort("at")
    built, ends = datetime(2016, 4, 1), datetime(2026, 10, 31)
    swapped = datetime(2025, 12, 14, 8)
    components = pl.DataFrame(
        [
            ("internal_bushing", "left", "original", built, 4810.0, ends, "records_end", "factory", True),
            ("internal_bushing", "right", "original", built, 4810.0, ends, "records_end", "factory", True),
            ("position_sensor", "left", "potentiometer", built, 3985.0, swapped, "replaced", "factory", True),
            (
                "position_sensor",
                "left",
                "hall_effect",
                swapped,
                825.0,
                ends,
                "records_end",
                "replaced",
                False,
            ),
        ],
        schema={
            "component": pl.String,
            "side": pl.String,
            "variant": pl.String,
            "fitted_at": pl.Datetime,
            "age_hours": pl.Float64,
            "ended_at": pl.Datetime,
            "end_reason": pl.String,
            "how": pl.String,
            "inferred": pl.Boolean,
        },
        orient="row",
    )
    rentals = pl.DataFrame(
        [
            (datetime(2026, 9, 1, 7), datetime(2026, 9, 14, 17), 310.0),
            (datetime(2026, 10, 20, 7), None, 310.0),
        ],
        schema={"out_at": pl.Datetime, "in_at": pl.Datetime, "day_rate": pl.Float64},
        orient="row",
    )
    cases = tuple(case for case in suspects().cases if case.machine_id == machine_id)
    return UnitFinding(
        as_of=AS_OF,
        fault=FAULT,
        machine={
            "machine_id": machine_id,
            "make": "Invented",
            "model": "T-80",
            "machine_type": "compact_track_loader",
            "build_date": "2016-04",
            "control": "electronic_joystick",
            "site": "North yard",
            "running_hours": 4812.3,
            "hours_estimated": True,
        },
        readings=readings,
        reports=reports,
        attempts=attempts,
        work=work,
        measurements=measurements,
        components=components,
        rentals=rentals,
        cases=cases,
        safety=SAFETY,
    )


def status() -> StatusFinding:
    quality = pl.DataFrame(
        [
            {
                "check": "readings_set_aside",
                "count": 212,
                "of": 48210,
                "meaning": "meter readings that cannot be true",
            },
            {
                "check": "work_orders_without_lines",
                "count": 31,
                "of": 1904,
                "meaning": "orders that say nothing of the work",
            },
            {
                "check": "codes_on_manual_machines",
                "count": 3,
                "of": 5120,
                "meaning": "fault codes that the machine cannot have",
            },
        ]
    )
    fleet = pl.DataFrame(
        [
            {
                "build_year": year,
                "machines": size,
                "electronic": round(size * 0.85),
                "running_hours": 620.0 * (2027 - year),
            }
            for year, size in zip(range(2013, 2023), (9, 22, 31, 40, 38, 28, 24, 20, 18, 12), strict=True)
        ]
        + [{"build_year": None, "machines": 4, "electronic": 0, "running_hours": 2275.0}]
    )
    return StatusFinding(
        as_of=AS_OF,
        fault=FAULT,
        machines=246,
        tables={
            "machines": 246,
            "meter_readings": 48210,
            "fault_codes": 5120,
            "work_orders": 1904,
            "work_lines": 4033,
        },
        rejected=17,
        waiting=2,
        first=date(2020, 11, 1),
        last=AS_OF,
        quality=quality,
        fleet=fleet,
    )


def comparison() -> ComparisonFinding:
    """Build years against what their ages let expect; a small one drawn towards 1."""

    def row(group, spells, observed, expected, shrunk, lower, upper, p):  # type: ignore[no-untyped-def]
        return {
            "group": group,
            "spells": spells,
            "observed": observed,
            "expected": expected,
            "ratio": observed / expected,
            "ratio_lower": 0.5 * observed / expected,
            "ratio_upper": 2.0 * observed / expected + 0.1,
            "shrunk": shrunk,
            "lower": lower,
            "upper": upper,
            "chance_above": 0.5,
            "p_holm": p,
        }

    groups = pl.DataFrame(
        [
            row("2014", 22, 12.0, 8.6, 1.31, 0.71, 2.19, 1.0),
            row("2017", 38, 21.0, 8.8, 2.23, 1.38, 3.3, 0.0001),
            row("2018", 28, 1.0, 12.8, 0.13, 0.00001, 0.4, 0.0026),
            row("2022", 12, 0.0, 0.1, 0.81, 0.0005, 41.0, 1.0),
        ]
    )
    return ComparisonFinding(
        as_of=AS_OF,
        fault=FAULT,
        component="internal_bushing",
        cause="worn",
        by="build_year",
        strata=(),
        test="log-rank",
        groups=groups,
        spread={"spread": 1.2, "lower": 0.6, "upper": 2.1},
        log_rank={"chi2": 51.2, "df": 3, "p": 1e-6},
        notes=("Expected is what the fleet's common hazard lets expect.",),
    )


def incidence() -> IncidenceFinding:
    """Two ways to end, worn and replaced while sound, of one group."""
    hours = [1000.0, 2500.0, 4000.0, 5200.0]
    curve = pl.DataFrame(
        [
            {
                "hours": age,
                "at_risk": 90 - 20 * place,
                "ending": ending,
                "incidence": share * (place + 1) / 4,
                "lower": share * (place + 1) / 5,
                "upper": share * (place + 1) / 3,
            }
            for ending, share in (("worn", 0.5), ("replaced_sound", 0.2))
            for place, age in enumerate(hours)
        ]
    )
    endings = pl.DataFrame(
        [
            {"ending": "worn", "count": 40, "incidence": 0.5, "lower": 0.4, "upper": 0.667},
            {"ending": "replaced_sound", "count": 15, "incidence": 0.2, "lower": 0.16, "upper": 0.267},
        ]
    )
    group = IncidenceGroup(
        group={"variant": "original"},
        spells=110,
        endings=endings,
        curve=curve,
        from_hours=0.0,
        last_hours=5600.0,
        note="",
    )
    return IncidenceFinding(AS_OF, FAULT, "internal_bushing", ("variant",), (group,))


def trend() -> TrendFinding:
    """A fleet that gets worse with age; two machines of their own."""
    return TrendFinding(
        as_of=AS_OF,
        fault=FAULT,
        tests=pl.DataFrame(
            [
                {
                    "test": "laplace",
                    "statistic": 3.1,
                    "df": None,
                    "p": 0.002,
                    "direction": "worse",
                    "events": 210,
                }
            ]
        ),
        power_law={"shape": 1.4, "shape_ci": [1.2, 1.6], "rate": 2e-5, "events": 210.0, "machine_hours": 4e5},
        units=pl.DataFrame(
            [
                {"machine_id": "SK-104", "episodes": 6, "statistic": 2.9, "p": 0.004, "direction": "worse"},
                {"machine_id": HOSTILE, "episodes": 5, "statistic": -2.2, "p": 0.03, "direction": "better"},
                {"machine_id": "SK-7", "episodes": 4, "statistic": 0.3, "p": 0.76, "direction": "worse"},
            ]
        ),
        curve=repeats().mean_cumulative.with_columns(
            at_risk=pl.lit(40), fitted=7.5e-6 * pl.col("hours") ** 1.4
        ),
    )


def forecast() -> ForecastFinding:
    """Six months ahead, two causes."""
    months = ("2026-11", "2026-12", "2027-01", "2027-02", "2027-03", "2027-04")

    def row(expected: float, **more: object) -> dict[str, object]:
        return {
            **more,
            "expected": expected,
            "lower": 0,
            "upper": round(expected * 2.5) + 1,
            "lower_80": 0,
            "upper_80": round(expected * 1.8) + 1,
            "parts": expected,
            "parts_to_hold": round(expected * 2) + 1,
            "labour_hours": 13.5 * expected,
            "labour_hours_upper": 30.0 * expected,
            "cost": 1310.0 * expected,
        }

    return ForecastFinding(
        as_of=AS_OF,
        fault=FAULT,
        months=months,
        frame=pl.DataFrame(
            [
                row(1.5, month=month, component="internal_bushing", cause="internal_bushing")
                for month in months
            ]
        ),
        totals=pl.DataFrame(
            [
                row(9.0, component="internal_bushing", cause="internal_bushing"),
                row(3.0, component="wiring", cause="wiring"),
                row(12.0, component="all", cause="all"),
            ]
        ),
        by_month=pl.DataFrame([row(2.0, month=month) for month in months]),
        units=pl.DataFrame(
            [
                {
                    "machine_id": machine,
                    "component": "internal_bushing",
                    "side": "right",
                    "variant": "original",
                    "site": "North yard",
                    "model": "T-80",
                    "build_year": 2016,
                    "age_hours": 6100.0,
                    "hours_a_month": 74.0,
                    "chance": 0.31,
                    "by_month": [0.06, 0.05, 0.05, 0.05, 0.05, 0.05],
                }
                for machine in ("SK-104", HOSTILE)
            ]
        ),
        laws=pl.DataFrame({"component": ["internal_bushing"]}),
        season=pl.DataFrame({"site": ["North yard"]}),
        seed=1,
        draws=200,
        currency="USD",
        notes=("Ranges hold what is not known of lives, use and season.",),
    )


def forecast_check() -> ForecastCheck:
    """Three past months of one part; the last brought more than its range."""
    came = (1, 0, 4)
    months = ("2026-08", "2026-09", "2026-10")
    asked = (date(2026, 7, 31), date(2026, 8, 31), date(2026, 9, 30))
    frame = pl.DataFrame(
        [
            {
                "asked": day,
                "until": month,
                "component": component,
                "expected": 1.2,
                "lower_80": 0,
                "upper_80": 2,
                "lower": 0,
                "upper": 4,
                "came": found,
                "held": found <= 2,
                "held_95": found <= 4,
                "chance_80": 0.88,
            }
            for day, month, found in zip(asked, months, came, strict=True)
            for component in ("internal_bushing", "all")
        ]
    )
    summary = pl.DataFrame(
        [
            {
                "component": component,
                "forecasts": 3,
                "held": 2,
                "held_share": 2 / 3,
                "lower": 0.21,
                "upper": 0.94,
                "chance_80": 0.88,
                "held_95_share": 1.0,
                "expected": 3.6,
                "came": 5,
            }
            for component in ("internal_bushing", "all")
        ]
    )
    return ForecastCheck(AS_OF, FAULT, 1, frame, summary, seed=1, draws=40)


def forecast_met() -> ForecastVerification:
    """October as September forecast it: more bushings failed, more sensors were used than were to be held."""
    numbers = ("expected", "parts", "labour_hours", "labour_hours_upper")

    def row(component: str, cause: str, came: int | None, **more: object) -> dict[str, object]:
        return {
            "component": component,
            "cause": cause,
            **dict.fromkeys(numbers, 1.2),
            "lower_80": 0,
            "upper_80": 2,
            "lower": 0,
            "upper": 4,
            "came": came,
            "held": None if came is None else came <= 2,
            "parts_to_hold": 2,
            "parts_used": 1.0,
            "labour_hours_spent": 13.5,
            **more,
        }

    rows = [
        row("internal_bushing", "internal_bushing", 4),
        row("position_sensor", "position_sensor", 0, parts_used=3.0),
        row("wiring", "wiring", None, parts_used=None),
        row("all", "followed parts", 4, parts_to_hold=None, parts_used=4.0),
    ]
    return ForecastVerification(
        as_of=AS_OF,
        fault=FAULT,
        asked=date(2026, 9, 30),
        month="2026-10",
        frame=pl.DataFrame(rows, infer_schema_length=None),
        record=forecast_check(),
        seed=1,
        draws=200,
        notes=("The forecast knows what was known on 2026-09-30, no more.",),
    )


def plan() -> PlanFinding:
    """Two visits in two weeks, one of a machine whose name would run, were it let."""
    jobs = [
        ("2026-W46", date(2026, 11, 9), "SK-104", "left", "open case", 1840.0),
        ("2026-W47", date(2026, 11, 16), HOSTILE, "right", "ahead of failure", 910.0),
    ]
    frame = pl.DataFrame(
        [
            {
                "week": week,
                "monday": monday,
                "machine_id": machine,
                "side": side,
                "action": "replace internal_bushing",
                "component": "internal_bushing",
                "labour_hours": 13.5,
                "cost": 1310.0,
                "saving": saving,
                "chance_without": 0.31,
                "reason": reason,
                "together": 1,
                "site": "North yard",
                "age_hours": 6100.0,
            }
            for week, monday, machine, side, reason, saving in jobs
        ]
    )
    weeks = frame.select(
        "week",
        "monday",
        "labour_hours",
        labour_hours_limit=pl.lit(120.0),
        pump_hours=pl.lit(13.5),
        pump_hours_limit=pl.lit(72.0),
        engine_out_jobs=pl.lit(0.0),
        engine_out_limit=pl.lit(4.0),
        visits=pl.lit(1),
    )
    left_out = frame.select(
        "machine_id", "side", "component", "age_hours", "chance_without", best_saving="saving"
    ).with_columns(why=pl.lit("no room in the shop"))
    return PlanFinding(
        as_of=AS_OF,
        fault=FAULT,
        frame=SAFETY.attach(frame),
        weeks=weeks,
        left_out=left_out.head(1),
        changes=pl.DataFrame(),
        saving=2750.0,
        bound=2750.0,
        gap=0.0,
        method="exact",
        safety=SAFETY,
        figures=pl.DataFrame(),
        currency="USD",
        notes=("2 of 3 jobs get a week.", "Savings are expected money against waiting."),
    )
