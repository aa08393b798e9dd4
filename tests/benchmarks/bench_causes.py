"""How well causes are told on untidy books, beside who knows the law and beside base rates.

    python tests/benchmarks/bench_causes.py --seeds 1,2,3,4 --sizes 30,150,600,2000
    python tests/benchmarks/bench_causes.py --seeds 11,12,13,14 --name locked

Invented fleets whose law differs from the family's figures keep untidy books: steps that nobody wrote down,
findings the wrong way round, odd meters, lost sides, routine work in between. At six days of the last year and a
half the open cases that nothing had confirmed are judged by the learnt figures, by the law of the invented world
("oracle") and by base rates, and laid against the truth; so is, on the last day, every case of the six years by
the fault that stood when it last reported (`every`). Seeds 1 to 4 were used while the model was made; 11 to
14 are run at its end only. Written to results/causes.json under the name of the run.
"""

from __future__ import annotations

import argparse
import json
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import polars as pl

from fleetlog.belief.weighing import WeighedCases, weigh
from fleetlog.faults import load_families
from fleetlog.intake import load_paths
from fleetlog.session.fleet import Fleet, intake_settings, open_fleet
from fleetlog.settings import load_settings
from fleetlog.simulation.options import Disorder, RecordKeeping
from fleetlog.simulation.simulate import SimulatedFleet, another_law, simulate
from fleetlog.stats.arrays import Floats, Ints
from fleetlog.stats.errors import BadArgument
from fleetlog.stats.scores import calibration_line

RESULTS = Path(__file__).parent / "results" / "causes.json"
FAMILY, RARE, SWAP = "neutral-return", "position_sensor", "replace_sensor"
DAYS = tuple(
    date(*day) for day in ((2025, 3, 31), (2025, 6, 30), (2025, 9, 30), (2025, 12, 31), (2026, 3, 31), (2026, 6, 30))
)  # fmt: skip
UNTIDY = Disorder(0.8, mislabelled=0.08, unrecorded=0.25, mixed_modes=0.5, repeats=0.4)
BOOKS = RecordKeeping(mess=0.08, routine=True)
#: A fleet of 30 machines has a handful of cases: so many of them a seed.
FLEETS = {30: 4, 150: 2}
BASE_CASES = 10.0


@dataclass
class Seen:
    """What the fleets of one size and seed showed, judgement by judgement."""

    true: dict[str, list[Ints]] = field(default_factory=dict)
    given: dict[str, dict[str, list[Floats]]] = field(default_factory=dict)
    standing: list[Floats] = field(default_factory=list)
    stands: list[Floats] = field(default_factory=list)
    swapped: dict[str, list[Floats]] = field(default_factory=dict)

    def judgements(self, kind: str, true: Ints, given: dict[str, Floats]) -> None:
        """Takes in probabilities of the same cases by several ways of judging."""
        self.true.setdefault(kind, []).append(true)
        for name, chance in given.items():
            self.given.setdefault(kind, {}).setdefault(name, []).append(chance)

    def figures(self) -> dict[str, Any]:
        """All measures."""
        found: dict[str, Any] = {
            kind: _told(np.concatenate(self.true[kind]), ways) for kind, ways in self.given.items()
        }
        said, stood = np.concatenate(self.standing), np.concatenate(self.stands)
        tenth = np.minimum((10 * said).astype(int), 9)
        found["standing"] = [
            {"from": t / 10, "cases": int((tenth == t).sum()), "said": float(said[tenth == t].mean()),
             "stood": float(stood[tenth == t].mean())}
            for t in range(10) if (tenth == t).any()
        ]  # fmt: skip
        rare = {name: np.concatenate(swapped) for name, swapped in self.swapped.items()}
        found["rare_swapped"] = {
            name: {
                "cases": int(chance.size),
                "recall": float((chance > 0.5).mean()) if chance.size else None,
                "mean": float(chance.mean()) if chance.size else None,
            }
            for name, chance in rare.items()
        }
        return found


def _told(true: Ints, ways: dict[str, list[Floats]]) -> dict[str, Any]:
    """How well each way of judging told the cause."""
    found: dict[str, Any] = {"judged": int(true.size)}
    for name, rows in ways.items():
        chance = np.concatenate(rows)
        happened = np.eye(chance.shape[1])[true]
        hit = np.maximum(chance[np.arange(true.size), true], 1e-12)
        top, sure = chance.argmax(axis=1), chance.max(axis=1) >= 0.99
        found[name] = {
            "log_loss": float(-np.log(hit).mean()),
            "right": float((top == true).mean()),
            "slope_first": _slope(chance[:, 0], happened[:, 0]),
            "slope_all": _slope(chance.ravel(), happened.ravel()),
            "sure": int(sure.sum()),
            "sure_said": float(chance.max(axis=1)[sure].mean()) if sure.any() else None,
            "sure_true": float((top == true)[sure].mean()) if sure.any() else None,
        }
    found["over_oracle"] = found["model"]["log_loss"] / found["oracle"]["log_loss"] - 1.0
    return found


