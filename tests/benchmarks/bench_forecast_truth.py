"""Whether the forecast of a year holds on untidy books: what it expected against what truly began.

    python tests/benchmarks/bench_forecast_truth.py --seeds 41,42,43,44,45,46,47,48 --machines 150

Invented fleets whose law differs from the family's figures keep untidy books, as in bench_causes. As of three days a
year apart the twelve months after are forecast from what was known then, and laid against the faults that truly began
in them on machines that were watched: by cause, how many were expected, how many came, and how often the 80% range
held. Beside them stands what the books would count (each case as surely as it is known at the end to be of the cause).
Written to results/forecast_truth.json under the name of the run.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from datetime import date
from pathlib import Path
from typing import Any

import polars as pl
from bench_causes import BOOKS, FAMILY, UNTIDY

from fleetlog.faults import load_families
from fleetlog.planning.forecast_check import failures_begun, look_back
from fleetlog.session.fleet import open_fleet
from fleetlog.session.scope import Scope
from fleetlog.settings import load_settings
from fleetlog.simulation.simulate import SimulatedFleet, another_law, simulate

RESULTS = Path(__file__).parent / "results" / "forecast_truth.json"
DAYS = (date(2023, 6, 30), date(2024, 6, 30), date(2025, 6, 30))
MONTHS = 12


def judge(seed: int, machines: int, draws: int) -> list[dict[str, Any]]:
    """One fleet: a row a year and cause."""
    law = another_law(load_families()[FAMILY], seed)
    with tempfile.TemporaryDirectory() as place:
        made = simulate(
            Path(place) / "fleet",
            machines=machines,
            years=6.0,
            seed=seed,
            law=law,
            disorder=UNTIDY,
            record_keeping=BOOKS,
        )
        settings = load_settings(made.settings)
        with open_fleet(None, settings=settings) as fleet:
            fleet.load([made.files])
            rows = []
            for past in look_back(fleet, Scope(FAMILY), DAYS, horizon_months=MONTHS, draws=draws):
                booked = failures_begun(fleet, Scope(FAMILY), past)
                true = began(made, past.watched, past.first, past.after)
                for (component, cause), counts in past.counts.items():
                    if component == "all":
                        continue
                    low, high = counts.interval(0.8)
                    came = true.get(cause, 0)
                    rows.append(
                        {
                            "seed": seed,
                            "asked": past.asked.isoformat(),
                            "component": component,
                            "cause": cause,
                            "expected": counts.mean,
                            "low": low,
                            "high": high,
                            "came": came,
                            "booked": booked[component, cause],
                            "held": low <= came <= high,
                        }
                    )
    return rows


def began(made: SimulatedFleet, watched: pl.DataFrame, first: date, after: date) -> dict[str, int]:
    """The faults that truly began in these days on these machines, by cause."""
    cases = made.true_cases().join(watched, on="machine_id", how="semi")
    day = pl.col("began_at").dt.date()
    counted = cases.filter(day >= first, day < after).group_by("cause").len()
    return dict(counted.iter_rows())


def summary(rows: list[dict[str, Any]]) -> pl.DataFrame:
    """By cause: expected, came, and the share of ranges that held."""
    frame = pl.DataFrame(rows)
    return frame.group_by("component", "cause", maintain_order=True).agg(
        pl.len().alias("fleet_years"),
        pl.col("expected", "came", "booked").sum().round(1),
        (pl.col("expected").sum() / pl.col("came").sum() - 1.0).round(3).alias("bias"),
        pl.col("held").mean().round(3),
        (pl.col("came") < pl.col("low")).mean().round(3).alias("below"),
        (pl.col("came") > pl.col("high")).mean().round(3).alias("above"),
    )


def main() -> None:
    """Reads the arguments, judges the fleets, tells and writes."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--seeds", default="41,42,43,44,45,46,47,48")
    parser.add_argument("--machines", type=int, default=150)
    parser.add_argument("--draws", type=int, default=100)
    parser.add_argument("--name", default="open")
    given = parser.parse_args()
    rows = []
    for seed in given.seeds.split(","):
        rows += judge(int(seed), given.machines, given.draws)
        with pl.Config(tbl_rows=40, tbl_cols=20, tbl_width_chars=160):
            print(seed, summary(rows), flush=True)
    told = json.loads(RESULTS.read_text(encoding="utf-8")) if RESULTS.exists() else {}
    told[given.name] = {"seeds": given.seeds, "machines": given.machines, "causes": summary(rows).to_dicts()}
    RESULTS.write_text(json.dumps(told, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
