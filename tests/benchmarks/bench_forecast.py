"""How long a forecast takes: 100,000 machines with two bushings, 12 months, 200 draws of the bootstrap.

Run by hand: `python tests/benchmarks/bench_forecast.py [MACHINES] [DRAWS]`. The fleet is made inside the store by
SQL, with monthly readings over four years and lives of a known law; building the history is timed apart.
"""

from __future__ import annotations

import os
import resource
import sys
import time
from datetime import date

from fleetlog.faults import DesignChange
from fleetlog.planning.forecast import forecast
from fleetlog.session.fleet import Fleet, open_fleet
from fleetlog.session.scope import Scope
from fleetlog.settings import Settings

AS_OF = date(2026, 6, 30)
MONTHS = 48

# A number between 0 and 1 from two numbers, the same on every run.
CHANCE = "(CAST(hash({0}, {1}) % 1000003 AS DOUBLE) + 0.5) / 1000003"

MACHINES = f"""
INSERT INTO machines (machine_id, machine_type, build_date, control, site, model, acquired_on,
    hours_at_acquisition, file_id, row_no)
SELECT 'M' || lpad(CAST(i AS VARCHAR), 7, '0'), 'skid_steer_loader',
    strftime(DATE '2012-01-01' + CAST(FLOOR(3650 * {CHANCE.format("i", 1)}) AS INTEGER), '%Y-%m-%d'),
    'electronic_joystick', 'Site ' || (i % 8), 'Model ' || (i % 5), DATE '2022-07-01',
    ROUND(4000 * {CHANCE.format("i", 3)}, 1), 0, i
FROM range($machines) AS r(i)
"""
READINGS = f"""
INSERT INTO meter_readings (machine_id, read_at, hours, source, file_id, row_no)
SELECT machines.machine_id, TIMESTAMP '2022-07-01 00:00:00' + k * INTERVAL 1 MONTH,
    machines.hours_at_acquisition + ROUND(
        (30.4 + 70 * {CHANCE.format("machines.row_no", 5)}) * (k - 2.0 * COS((k - 0.5) * 3.14159265 / 6)), 1) + 40,
    'telematics', 0, 0
FROM machines, range($months + 1) AS r(k)
"""
# Each side wears by a Weibull law of shape 2.6 and scale 6,000 h, given that it was sound when the machine was bought.
WORN = f"""
CREATE TEMPORARY TABLE worn AS
WITH life AS (
    SELECT machines.machine_id, side, machines.hours_at_acquisition AS begins,
        30.4 + 70 * {CHANCE.format("machines.row_no", 5)} AS rate,
        6000 * POWER(POWER(machines.hours_at_acquisition / 6000, 2.6)
            - LN({CHANCE.format("machines.row_no", "side || 'w'")}), 1 / 2.6) AS wears
    FROM machines, (VALUES ('left'), ('right')) AS sides(side)
)
SELECT machine_id, side, 'W' || machine_id || side AS work_order_id,
    TIMESTAMP '2022-07-01 00:00:00' + CAST(FLOOR((wears - begins) / rate * 30.4) AS INTEGER) * INTERVAL 1 DAY AS moment
FROM life
WHERE wears > begins + 10 AND wears < begins + rate * ($months - 1)
"""
ORDERS = """
INSERT INTO work_orders (work_order_id, machine_id, opened_at, closed_at, status, file_id, row_no)
SELECT work_order_id, machine_id, moment, moment + INTERVAL 2 DAY, 'closed', 0, 0 FROM worn
"""
LINES = """
INSERT INTO work_lines (work_order_id, line_no, done_at, component, side, action, finding, labour_hours, file_id, row_no)
SELECT work_order_id, 1, moment, 'internal_bushing', side, 'replace', 'worn', 13.5, 0, 0 FROM worn
"""


def made_fleet(machines: int) -> Fleet:
    """A fleet in memory with monthly readings and worn bushings of a known law."""
    change = DesignChange("internal_bushing", "improved", built_from=date(2017, 12, 1))
    fleet = open_fleet(None, settings=Settings(design_changes=(change,)))  # common practice, no source
    fleet.store.execute(MACHINES, {"machines": machines})
    fleet.store.execute(READINGS, {"months": MONTHS})
    fleet.store.execute(WORN, {"months": MONTHS})
    fleet.store.execute(ORDERS)
    fleet.store.execute(LINES)
    return fleet


def main() -> None:
    """Runs the benchmark and prints it."""
    machines = int(sys.argv[1].replace("_", "")) if len(sys.argv) > 1 else 100_000
    draws = int(sys.argv[2]) if len(sys.argv) > 2 else 200
    began = time.perf_counter()
    with made_fleet(machines) as fleet:
        print(f"{machines:,} machines made in {time.perf_counter() - began:.1f} s, {os.cpu_count()} cores")
        began = time.perf_counter()
        fleet.history(AS_OF)
        print(f"history built in {time.perf_counter() - began:.1f} s")
        began = time.perf_counter()
        found = forecast(fleet, Scope(as_of=AS_OF), component="internal_bushing", draws=draws)
        print(f"forecast, bushings alone: {time.perf_counter() - began:.1f} s")
        print(found.laws.select("variant", "failures", "spells", "shape", "scale_hours"))
        print(found.totals.select("component", "expected", "lower", "upper"))
        began = time.perf_counter()
        found = forecast(fleet, Scope(as_of=AS_OF), draws=draws)
        print(f"forecast, all ways to fail: {time.perf_counter() - began:.1f} s")
    print(f"peak of memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e6:.1f} GB")


if __name__ == "__main__":
    main()
