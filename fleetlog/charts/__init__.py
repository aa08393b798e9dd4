"""One function a picture: a finding in, an altair chart out.

Nothing here imports altair until a picture is asked for, so that start-up stays fast.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from fleetlog.charts.comparisons import comparison_chart, drivers_chart, trend_chart
    from fleetlog.charts.fleet import fleet_age_chart
    from fleetlog.charts.incidence import incidence_chart
    from fleetlog.charts.lives import hazard_chart
    from fleetlog.charts.output import FORMATS, save, to_svg
    from fleetlog.charts.repeats import comeback_chart, mean_cumulative_chart
    from fleetlog.charts.survival import survival_chart
    from fleetlog.charts.suspects import reasons_chart, suspects_chart
    from fleetlog.charts.unit import unit_chart
    from fleetlog.charts.weibull import probability_chart

__all__ = [
    "FORMATS",
    "comeback_chart",
    "comparison_chart",
    "drivers_chart",
    "fleet_age_chart",
    "hazard_chart",
    "incidence_chart",
    "mean_cumulative_chart",
    "probability_chart",
    "reasons_chart",
    "save",
    "survival_chart",
    "suspects_chart",
    "to_svg",
    "trend_chart",
    "unit_chart",
]

_HOME = {
    "FORMATS": "output",
    "comeback_chart": "repeats",
    "comparison_chart": "comparisons",
    "drivers_chart": "comparisons",
    "fleet_age_chart": "fleet",
    "hazard_chart": "lives",
    "incidence_chart": "incidence",
    "mean_cumulative_chart": "repeats",
    "probability_chart": "weibull",
    "reasons_chart": "suspects",
    "save": "output",
    "survival_chart": "survival",
    "suspects_chart": "suspects",
    "to_svg": "output",
    "trend_chart": "comparisons",
    "unit_chart": "unit",
}


def __getattr__(name: str) -> Any:
    """Import the module of a picture when it is first asked for."""
    if name not in _HOME:
        raise AttributeError(f"fleetlog.charts has no {name}")
    return getattr(import_module(f"fleetlog.charts.{_HOME[name]}"), name)
