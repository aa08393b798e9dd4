"""The history on a cluster: the same steps as in a store, in one go over all machines."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import date

from fleetlog.engines.spark import SparkStore
from fleetlog.faults import FaultFamily
from fleetlog.history import History, last_day
from fleetlog.history.build_spec import BuildSpec
from fleetlog.history.families import register_families
from fleetlog.history.steps import run_step, steps
from fleetlog.settings import Settings


def build_on_spark(
    store: SparkStore, families: Mapping[str, FaultFamily], settings: Settings, as_of: date | None = None
) -> History:
    """Makes the history of a lake as it would have been on a day.

    The steps run on the cluster. The one that SQL cannot do runs here, over the few readings that contradict
    others: all that comes back of a history before it is asked for.

    Args:
        store: an open lake.
        families: the fault families in force.
        settings: meters, windows and the fleet's time zone.
        as_of: the last day that counts; None takes the last day on record.
    """
    spec = BuildSpec(families, settings, as_of or last_day(store, settings.fleet.time_zone))
    register_families(store, families.values(), settings.design_changes)
    tables: list[str] = []
    with store.restricted():
        for step in steps():
            tables += run_step(store, step, spec.parameters)
    machines = store.execute("SELECT COUNT(*) AS machines FROM machine")[0][0]
    return History(spec.as_of, spec.as_of_end, tuple(tables), machines)