def _slope(chance: Floats, happened: Floats) -> float | None:
    try:
        return calibration_line(chance, happened).slope
    except BadArgument:
        return None


def look(fleet: Fleet, made: SimulatedFleet, seen: Seen) -> None:
    """Judges one fleet on all days."""
    mine, law = fleet.family(FAMILY), made.law
    comeback = replace(law.comeback, repeat_share=UNTIDY.repeats)
    knowing = replace(mine, hazards=law.hazards, evidence=law.evidence, steps=law.steps, comeback=comeback)
    truth = made.true_cases()
    for day in DAYS:
        history = fleet.history(day)
        end = datetime.combine(day + timedelta(days=1), time())
        oracle = weigh(fleet.store, history, knowing, learn=False)
        model = weigh(fleet.store, history, mine)
        confirmed = model.confirmed()
        rows = (
            _last(model)
            .join(_last(oracle).rename({"row": "other"}).drop("last_at"), on=["machine_id", "side"])
            .join(truth.filter(pl.col("began_at") < end), on=["machine_id", "side"])
            .filter(pl.col("began_at") <= pl.col("last_at") + pl.duration(days=1))
            .sort("row", "began_at")
            .group_by("row", maintain_order=True)
            .last()
        )
        wanted = rows.filter((model.cases["state"] == "open")[rows["row"]] & confirmed.is_null()[rows["row"]])
        if wanted.height:
            mine_rows, other_rows = wanted["row"].to_numpy(), wanted["other"].to_numpy()
            prior = np.array([cause.prior_for("") for cause in mine.causes])
            counts = np.array([(confirmed == cause).sum() for cause in model.causes], dtype=np.float64)
            base = counts + BASE_CASES * prior / prior.sum()
            given = {
                "model": _at_the_bottom(model)[mine_rows],
                "oracle": _at_the_bottom(oracle)[other_rows],
                "base": np.tile(base / base.sum(), (mine_rows.size, 1)),
            }
            seen.judgements("open", _position(model, wanted["cause"]), given)
        said = model.standing[rows["row"].to_numpy()]
        stood = (
            rows["ended_at"].is_null() | (rows["ended_at"] >= end) | (rows["cured_by"].fill_null("") == "")
        ).to_numpy()
        heard = ~np.isnan(said) & (model.cases["state"] != "closed").to_numpy()[rows["row"].to_numpy()]
        seen.standing.append(said[heard])
        seen.stands.append(stood[heard].astype(np.float64))
    one, other = _by_truth(model, truth), _by_truth(oracle, truth)
    both = one.join(other.select("true_id", other="case_id"), on="true_id", maintain_order="left")
    given = {
        "model": _at_the_bottom(model)[both["case_id"].to_numpy()],
        "oracle": _at_the_bottom(oracle)[both["other"].to_numpy()],
    }
    seen.judgements("every", _position(model, both["cause"]), given)
    for name, judged in (("model", model), ("oracle", oracle)):
        seen.swapped.setdefault(name, []).append(_swapped(judged, truth, mine.causes))


def _position(weighed: WeighedCases, causes: pl.Series) -> Ints:
    return np.array([weighed.causes.index(cause) for cause in causes], dtype=np.int64)


def _at_the_bottom(weighed: WeighedCases) -> Floats:
    """Chance of each cause of each case when it set in, shape (N, K)."""
    shares: Floats = weighed.of_case / weighed.of_case.sum(axis=1, keepdims=True)
    return shares


def _by_truth(weighed: WeighedCases, truth: pl.DataFrame) -> pl.DataFrame:
    """The true fault that stood when a case last reported: case_id, true_id, cause."""
    true = truth.select("machine_id", "side", "cause", pl.col("began_at").cast(pl.Datetime("us")))
    return (
        weighed.cases.select("case_id", "machine_id", "side", pl.col("last_at") + pl.duration(minutes=1))
        .join(true.with_row_index("true_id"), on=["machine_id", "side"])
        .filter(pl.col("began_at") <= pl.col("last_at"))
        .sort("case_id", "began_at")
        .group_by("case_id", maintain_order=True)
        .last()
        .unique("true_id", keep="last", maintain_order=True)
        .sort("true_id")
    )


