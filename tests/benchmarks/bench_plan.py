"""How long a plan takes: at least 2,000 candidate jobs over 26 weeks, to a proven gap of at most 1%.

Run by hand: `python tests/benchmarks/bench_plan.py [JOBS] [SECONDS]`. The fleet is the one of bench_forecast;
the shop is given room for its breakdowns and about a third of the jobs, so that weeks and machines must be chosen.
"""

from __future__ import annotations

import os
import sys
import time
from dataclasses import replace

from bench_forecast import AS_OF, made_fleet

from fleetlog.planning.plan import solve
from fleetlog.planning.plan_candidates import gather
from fleetlog.planning.plan_visits import ShopLimits, offer
from fleetlog.session.scope import Scope

WEEKS = 26


def main() -> None:
    """Runs the benchmark and prints it."""
    jobs = int(sys.argv[1].replace("_", "")) if len(sys.argv) > 1 else 2_000
    seconds = float(sys.argv[2]) if len(sys.argv) > 2 else 60.0
    with made_fleet(round(jobs * 1.5)) as fleet:
        shop = replace(fleet.settings.shop, weekly_hours=720.0, pump_mechanics=8, engine_out_jobs=20)
        fleet.settings = replace(fleet.settings, shop=shop)
        fleet.history(AS_OF)
        began = time.perf_counter()
        candidates = gather(fleet, Scope(as_of=AS_OF), weeks=WEEKS)
        limits = ShopLimits.of(fleet, None)
        offers = offer(fleet, candidates, limits, {})
        gathered = time.perf_counter()
        print(
            f"{candidates.rows.height:,} candidate jobs over {WEEKS} weeks make {offers.machine.size:,} visits; "
            f"gathered in {gathered - began:.1f} s, {os.cpu_count()} cores"
        )
        found = solve(fleet, candidates, offers, limits, gap=0.01, seconds=seconds)
        print(
            f"gap asked 1%: {found.method}, gap {found.gap:.3%}, {found.frame.height:,} jobs, "
            f"{time.perf_counter() - gathered:.1f} s"
        )
        began = time.perf_counter()
        found = solve(fleet, candidates, offers, limits, gap=1e-4, seconds=seconds)
        print(f"gap asked 0.01%: {found.method}, gap {found.gap:.4%}, {time.perf_counter() - began:.1f} s")
        began = time.perf_counter()
        found = solve(fleet, candidates, offers, limits, seconds=0)
        print(f"greedy: gap stated {found.gap:.2%}, {time.perf_counter() - began:.1f} s")


if __name__ == "__main__":
    main()
