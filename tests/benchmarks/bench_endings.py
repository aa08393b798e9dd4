"""Whether survival tells the truth where many endings are in doubt: coverage over invented fleets.

    nice -n 10 python tests/benchmarks/bench_endings.py --fleets 30 --machines 200

Pumps are replaced without a look inside, repairs go unrecorded, cases stay open: the books name about half of the
failures. Each fleet has a law of its own, away from the family's figures (`another_law`), and keeps its books tidily
(even seeds) or not (odd ones). Asked is the share of original bushings alive at the ages at which 90, 80, 65, 50
and 35% of them are by the law; a 95% interval should hold it in 92 to 97 of 100 fleets. Beside it stand the books
alone (endings without a finding count as sound) and the Weibull fit's median. Fleets in which an age was not
reached, or the curve begins beyond it, do not count there. Written to results/endings.json.

The truth is the product limit of many machines of the same law, whose faults are known. Parts fitted later than new
count as well; the newer design comes so late that nearly all are original.
"""

from __future__ import annotations

import argparse
import json
import tempfile
import time
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from fleetlog.faults import DesignChange, FaultFamily, load_families
from fleetlog.lives.survival import SurvivalFinding, survival
from fleetlog.session.fleet import open_fleet
from fleetlog.settings import load_settings
from fleetlog.simulation.law import World
from fleetlog.simulation.options import ORDER, TIDY_RECORDS, Disorder, FleetPlan, Make, RecordKeeping
from fleetlog.simulation.records import CASE, PART, Records
from fleetlog.simulation.simulate import UNTIL, another_law, draw_block, simulate
from fleetlog.stats.product_limit import product_limit
from fleetlog.stats.risk_table import RiskTable

RESULTS = Path(__file__).parent / "results" / "endings.json"
FAMILY, COMPONENT, VARIANT = "neutral-return", "internal_bushing", "original"
SHARES = (0.9, 0.8, 0.65, 0.5, 0.35)
YEARS = 10.0
#: So that all ages are watched: most machines come while records are kept, with the original part.
MAKE = Make(
    "Alder", 1.0, (("A 1", "skid_steer_loader"),), {"left": (524100, "XL"), "right": (524101, "XR")}, "A"
)
PLAN = FleetPlan(
    built_years=(2.0, 1.0),
    makes=(MAKE,),
    changes=(DesignChange(COMPONENT, "improved", MAKE.name, built_from=date(2024, 12, 1)),),
)
UNTIDY = Disorder(0.8, mislabelled=0.08, unrecorded=0.25, mixed_modes=0.5, repeats=0.4)
BOOKS = RecordKeeping(mess=0.08, routine=True)


def true_ages(law: FaultFamily, disorder: Disorder) -> list[float]:
    """The ages at which the shares are alive, of many machines of that law."""
    world = World.of(law, disorder, PLAN, YEARS, UNTIL, 30.0)
    k = next(k for k, cause in enumerate(law.causes) if cause.component == COMPONENT)
    tables = [_known_lives(draw_block(world, 99, block, 0, 5_000), world, k) for block in range(3)]
    lives = pl.concat(tables).filter(pl.col("entry") < pl.col("exit"))
    table = RiskTable.from_spells(lives["entry"], lives["exit"], lives["failed"])
    curve = product_limit(table, minimum_at_risk=0)
    return [float(curve.quantile(1.0 - share).estimate or np.nan) for share in SHARES]


def _known_lives(records: Records, world: World, k: int) -> pl.DataFrame:
    """The lives of all original parts until their first fault, in ticks."""
    machines, log = records.machines, records.log
    rows = np.arange(machines.size)
    hazards = world.hazard_built(k, machines.pump_built, machines.make, machines.serial)
    sides = pl.DataFrame({"machine": np.repeat(rows, 2), "side": np.tile([0, 1], rows.size)})
    watched = pl.DataFrame(
        {
            "machine": rows,
            "from": machines.clock.hours(rows, np.maximum(machines.acquired, world.begin_day)),
            "leave": machines.leaves(rows),
            "made": hazards,
        }
    )
    new = sides.join(watched.select("machine", hazard="made"), on="machine").with_columns(hours=pl.lit(0.0))
    key = ["machine", "side"]
    fits = (
        pl.concat([new, log.parts.frame(PART).filter(cause=k)], how="diagonal")
        .select(*key, "hazard", fit="hours")
        .sort(*key, "fit")
        .with_columns(next=pl.col("fit").shift(-1).over(key).fill_null(np.inf))
    )
    cases = log.cases.frame(CASE).filter(cause=k).select(*key, on="hours")
    first = (
        fits.join(cases, on=key)
        .filter(pl.col("fit") <= pl.col("on"), pl.col("on") < pl.col("next"))
        .group_by(*key, "fit")
        .agg(pl.col("on").min())
    )
    row = world.hazard_row(k, VARIANT)
    return (
        fits.join(first, on=[*key, "fit"], how="left")
        .join(watched, on="machine")
        .filter(hazard=row)
        .with_columns(end=pl.min_horizontal("on", "next", "leave"))
        .select(
            entry=(10 * (pl.max_horizontal("from", "fit") - pl.col("fit"))).round().cast(pl.Int64),
            exit=(10 * (pl.col("end") - pl.col("fit"))).round().cast(pl.Int64),
            failed=(pl.col("on") == pl.col("end")).fill_null(False),
        )
    )