def _last(weighed: WeighedCases) -> pl.DataFrame:
    """The last case of each side."""
    return (
        weighed.cases.select("machine_id", "side", "last_at")
        .with_row_index("row")
        .group_by("machine_id", "side", maintain_order=True)
        .agg(pl.col("row", "last_at").last())
    )


def _swapped(weighed: WeighedCases, truth: pl.DataFrame, causes: Any) -> Floats:
    """Chance given to the rare cause where it was true, its part was found broken and renewed, and that cured it."""
    k = weighed.causes.index(RARE)
    found = weighed.evidence.filter(pl.col("evidence") == SWAP, pl.col("outcome") != "passed").select(
        "case_id"
    )
    cases = weighed.cases.join(found.unique(maintain_order=True), on="case_id", how="semi")
    cured = truth.filter(pl.col("cause") == RARE, pl.col("cured_by") == SWAP).drop_nulls("ended_at")
    day = pl.duration(days=2)
    pairs = (
        cases.select("case_id", "machine_id", "side", "first_at", "last_at")
        .join(cured, on=["machine_id", "side"])
        .filter(
            pl.col("first_at") < pl.col("ended_at").cast(pl.Datetime("us")),
            pl.col("last_at") + day > pl.col("began_at").cast(pl.Datetime("us")),
        )
    )
    rows: Floats = weighed.of_case[pairs["case_id"].unique(maintain_order=True).to_numpy(), k]
    return rows


def fleets(size: int, seed: int, place: Path) -> Iterator[tuple[Fleet, SimulatedFleet]]:
    """The fleets of a size and seed, each in a store of its own, kept below the place."""
    for turn in range(FLEETS.get(size, 1)):
        folder, own = place / f"{size}-{seed}-{turn}", 1000 * turn + seed
        law = another_law(load_families()[FAMILY], own)
        store = folder / "store.duckdb"
        kept = store.exists()
        made = (
            SimulatedFleet(folder / "files", folder / "truth", size, 0, own, law)
            if kept
            else simulate(folder, machines=size, seed=own, law=law, disorder=UNTIDY, record_keeping=BOOKS)
        )
        with open_fleet(store, settings=load_settings(made.settings), create=not kept) as fleet:
            if not kept:
                load_paths(fleet.store, [made.files], settings=intake_settings(fleet.settings))
            yield fleet, made


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    asked.add_argument("--sizes", default="30,150,600,2000")
    asked.add_argument("--seeds", default="1,2,3,4")
    asked.add_argument("--name", default="tuned")
    asked.add_argument("--keep", type=Path, help="folder in which to keep the stores for another run")
    given = asked.parse_args()
    results = json.loads(RESULTS.read_text(encoding="utf-8")) if RESULTS.exists() else {}
    seeds = [int(seed) for seed in given.seeds.split(",")]
    with tempfile.TemporaryDirectory() as place:
        for size in (int(size) for size in given.sizes.split(",")):
            together = Seen()
            for seed in seeds:
                for fleet, made in fleets(size, seed, given.keep or Path(place)):
                    look(fleet, made, together)
            found = {"seeds": seeds, **together.figures()}
            results.setdefault(given.name, {})[str(size)] = found
            print(size, line(found), flush=True)
            RESULTS.write_text(json.dumps(results, indent=1) + "\n", encoding="utf-8")


def line(found: dict[str, Any]) -> str:
    """The figures that matter in a few lines."""

    def show(value: float | None) -> str:
        return "none" if value is None else f"{value:.3f}"

    lines = []
    for kind in ("open", "every"):
        told = found[kind]
        lines.append(f"{kind} {told['judged']}: over the oracle {told['over_oracle']:+.0%}")
        for name in ("model", "oracle", "base"):
            one = told.get(name)
            if one:
                figures = {
                    key: show(one[key])
                    for key in ("log_loss", "slope_first", "slope_all", "sure_said", "sure_true")
                }
                lines.append(f"    {name} {figures} sure {one['sure']}")
    rare = {
        name: f"{show(one['recall'])} of {one['cases']}, mean {show(one['mean'])}"
        for name, one in found["rare_swapped"].items()
    }
    stand = " ".join(f"{one['said']:.2f}:{one['stood']:.2f}({one['cases']})" for one in found["standing"])
    return "\n  ".join((*lines, f"rare {rare}", f"standing {stand}"))


if __name__ == "__main__":
    main()
