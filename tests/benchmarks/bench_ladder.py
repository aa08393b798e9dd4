"""The whole way of the data at 1,000, 10,000 and 100,000 machines over five years, and one more month.

Each step runs in a process of its own, so that its peak memory is its own: load, history, every finding, the
report, and a month that comes later. A pandas script that answers some of the same questions from the same
files (peer_pandas.py) runs on the smaller rungs, and its answers are laid beside ours.

Finished steps are kept in results/ladder.json; a run that was killed goes on where it stopped, and steps that
failed are tried again. The folder of a rung is removed once all its steps are done. Processor seconds say more than the clock where the machine has other work.

Usage: python tests/benchmarks/bench_ladder.py [--rungs 1000,10000,100000] [--place DIR] [--again] [--keep]
"""

from __future__ import annotations

import argparse
import json
import math
import os
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import UTC, datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
RESULTS = HERE / "results" / "ladder.json"

RUNGS = (1_000, 10_000, 100_000)
PEER_MOST = 10_000
AGE = 4_000.0
PART = "internal_bushing"

# Five years and the month after them, of one world: about a thousand readings, fifty codes and twenty lines of
# work a machine.
FLEET = ("--years", "5.0833", "--seed", "1", "--reading-days", "1", "--mess", "0.02", "--routine")
PIECES = {"years": ("--to", "2026-05-31"), "month": ("--from", "2026-06-01")}

FINDINGS: dict[str, tuple[str, ...]] = {
    "status": ("status",),
    "survival": ("survival", "--component", PART, "--by", "build_year"),
    "incidence": ("incidence", "--component", PART, "--by", "variant"),
    "compare": ("compare", "--component", PART, "--by", "build_year"),
    "drivers": ("drivers", "--component", PART),
    "trend": ("trend",),
    "repeats": ("repeats",),
    "suspects": ("suspects",),
    "forecast": ("forecast",),
    "plan": ("plan",),
    "figures": ("figures",),
}
#: What the peer's script does too.
PEER_STEPS = ("load", "history", "survival", "repeats")
#: The two ways to write the peer's script; both give the same answers.
PEERS = {"peer": ("--way", "columns"), "peer by machine": ("--way", "machines")}


@dataclass(frozen=True)
class Used:
    """What a process took."""

    seconds: float
    cpu_seconds: float
    peak_mb: float
    code: int
    said: str


def run(command: Iterable[str], out: Path) -> Used:
    """Runs a command to its end; its output goes to a file."""
    began = time.perf_counter()
    with out.open("wb") as printed, tempfile.TemporaryFile() as complaints:
        child = subprocess.Popen([*command], stdout=printed, stderr=complaints)
        _, status, usage = os.wait4(child.pid, 0)
        child.returncode = os.waitstatus_to_exitcode(status)
        seconds = time.perf_counter() - began
        complaints.seek(0)
        said = complaints.read().decode(errors="replace").strip().splitlines()
    cpu = usage.ru_utime + usage.ru_stime
    return Used(seconds, cpu, usage.ru_maxrss / 1024, child.returncode, said[-1] if said else "")