def one(seed: int, machines: int, place: Path) -> dict[str, Any]:
    """What one fleet's survival says at the ages that its law knows."""
    law = another_law(load_families()[FAMILY], seed)
    untidy = seed % 2 == 1
    made = simulate(
        place,
        machines=machines,
        seed=seed,
        years=YEARS,
        plan=PLAN,
        law=law,
        disorder=UNTIDY if untidy else ORDER,
        record_keeping=BOOKS if untidy else TIDY_RECORDS,
    )
    ages = true_ages(law, UNTIDY if untidy else ORDER)
    found: dict[str, Any] = {"seed": seed, "untidy": untidy, "ages": ages}
    with open_fleet(place / "store.duckdb", settings=load_settings(made.settings), create=True) as fleet:
        fleet.load([made.files])
        for endings in ("believed", "recorded"):
            told = survival(fleet, component=COMPONENT, by="variant", endings=endings)
            found[endings] = _read(told, ages)
    return found


def _read(told: SurvivalFinding, ages: list[float]) -> dict[str, Any]:
    group = next(group for group in told.groups if group.label == VARIANT)
    curve, rows = group.curve, []
    for age in ages:
        if not group.from_hours <= age <= group.last_hours:
            rows.append(None)
            continue
        at = int(np.searchsorted(curve["hours"].to_numpy(), age, side="right")) - 1
        names = ("survival", "lower", "upper", "survival_worst", "survival_best")
        rows.append([float(curve[name][at] or 0.0) for name in names] if at >= 0 else [1.0] * 5)
    weibull = group.weibull or {}
    return {
        "rows": rows,
        "failures": group.failures,
        "found": group.found,
        "in_doubt": group.in_doubt,
        "median_ci": weibull.get("median_ci"),
    }


def summary(fleets: list[dict[str, Any]]) -> dict[str, Any]:
    """Coverage, bias and width, age by age."""
    told: dict[str, Any] = {"fleets": len(fleets)}
    for endings in ("believed", "recorded"):
        ages = []
        for a, share in enumerate(SHARES):
            rows = [fleet[endings]["rows"][a] for fleet in fleets]
            seen = np.array([row for row in rows if row is not None])
            if not seen.size:
                continue
            ages.append(
                {
                    "share": share,
                    "fleets": len(seen),
                    "covered": float(((seen[:, 1] <= share) & (share <= seen[:, 2])).mean()),
                    "above": float((seen[:, 1] > share).mean()),
                    "below": float((seen[:, 2] < share).mean()),
                    "bias": float(seen[:, 0].mean() - share),
                    "width": float((seen[:, 2] - seen[:, 1]).mean()),
                    "bounds": float(((seen[:, 3] <= share) & (share <= seen[:, 4])).mean()),
                }
            )
        medians = [
            (fleet[endings]["median_ci"], fleet["ages"][SHARES.index(0.5)])
            for fleet in fleets
            if fleet[endings]["median_ci"] and None not in fleet[endings]["median_ci"]
        ]
        if not ages:
            continue
        told[endings] = {
            "ages": ages,
            "covered": float(
                np.average([row["covered"] for row in ages], weights=[row["fleets"] for row in ages])
            ),
            "failures": sum(fleet[endings]["failures"] for fleet in fleets),
            "in_doubt": sum(fleet[endings]["in_doubt"] for fleet in fleets),
            "weibull_median": float(np.mean([low <= true <= high for (low, high), true in medians])),
        }
    return told


def main() -> None:
    """Runs the fleets and keeps what each said."""
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--fleets", type=int, default=60)
    asked.add_argument("--machines", type=int, default=200)
    asked.add_argument("--first", type=int, default=1, help="first seed")
    asked.add_argument("--name", default="coverage")
    given = asked.parse_args()
    fleets = []
    for seed in range(given.first, given.first + given.fleets):
        began = time.perf_counter()
        with tempfile.TemporaryDirectory() as place:
            fleets.append(one(seed, given.machines, Path(place)))
        print(seed, f"{time.perf_counter() - began:.0f} s", json.dumps(fleets[-1]["believed"]), flush=True)
    told = {
        "machines": given.machines,
        "all": summary(fleets),
        **{
            kind: summary(own)
            for kind, untidy in (("tidy", False), ("untidy", True))
            if (own := [fleet for fleet in fleets if fleet["untidy"] is untidy])
        },
    }
    results = json.loads(RESULTS.read_text(encoding="utf-8")) if RESULTS.exists() else {}
    results[given.name] = told
    RESULTS.write_text(json.dumps(results, indent=1) + "\n", encoding="utf-8")
    print(json.dumps(told, indent=1))


if __name__ == "__main__":
    main()
