"""Which finding a picture shows, asked with the options of `fleetlog chart`."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from fleetlog.errors import UsageError

if TYPE_CHECKING:
    from fleetlog.session.fleet import Fleet
    from fleetlog.session.scope import Scope


def finding_for(
    fleet: Fleet, kind: str, scope: Scope, component: str, by: str, months: int | None = None
) -> Any:
    """The finding of that kind.

    Args:
        fleet: whom to ask.
        kind: what the picture takes (`ChartKind.finding`).
        scope: which part of the fleet, as of when.
        component: the part whose lives are followed, where the finding is about one.
        by: columns to split by, separated by commas.
        months: how many to look ahead (forecast) or back (backtest, forecast-check); None: as many as usual.

    Raises:
        UsageError: where the picture needs one machine and none, or several, are named.
    """
    columns = tuple(word.strip() for word in by.split(",") if word.strip())
    match kind:
        case "survival":
            from fleetlog.lives.survival import survival

            return survival(fleet, scope, component=component, by=columns)
        case "incidence":
            from fleetlog.lives.incidence import incidence

            return incidence(fleet, scope, component=component, by=columns)
        case "comparison":
            from fleetlog.lives.comparison import compare

            return compare(fleet, scope, component=component, by=columns[0] if columns else "build_year")
        case "drivers":
            from fleetlog.lives.drivers import drivers

            return drivers(fleet, scope, component=component, factors=columns or ("variant", "site"))
        case "repeats":
            from fleetlog.lives.repeats import repeats

            return repeats(fleet, scope)
        case "trend":
            from fleetlog.lives.trend import trend

            return trend(fleet, scope)
        case "forecast":
            from fleetlog.planning.forecast import forecast

            return forecast(fleet, scope, **_given(months=months))
        case "replacement":
            from fleetlog.planning.replacement import replacement

            return replacement(fleet, scope)
        case "plan":
            from fleetlog.planning.plan import plan

            return plan(fleet, scope)
        case "backtest":
            from fleetlog.causes.backtest import backtest

            return backtest(fleet, scope, **_given(months=months))
        case "forecast-check":
            from fleetlog.planning.forecast_check import check_forecasts

            return check_forecasts(fleet, scope, **_given(forecasts=months))
        case "shop-hours":
            from fleetlog.planning.plan_hours import compare_shop_hours

            usual = fleet.settings.shop.weekly_hours
            return compare_shop_hours(fleet, [usual / 2, usual, usual * 1.5], scope)
        case "policies":
            from fleetlog.planning.policies import compare_policies

            return compare_policies(fleet, scope)
        case "figures":
            from fleetlog.lives.fleet_figures import fleet_figures

            return fleet_figures(fleet, scope, by=("site",))
        case "status":
            from fleetlog.session.status import status

            return status(fleet, scope)
        case "unit":
            from fleetlog.causes.unit import unit

            return unit(fleet, _one_machine(scope), scope)
    from fleetlog.causes.suspects import suspects

    found = suspects(fleet, scope)
    if kind == "suspects":
        return found
    machine = _one_machine(scope)
    if not found.cases:
        raise UsageError(f"Machine {machine} has no open or doubtful case as of {found.as_of}.")
    return found.cases[0]


def _given(**options: Any) -> dict[str, Any]:
    """The options that somebody chose; the others keep the finding's own default."""
    return {name: value for name, value in options.items() if value is not None}


def _one_machine(scope: Scope) -> str:
    if len(scope.machines) != 1:
        raise UsageError("This picture shows one machine; name it with --machine.")
    return scope.machines[0]