class Ladder:
    """The results so far, on disk after every step."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self.found: dict[str, Any] = json.loads(path.read_text()) if path.exists() else {}
        if self.found.get("fleet") != list(FLEET):
            self.found = {"fleet": list(FLEET), "rungs": {}}

    def rung(self, machines: int) -> dict[str, Any]:
        rung: dict[str, Any] = self.found["rungs"].setdefault(str(machines), {"steps": {}})
        return rung

    def forget(self, machines: int) -> None:
        self.found["rungs"].pop(str(machines), None)

    def save(self) -> None:
        self._path.parent.mkdir(exist_ok=True)
        fresh = self._path.with_suffix(".new")
        fresh.write_text(json.dumps(self.found, indent=1) + "\n", encoding="utf-8")
        fresh.replace(self._path)


class Rung:
    """One size of fleet: its folder, and its steps in order."""

    def __init__(
        self, ladder: Ladder, machines: int, place: Path, fleetlog: list[str], only: frozenset[str]
    ) -> None:
        self.ladder, self.machines, self.only = ladder, machines, only
        self.place = place / f"{machines}"
        self.place.mkdir(parents=True, exist_ok=True)
        self.store, self.grown = (self.place / name / "fleet.duckdb" for name in ("store", "grown"))
        self.fleetlog = fleetlog
        self.commit = commit()

    @property
    def steps(self) -> dict[str, Any]:
        steps: dict[str, Any] = self.ladder.rung(self.machines)["steps"]
        return steps

    def climb(self, peer: str | None) -> None:
        """Makes the fleet if need be and runs every step that is not finished."""
        if self.finished(peer):
            return
        for piece, window in PIECES.items():
            self.make(piece, window)
        if not (self.done("load") and self.store.exists()):
            empty(self.store.parent)
            self.forget("load", "history")
            shutil.copy(self.files("years") / "fleetlog.toml", self.store.parent)
        self.step("load", self.store, "load", str(self.files("years")))
        self.step("history", self.store, *self.history())
        for name, arguments in FINDINGS.items():
            form = ("--format", "json") if name in ("survival", "repeats") else ()
            self.step(name, self.store, *arguments, *form)
        self.step("unit", self.store, "unit", self.a_machine())
        self.step("report", self.store, "report", "--month", "2026-05", "--out", str(self.place / "report"))
        if peer and self.machines <= PEER_MOST:
            for name in PEERS:
                if self.wanted(name) and not self.done(name):
                    self.peer(name, peer)
        # The month comes to a copy, so that a step above can be run again on what it is meant for.
        if self.wanted("load month") and not (self.done("load month") and self.grown.exists()):
            empty(self.grown.parent)
            shutil.copytree(self.store.parent, self.grown.parent, dirs_exist_ok=True)
            self.forget("load month", "history after month")
        self.step("load month", self.grown, "load", str(self.files("month")))
        self.step("history after month", self.grown, *self.history())

    def forget(self, *steps: str) -> None:
        for step in steps:
            self.steps.pop(step, None)

    def finished(self, peer: str | None) -> bool:
        wanted = ["load", "history", *FINDINGS, "unit", "report", "load month", "history after month"]
        wanted += list(PEERS) if peer and self.machines <= PEER_MOST else []
        return all(self.done(step) for step in wanted)

    def wanted(self, step: str) -> bool:
        return not self.only or step in self.only

    def done(self, step: str) -> bool:
        return self.steps.get(step, {"code": 1})["code"] == 0

    def files(self, piece: str) -> Path:
        return self.place / piece / "files"

    def make(self, piece: str, window: tuple[str, ...]) -> None:
        """The files of a stretch of time; half-made ones are made anew."""
        made = self.place / f"{piece}.made"
        if made.exists():
            return
        shutil.rmtree(self.place / piece, ignore_errors=True)
        call = ("simulate", str(self.place / piece), "--machines", str(self.machines), *FLEET, *window)
        used = run([*self.fleetlog, *call], self.place / "made.txt")
        if used.code:
            raise SystemExit(f"The fleet of {self.machines:,} machines could not be made: {used.said}")
        made.touch()
        self.ladder.rung(self.machines)[f"{piece}_mb"] = round(size_mb(self.files(piece)), 1)
        self.ladder.rung(self.machines)[f"simulate_{piece}"] = rounded(used)
        self.ladder.save()

    def history(self) -> tuple[str, ...]:
        """The command that builds the history if there is one; else the load did it, and status reads it."""
        there = run([*self.fleetlog, "history", "--help"], self.place / "help.txt")
        return ("history",) if there.code == 0 else ("status",)

    def step(self, name: str, store: Path, *arguments: str) -> None:
        """Runs a step unless it is finished, and keeps what it took."""
        if self.done(name) or not self.wanted(name):
            return
        out = self.place / f"{name.replace(' ', '-')}.out"
        used = run([*self.fleetlog, "--store", str(store), *arguments], out)
        self.steps[name] = rounded(used) | {
            "command": arguments[0],
            "store_mb": round(size_mb(store.parent), 1),
            "commit": self.commit,
            "at": datetime.now(UTC).isoformat(timespec="seconds"),
        }
        if used.code:
            self.steps[name]["said"] = used.said
        self.ladder.save()
        print(
            f"{self.machines:>8,} {name:20} {used.seconds:9.1f} s {used.cpu_seconds:9.1f} s cpu "
            f"{used.peak_mb:8,.0f} MB{'  FAILED: ' + used.said if used.code else ''}",
            flush=True,
        )

    def a_machine(self) -> str:
        """A machine with a case: the first of the truth that has one well before the end."""
        with (self.place / "years" / "truth" / "cases.csv").open(encoding="utf-8") as file:
            column = next(file).strip().split(",").index("machine_id")
            return next(file).split(",")[column]

    def peer(self, name: str, python: str) -> None:
        """The other script over the same files, and its answers beside ours."""
        out = self.place / f"{name.replace(' ', '-')}.out"
        call = (str(HERE / "peer_pandas.py"), str(self.files("years")), "--part", PART, "--age", f"{AGE:g}")
        used = run([python, *call, *PEERS[name]], out)
        self.steps[name] = rounded(used) | {"command": " ".join(("peer_pandas.py", *PEERS[name]))}
        if used.code:
            self.steps[name]["said"] = used.said
        else:
            told = json.loads(out.read_text())
            self.steps[name]["phases"] = {phase: round(t, 2) for phase, t in told["seconds"].items()}
            if self.done("survival") and self.done("repeats"):
                self.ladder.rung(self.machines)["beside"] = beside(
                    told,
                    json.loads((self.place / "survival.out").read_text()),
                    json.loads((self.place / "repeats.out").read_text()),
                )
        self.ladder.save()

    def clean(self) -> None:
        shutil.rmtree(self.place)


def empty(folder: Path) -> None:
    shutil.rmtree(folder, ignore_errors=True)
    folder.mkdir()


def commit() -> str:
    """The commit that is measured, "-dirty" if the working copy differs; "" outside of a checkout."""
    asked = ("git", "-C", str(HERE), "describe", "--always", "--dirty")
    return subprocess.run(asked, capture_output=True, text=True, check=False).stdout.strip()


def rounded(used: Used) -> dict[str, Any]:
    return {
        "seconds": round(used.seconds, 2),
        "cpu_seconds": round(used.cpu_seconds, 2),
        "peak_mb": round(used.peak_mb, 1),
        "code": used.code,
    }


def size_mb(path: Path) -> float:
    """Size of a file, or of all files in a folder."""
    files = path.rglob("*") if path.is_dir() else (path,)
    return sum(file.stat().st_size for file in files if file.is_file()) / 1e6


def beside(peer: dict[str, Any], survival: dict[str, Any], repeats: dict[str, Any]) -> dict[str, Any]:
    """Our answers and the peer's: lives, failures and survival by build year, comebacks by repair."""
    ours = {int(row["group"]["build_year"]): row for row in survival["rows"]}
    theirs = {row["build_year"]: row for row in peer["survival"]}
    years = []
    for year in sorted(ours.keys() & theirs.keys()):
        row = ours[year]
        steps = [s for h, s in zip(row["hours"], row["survival"], strict=True) if h <= AGE]
        years.append(
            {
                "build_year": year,
                "lives": [row["spells"], theirs[year]["lives"]],
                "failures": [row["failures"], theirs[year]["failures"]],
                "survival": [round(steps[-1], 4) if steps else 1.0, theirs[year]["survival"]],
            }
        )
    by_step = {(row["component"], row["action"]): row for row in peer["comebacks"]}
    repairs = [
        {
            "repair": row["step"],
            "attempts": [row["attempts"], there["attempts"]],
            "comebacks": [row["comebacks"], there["comebacks"]],
            "comeback_rate": [round(row["comeback_rate"], 4), round(there["comeback_rate"], 4)],
        }
        for row in repeats["rows"]
        if (there := by_step.get((row["component"], row["action"])))
    ]
    return {"age": AGE, "ours_first": True, "by_build_year": years, "by_repair": repairs}


