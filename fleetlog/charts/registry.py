"""The pictures that `fleetlog chart NAME` can draw."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import altair as alt

from fleetlog.charts.calibration import calibration_chart
from fleetlog.charts.comparisons import comparison_chart, drivers_chart, trend_chart
from fleetlog.charts.fleet import fleet_age_chart
from fleetlog.charts.incidence import incidence_chart
from fleetlog.charts.lives import hazard_chart
from fleetlog.charts.planning import (
    fleet_figures_chart,
    forecast_chart,
    forecast_check_chart,
    plan_chart,
    policies_chart,
    replacement_chart,
    shop_hours_chart,
)
from fleetlog.charts.repeats import comeback_chart, mean_cumulative_chart
from fleetlog.charts.survival import survival_chart
from fleetlog.charts.suspects import reasons_chart, suspects_chart
from fleetlog.charts.unit import unit_chart
from fleetlog.charts.weibull import probability_chart


@dataclass(frozen=True)
class ChartKind:
    """One picture by name.

    Attributes:
        finding: which finding it takes: "survival", "repeats", "suspects", "suspect" (one case of the
            suspects, chosen by --machine), "unit", "status", "incidence", "comparison", "drivers", "trend",
            "forecast", "forecast-check", "replacement", "plan", "shop-hours", "policies", "figures" or
            "backtest".
        draw: finding -> altair chart; keywords `width` (pixels) and `words` (stored value -> spoken words).
        description: one line for the command's help.
    """

    finding: str
    draw: Callable[..., alt.TopLevelMixin]
    description: str

    def __call__(self, finding: Any, **how: Any) -> alt.TopLevelMixin:
        """Draw it."""
        return self.draw(finding, **how)


CHARTS: Mapping[str, ChartKind] = {
    "survival": ChartKind("survival", survival_chart, "how long parts last, by age, with numbers at risk"),
    "probability": ChartKind(
        "survival", probability_chart, "failures on Weibull paper, with the fitted lives"
    ),
    "hazard": ChartKind("survival", hazard_chart, "how the risk moves with age, with the fitted lives"),
    "comebacks": ChartKind(
        "repeats", comeback_chart, "how often the fault came back after each kind of repair"
    ),
    "mean-cumulative": ChartKind("repeats", mean_cumulative_chart, "faults per machine by its running hours"),
    "suspects": ChartKind("suspects", suspects_chart, "how likely each cause is, a bar a case"),
    "reasons": ChartKind("suspect", reasons_chart, "what speaks for and against the cause of one case"),
    "unit": ChartKind(
        "unit", unit_chart, "one machine's faults, repairs and readings over its running hours"
    ),
    "incidence": ChartKind("incidence", incidence_chart, "in what ways parts' lives end, by age"),
    "comparison": ChartKind(
        "comparison", comparison_chart, "failures of each group against what is expected of it"
    ),
    "drivers": ChartKind("drivers", drivers_chart, "what makes failures more or less frequent"),
    "trend": ChartKind("trend", trend_chart, "machines whose faults come ever faster, or ever more rarely"),
    "forecast": ChartKind("forecast", forecast_chart, "failures expected month by month, with ranges"),
    "replacement": ChartKind("replacement", replacement_chart, "what replacing ahead saves, by age"),
    "forecast-check": ChartKind(
        "forecast-check", forecast_check_chart, "what past forecasts promised and what came"
    ),
    "shop-hours": ChartKind("shop-hours", shop_hours_chart, "what the plan saves with more shop hours"),
    "policies": ChartKind("policies", policies_chart, "what waiting, swapping and planning cost"),
    "figures": ChartKind("figures", fleet_figures_chart, "failures, restoration and availability by site"),
    "plan": ChartKind("plan", plan_chart, "the shop's weeks with the visits planned"),
    "calibration": ChartKind("backtest", calibration_chart, "how often past suspicions were right"),
    "fleet-age": ChartKind("status", fleet_age_chart, "machines by build year"),
}
