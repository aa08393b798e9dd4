"""An invented month, finished, as the report takes it."""

from __future__ import annotations

import importlib.util
import sys
from dataclasses import replace
from datetime import date
from pathlib import Path
from types import ModuleType

import polars as pl

from fleetlog.faults.model import Texts
from fleetlog.reporting import CostSummary, MethodText, ReportFindings


def _examples() -> ModuleType:
    """The example findings of the chart tests, whatever way the tests are imported."""
    name = "chart_examples"
    if name not in sys.modules:
        place = Path(__file__).parents[1] / "charts" / "examples.py"
        spec = importlib.util.spec_from_file_location(name, place)
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


examples = _examples()


def month() -> ReportFindings:
    """October of the invented yard."""
    suspects = examples.suspects()
    opened = [case for case in suspects.cases if case.state == "open"]
    return ReportFindings(
        month=date(2026, 10, 1),
        fleet="Hollow Lane Yard & Sons",
        currency="USD",
        fault_title="drive that does not return to neutral",
        status=examples.status(),
        suspects=suspects,
        suspects_before=examples.suspects_before(),
        survival_by_variant=examples.survival_by_variant(),
        survival_by_build_year=examples.survival_by_build_year(),
        repeats=examples.repeats(),
        cost=CostSummary(
            spent=pl.DataFrame(
                [
                    ("replace", "internal_bushing", 2, 27.0, 2565.0, 9.4, 2574.4),
                    ("calibrate", "drive_pump", 3, 4.1, 389.5, 0.0, 389.5),
                ],
                schema=["action", "component", "jobs", "labour_hours", "labour_cost", "parts_cost", "cost"],
                orient="row",
            ),
            spent_before=pl.DataFrame(
                [("replace", "position_sensor", 2, 12.5, 1187.5, 496.0, 1683.5)],
                schema=["action", "component", "jobs", "labour_hours", "labour_cost", "parts_cost", "cost"],
                orient="row",
            ),
            cases=pl.DataFrame(
                [
                    (case.machine_id, case.side, case.expected_cost, case.expected_cost + 610.0, 610.0)
                    for case in opened
                ],
                schema=["machine_id", "side", "expected_cost", "custom_cost", "saving"],
                orient="row",
            ),
            assumptions=pl.DataFrame(
                [
                    ("labour_rate", 95.0, "USD/h", "settings, from memory"),
                    ("bushing_labour", 13.5, "h", "common practice, no source"),
                ],
                schema=["figure", "value", "unit", "source"],
                orient="row",
            ),
        ),
        cautions=examples.CAUTIONS,
        methods=(
            MethodText(
                "survival",
                "Survival by age",
                "How long parts last.",
                "## Formula\n\n    S(h) = product of (1 - d / n)\n\n- *running* hours <b>not bold</b>\n",
            ),
        ),
        comparison=examples.comparison(),
        forecast=examples.forecast(),
        verification=examples.forecast_met(),
        plan=examples.plan(),
        units=tuple(
            replace(examples.unit(case.machine_id), quantity="sensor_neutral_voltage", band=(1.9, 2.1))
            for case in suspects.cases
        ),
        words=examples.WORDS,
        texts=Texts(
            cautions_title="Before anyone opens a pump",
            careful_work="work on a pump",
            custom="sensor first",
            custom_step="replacing the sensor first",
            custom_condition="the sensor is replaced first",
        ),
    )