# ----------------------------------------------------------------------------------------- what came out


def exponents(found: dict[str, Any]) -> dict[str, dict[str, float]]:
    """How processor time grows from rung to rung: 1 is in proportion to the machines."""
    rungs = sorted(map(int, found["rungs"]))
    grown: dict[str, dict[str, float]] = {}
    for low, high in pairwise(rungs):
        before, after = (found["rungs"][str(rung)]["steps"] for rung in (low, high))
        for step in before.keys() & after.keys():
            pair = before[step], after[step]
            if all(one["code"] == 0 and one["cpu_seconds"] for one in pair):
                power = math.log(pair[1]["cpu_seconds"] / pair[0]["cpu_seconds"]) / math.log(high / low)
                grown.setdefault(step, {})[f"{low}-{high}"] = round(power, 2)
    return grown


def ratios(found: dict[str, Any]) -> dict[str, dict[str, dict[str, float]]]:
    """Each peer's time over ours, for the same answers from the same files; above 1 we are faster."""
    told: dict[str, dict[str, dict[str, float]]] = {}
    for rung, one in found["rungs"].items():
        for name in PEERS:
            steps = [one["steps"].get(step) for step in (*PEER_STEPS, name)]
            if all(step and step["code"] == 0 for step in steps):
                *ours, peer = steps
                told.setdefault(rung, {})[name] = {
                    what: round(peer[what] / sum(step[what] for step in ours), 2)
                    for what in ("seconds", "cpu_seconds")
                }
    return told


