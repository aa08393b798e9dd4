"""Which answer a picture shows, asked with the options of `fleetlog chart`."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING, Any

from fleetlog.errors import UsageError
from fleetlog.questions import Option, charts

if TYPE_CHECKING:
    from fleetlog.session.finding import Finding
    from fleetlog.session.fleet import Fleet
    from fleetlog.session.scope import Scope


def answer_for(
    fleet: Fleet, name: str, scope: Scope, component: str | None, by: str, months: int | None = None
) -> Finding:
    """The answer that the picture of that name shows.

    Args:
        name: of the picture.
        component: the part whose lives are followed, where the question is about one.
        by: columns to split by, separated by commas.
        months: how many to look ahead or back; None: as many as usual.

    Raises:
        UsageError: where the picture needs one machine and none, or several, are named.
    """
    asked, chart = charts()[name]
    given = {"component": component, "by": by, "months": months}
    options: dict[str, Any] = dict(chart.options)
    for option in asked.options:
        if option.chart and given[option.chart] and option.name not in options:
            options[option.name] = _fitting(option, given[option.chart])
    if asked.machine:
        options["machine_id"] = _one_machine(scope)
        scope = replace(scope, machines=())
    if name == ONE_CASE:
        _one_machine(scope)
    answer: Finding = asked.ask.load()(fleet, scope, **options)
    return answer


ONE_CASE = "reasons"
"""The picture of a single case."""


def _fitting(option: Option, value: Any) -> Any:
    """The value as the option takes it: one column where it takes one, several where several."""
    if option.chart != "by":
        return value
    columns = tuple(dict.fromkeys(word.strip() for word in value.split(",") if word.strip()))
    if option.kind == "columns":
        return columns or option.default
    return columns[0] if columns else option.default


def _one_machine(scope: Scope) -> str:
    if len(scope.machines) != 1:
        raise UsageError("This picture shows one machine; name it with --machine.")
    return scope.machines[0]