def show(found: dict[str, Any]) -> None:
    """The results as tables."""
    growth = found.get("growth_of_cpu", {})
    print("\nmachines  step                  seconds  cpu seconds  peak MB  store MB  growth")
    for rung in sorted(found["rungs"], key=int):
        for name, step in found["rungs"][rung]["steps"].items():
            power = next((p for pair, p in growth.get(name, {}).items() if pair.endswith(f"-{rung}")), "")
            told = f"  FAILED: {step['said']}" if step["code"] else ""
            print(
                f"{int(rung):>8,}  {name:20} {step['seconds']:8.1f} {step['cpu_seconds']:12.1f} "
                f"{step['peak_mb']:8,.0f} {step.get('store_mb', 0.0):9,.0f}  {power}{told}"
            )
    for rung, peers in found.get("peer_over_ours", {}).items():
        for name, one in peers.items():
            print(
                f"\n{int(rung):,} machines: pandas and lifelines ({name}) took {one['seconds']:g} times our seconds, "
                f"{one['cpu_seconds']:g} times our processor seconds ({' + '.join(PEER_STEPS)})."
            )
        told = found["rungs"][rung]["beside"]
        print(f"  build year: lives, failures, survival at {AGE:,.0f} h (ours | theirs)")
        for row in told["by_build_year"]:
            lives, failures, share = row["lives"], row["failures"], row["survival"]
            theirs = "none" if share[1] is None else f"{share[1]:.3f}"
            print(
                f"  {row['build_year']}: {lives[0]} | {lives[1]}, {failures[0]} | {failures[1]}, "
                f"{share[0]:.3f} | {theirs}"
            )
        for row in told["by_repair"]:
            (a, b), (c, d) = row["attempts"], row["comeback_rate"]
            print(f"  {row['repair']}: {a} | {b} attempts, {c:.3f} | {d:.3f} back")


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawTextHelpFormatter)
    asked.add_argument("--rungs", default=",".join(map(str, RUNGS)), help="machines, e.g. 1000,10000")
    asked.add_argument("--steps", default="", help="only these, e.g. load,history,survival (default: all)")
    asked.add_argument("--place", type=Path, help="folder for fleets and stores (default: a temporary one)")
    asked.add_argument("--results", type=Path, default=RESULTS)
    asked.add_argument("--again", action="store_true", help="forget what is finished of these rungs")
    asked.add_argument("--keep", action="store_true", help="leave fleets and stores where they are")
    asked.add_argument("--no-peer", action="store_true", help="leave the pandas script out")
    asked.add_argument("--peer-python", default=sys.executable, help="the Python with pandas and lifelines")
    asked.add_argument("--table", action="store_true", help="only print what is there")
    given = asked.parse_args()
    ladder = Ladder(given.results)
    if not given.table:
        place = given.place or Path(tempfile.gettempdir()) / "fleetlog-ladder"
        fleetlog = [sys.executable, "-m", "fleetlog"]
        for machines in map(int, given.rungs.split(",")):
            if given.again:
                ladder.forget(machines)
            only = frozenset(filter(None, given.steps.split(",")))
            rung = Rung(ladder, machines, place, fleetlog, only)
            peer = None if given.no_peer else given.peer_python
            rung.climb(peer)
            if rung.finished(peer) and not given.keep:
                rung.clean()
            ladder.found["growth_of_cpu"] = exponents(ladder.found)
            ladder.found["peer_over_ours"] = ratios(ladder.found)
            ladder.save()
    show(ladder.found)


if __name__ == "__main__":
    main()
