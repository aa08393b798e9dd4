"""What a competent user would write instead: one script of pandas and lifelines over the same CSV files.

Cleans the meters, gathers codes into episodes and lives of a part with late entry, and prints Kaplan–Meier by
build year and how often the fault came back within the window after each repair. The same questions as
`fleetlog load`, `history`, `survival --by build_year` and `repeats`, answered once and with nothing kept.

Two ways to write it: `--way columns` (all machines at once, as one who knows pandas well does) and `--way machines`
(machine by machine through the same functions, as most such scripts are written). Both give the same answers.

Usage: python tests/benchmarks/peer_pandas.py FOLDER [--part internal_bushing] [--age 4000] [--way columns]
Prints one JSON object. Needs pandas and lifelines; with pyarrow installed the files are read by it.
"""

from __future__ import annotations

import argparse
import importlib.util
import json
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from lifelines import KaplanMeierFitter
from lifelines.exceptions import StatError

SIDES = ("left", "right")
# Repairs of the fault, the most far-reaching last.
CURES = {
    ("wiring", "repair"): 0,
    ("position_sensor", "adjust"): 1,
    ("drive_pump", "calibrate"): 2,
    ("position_sensor", "replace"): 3,
    ("internal_bushing", "replace"): 4,
    ("rotating_group", "overhaul"): 5,
    ("drive_pump", "replace"): 6,
}
PARENT = "drive_pump"
FAILED = ("worn", "broken")
EPISODE_HOURS, EPISODE_DAYS, ANSWER_DAYS, WINDOW_HOURS = 50.0, 14, 60, 500.0
# A reading is dropped when it is off the median of those around it by more than they can have gained.
MEDIAN_OF, MOST_OFF = 15, 200.0


class Watch:
    """Seconds by phase."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}

    @contextmanager
    def phase(self, name: str) -> Iterator[None]:
        began = time.perf_counter()
        yield
        self.seconds[name] = self.seconds.get(name, 0.0) + time.perf_counter() - began


def moments(text: pd.Series) -> pd.Series:
    """ISO 8601 as times, all of one resolution."""
    return pd.to_datetime(text, format="ISO8601").astype("datetime64[ns]")


def read(folder: Path) -> dict[str, pd.DataFrame]:
    """The files, machines numbered, times as times."""
    engine: Any = "pyarrow" if importlib.util.find_spec("pyarrow") else "c"
    times = {
        "meter_readings": ["read_at"],
        "meter_changes": ["changed_at"],
        "fault_codes": ["seen_at"],
        "work_orders": ["opened_at", "closed_at"],
        "work_lines": ["done_at"],
        "components": ["fitted_on"],
    }
    text = (
        "machine_id",
        "source",
        "side",
        "status",
        "description",
        "component",
        "action",
        "result",
        "finding",
    )
    frames = {}
    for kind, columns in times.items():
        frames[kind] = pd.read_csv(
            folder / f"{kind}.csv", engine=engine, dtype=dict.fromkeys(text, "category")
        )
        for column in columns:
            frames[kind][column] = moments(frames[kind][column])
    machines = pd.read_csv(folder / "machines.csv", dtype={"build_date": str})
    for column in ("acquired_on", "disposed_on"):
        machines[column] = moments(machines[column])
    machines["built"] = moments(machines["build_date"])
    machines["build_year"] = machines["built"].dt.year
    gone_before = machines["disposed_on"] < machines["acquired_on"]
    frames["machines"] = machines = machines[~gone_before].reset_index(drop=True)
    number = pd.Series(machines.index, index=machines["machine_id"])
    for frame in frames.values():
        if "machine_id" in frame:
            frame["machine"] = frame["machine_id"].map(number).astype("float64")
    return {
        kind: frame.dropna(subset="machine").astype({"machine": "int64"}) if "machine" in frame else frame
        for kind, frame in frames.items()
    }


def meters(readings: pd.DataFrame, changes: pd.DataFrame) -> pd.DataFrame:
    """Running hours by machine and time: meter changes undone, readings that fall or jump dropped."""
    kept = readings[["machine", "read_at", "hours"]].dropna().drop_duplicates(["machine", "read_at"])
    kept = kept.rename(columns={"read_at": "at"})
    changes = changes.sort_values("changed_at")
    carried = (changes["old_meter_hours"] - changes["new_meter_hours"]).groupby(changes["machine"]).cumsum()
    changes = pd.DataFrame({"machine": changes["machine"], "at": changes["changed_at"], "carried": carried})
    swapped = kept["machine"].isin(changes["machine"])
    fixed = pd.merge_asof(kept[swapped].sort_values("at"), changes, on="at", by="machine")
    fixed["hours"] += fixed["carried"].fillna(0.0)
    kept = pd.concat([kept[~swapped], fixed[["machine", "at", "hours"]]]).sort_values(["machine", "at"])
    middle = kept.groupby("machine")["hours"].rolling(MEDIAN_OF, center=True, min_periods=1).median()
    kept = kept[(kept["hours"] - middle.to_numpy()).abs() <= MOST_OFF]
    kept = kept[kept["hours"] >= kept.groupby("machine")["hours"].cummax()]
    return kept.sort_values("at").reset_index(drop=True)


def hours_at(events: pd.DataFrame, curve: pd.DataFrame) -> pd.DataFrame:
    """The events in order of time with the running hours of their machine, between readings in proportion."""
    events = events.sort_values("at").reset_index(drop=True)
    near = curve.rename(columns={"hours": "h"}).assign(t=curve["at"])
    before = pd.merge_asof(events[["at", "machine"]], near, on="at", by="machine")
    after = pd.merge_asof(events[["at", "machine"]], near, on="at", by="machine", direction="forward")
    share = ((events["at"] - before["t"]) / (after["t"] - before["t"])).fillna(0.0)
    between = before["h"] + share * (after["h"] - before["h"])
    return events.assign(hours=between.fillna(before["h"]).fillna(after["h"]))


def reports_of(codes: pd.DataFrame, curve: pd.DataFrame) -> pd.DataFrame:
    """Codes of the fault; one without a side takes that of its machine's code before or after it."""
    named = codes["description"].astype(str).str.contains("return to neutral", case=False)
    found = codes.loc[named, ["machine", "seen_at", "side"]].rename(columns={"seen_at": "at"})
    found = found.astype({"side": object}).sort_values(["machine", "at"])
    found["side"] = found.groupby("machine")["side"].ffill()
    found["side"] = found.groupby("machine")["side"].bfill()
    return hours_at(found.dropna(subset="side"), curve)


def steps_of(frames: dict[str, pd.DataFrame], curve: pd.DataFrame) -> pd.DataFrame:
    """Lines of work orders with machine, time and running hours."""
    lines = frames["work_lines"].drop_duplicates(["work_order_id", "line_no"])
    orders = frames["work_orders"].drop_duplicates("work_order_id")
    both = lines.merge(orders[["work_order_id", "machine", "opened_at", "closed_at"]], on="work_order_id")
    both["at"] = both["done_at"].fillna(both["closed_at"]).fillna(both["opened_at"])
    both = both.astype(dict.fromkeys(("component", "action", "side", "finding", "result"), object))
    return hours_at(both, curve)


def attempts_of(steps: pd.DataFrame, reports: pd.DataFrame) -> pd.DataFrame:
    """The most far-reaching repair of each visit that answers a code of the same machine and side."""
    rank = pd.MultiIndex.from_frame(steps[["component", "action"]]).map(CURES)
    cures = steps.assign(rank=np.asarray(rank, dtype=float)).dropna(subset="rank")
    told = reports[["at", "machine", "side"]].assign(seen=reports["at"])
    window = pd.Timedelta(days=ANSWER_DAYS)
    sideless = pd.merge_asof(
        cures.loc[cures["side"].isna()].drop(columns="side"), told, on="at", by="machine", tolerance=window
    )
    sided = pd.merge_asof(
        cures.dropna(subset="side"), told, on="at", by=["machine", "side"], tolerance=window
    )
    answers = pd.concat([sided, sideless]).dropna(subset="seen")
    answers = answers.sort_values(["rank", "at"]).drop_duplicates(
        ["machine", "side", "work_order_id"], keep="last"
    )
    return answers.sort_values("at").reset_index(drop=True)


def episodes_of(reports: pd.DataFrame, attempts: pd.DataFrame) -> pd.DataFrame:
    """First report of each episode: a new one begins after a gap in hours or days, or after a repair."""
    line = pd.concat(
        [reports.assign(repair=0), attempts[["machine", "side", "at", "hours"]].assign(repair=1)]
    )
    line = line.sort_values(["machine", "side", "at", "repair"])
    line["repairs"] = line.groupby(["machine", "side"])["repair"].cumsum()
    line = line[line["repair"] == 0]
    before = line.groupby(["machine", "side"])[["at", "hours", "repairs"]].shift()
    begins = (
        before["at"].isna()
        | (line["repairs"] > before["repairs"])
        | (line["hours"] - before["hours"] >= EPISODE_HOURS)
        | (line["at"] - before["at"] >= pd.Timedelta(days=EPISODE_DAYS))
    )
    return line[begins].sort_values("at")


Cleaned = tuple[pd.DataFrame, pd.DataFrame, pd.DataFrame, pd.DataFrame]
"""Running hours, lines of work, repair attempts and episodes."""


def cleaned(frames: dict[str, pd.DataFrame], watch: Watch) -> Cleaned:
    """All machines at once."""
    with watch.phase("meters"):
        curve = meters(frames["meter_readings"], frames["meter_changes"])
    with watch.phase("episodes"):
        reports = reports_of(frames["fault_codes"], curve)
        steps = steps_of(frames, curve)
        attempts = attempts_of(steps, reports)
        return curve, steps, attempts, episodes_of(reports, attempts)


def cleaned_by_machine(frames: dict[str, pd.DataFrame], watch: Watch) -> Cleaned:
    """The same, one machine after the other."""
    lines = frames["work_lines"].merge(
        frames["work_orders"][["work_order_id", "machine"]].drop_duplicates("work_order_id"),
        on="work_order_id",
    )
    whole = {kind: frames[kind] for kind in ("meter_readings", "meter_changes", "fault_codes", "work_orders")}
    parts = {
        kind: dict(iter(frame.groupby("machine"))) for kind, frame in {**whole, "work_lines": lines}.items()
    }
    nothing = {kind: frame.iloc[:0] for kind, frame in {**whole, "work_lines": lines}.items()}
    found: list[Cleaned] = []
    for machine in frames["machines"]["machine"]:
        own = {kind: parts[kind].get(machine, nothing[kind]) for kind in parts}
        own["work_lines"] = own["work_lines"].drop(columns="machine")
        if own["meter_readings"]["hours"].notna().any():
            found.append(cleaned(own, watch))
    curve, steps, attempts, episodes = (
        pd.concat([one[place] for one in found if len(one[place])]).sort_values("at").reset_index(drop=True)
        for place in range(4)
    )
    return curve, steps, attempts, episodes


def comebacks(attempts: pd.DataFrame, episodes: pd.DataFrame, last: pd.Series) -> list[dict[str, Any]]:
    """By repair: how often it was tried, and the share back within the window (lifelines, followed or not)."""
    back = episodes[["machine", "side", "at", "hours"]].rename(columns={"hours": "back_hours"})
    back = back.assign(back_at=back["at"])
    found = pd.merge_asof(
        attempts, back, on="at", by=["machine", "side"], direction="forward", allow_exact_matches=False
    ).sort_values(["machine", "side", "at"])
    following = found.groupby(["machine", "side"])[["at", "hours"]].shift(-1)
    returned = found["back_at"].notna() & (following["at"].isna() | (found["back_at"] <= following["at"]))
    until = found["back_hours"].where(returned, following["hours"].fillna(found["machine"].map(last)))
    held = (until - found["hours"]).clip(lower=0.0)
    failed = found["result"].eq("failed")
    held, returned = held.mask(failed, 0.0), returned | failed
    rows = []
    for (component, action), these in found.groupby(["component", "action"]):
        durations = held[these.index].clip(lower=0.05)
        fit = KaplanMeierFitter().fit(durations, returned[these.index])
        within = returned[these.index] & (held[these.index] <= WINDOW_HOURS)
        rows.append(
            {
                "component": component,
                "action": action,
                "attempts": len(these),
                "comebacks": int(within.sum()),
                "comeback_rate": float(1.0 - fit.predict(WINDOW_HOURS)),
            }
        )
    return rows


def lives_of(
    frames: dict[str, pd.DataFrame], steps: pd.DataFrame, curve: pd.DataFrame, part: str
) -> pd.DataFrame:
    """One row a life of the part: entry and end in hours of its age, whether it failed, and the build year."""
    machines = frames["machines"]
    places = machines[["machine", "built", "build_year"]].merge(pd.DataFrame({"side": SIDES}), how="cross")
    factory = places[["machine", "side"]].assign(at=places["built"], hours=0.0)
    listed = frames["components"].query("component in [@part, @PARENT]").copy()
    listed = listed.rename(columns={"fitted_on": "at", "fitted_hours": "hours"}).astype({"side": object})
    new = steps[steps["component"].isin([part, PARENT]) & steps["action"].isin(["replace", "overhaul"])]
    new = new.assign(failed=new["component"].eq(part) & new["side"].notna() & new["finding"].isin(FAILED))
    columns = ["machine", "side", "at", "hours", "failed"]
    fitted = pd.concat([listed.assign(failed=False), new])
    whole = fitted["component"].eq(PARENT) | fitted["side"].isna()
    both = fitted[whole].drop(columns="side").merge(pd.DataFrame({"side": SIDES}), how="cross")
    fits = pd.concat([factory.assign(failed=False), fitted[~whole][columns], both[columns]])
    fits = fits.dropna(subset=["at", "hours"]).sort_values(["machine", "side", "at"])
    gap = fits.groupby(["machine", "side"])["at"].diff()
    fits = fits[gap.isna() | (gap > pd.Timedelta(days=7))]
    after = fits.groupby(["machine", "side"])[["at", "hours", "failed"]].shift(-1)
    fits = fits.assign(end_at=after["at"], end=after["hours"], ended_failed=after["failed"].eq(True))

    # Found worn or broken without being replaced: the life ended there.
    seen = steps[steps["component"].eq(part) & steps["finding"].isin(FAILED)]
    seen = seen[~seen["action"].isin(["replace", "overhaul"])].dropna(subset="side")
    seen = seen[["machine", "side", "at", "hours"]].rename(columns={"hours": "seen_hours"})
    fits = pd.merge_asof(
        fits.sort_values("at"),
        seen.assign(seen_at=seen["at"]),
        on="at",
        by=["machine", "side"],
        direction="forward",
        allow_exact_matches=False,
    )
    found = fits["seen_at"].notna() & (fits["end_at"].isna() | (fits["seen_at"] < fits["end_at"]))
    fits["end"] = fits["end"].mask(found, fits["seen_hours"])
    fits["ended_failed"] |= found

    first_record = frames["meter_readings"]["read_at"].min()
    begins = machines.assign(at=machines["acquired_on"].clip(lower=first_record))[["machine", "at"]]
    begin = hours_at(begins, curve).set_index("machine")["hours"]
    last = curve.groupby("machine")["hours"].last()
    fits["entry"] = (fits["machine"].map(begin) - fits["hours"]).clip(lower=0.0)
    fits["age"] = fits["end"].fillna(fits["machine"].map(last)) - fits["hours"]
    fits = fits.merge(machines[["machine", "build_year"]], on="machine")
    return fits[fits["age"] > fits["entry"]]


def survival(lives: pd.DataFrame, age: float) -> list[dict[str, Any]]:
    """Kaplan–Meier of each build year; None where lifelines refuses the group."""
    rows = []
    for year, group in lives.groupby("build_year"):
        observed = group["age"], group["ended_failed"]
        try:
            fit = KaplanMeierFitter().fit(*observed, entry=group["entry"])
            at_age = float(fit.predict(age))
        except StatError:  # nobody, or only who failed, was at risk at some age: the library gives no curve
            at_age = None
        rows.append(
            {
                "build_year": int(year),
                "lives": len(group),
                "failures": int(group["ended_failed"].sum()),
                "survival": at_age,
            }
        )
    return rows


def main() -> None:
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("folder", type=Path)
    asked.add_argument("--part", default="internal_bushing")
    asked.add_argument("--age", type=float, default=4000.0)
    asked.add_argument("--way", choices=("columns", "machines"), default="columns")
    given = asked.parse_args()
    watch = Watch()
    with watch.phase("read"):
        frames = read(given.folder)
    clean = cleaned_by_machine if given.way == "machines" else cleaned
    curve, steps, attempts, episodes = clean(frames, watch)
    with watch.phase("survival"):
        by_year = survival(lives_of(frames, steps, curve, given.part), given.age)
    with watch.phase("comebacks"):
        by_action = comebacks(attempts, episodes, curve.groupby("machine")["hours"].last())
    found = {
        "machines": len(frames["machines"]),
        "readings": len(frames["meter_readings"]),
        "episodes": len(episodes),
        "age": given.age,
        "survival": by_year,
        "comebacks": by_action,
        "seconds": watch.seconds,
    }
    print(json.dumps(found, indent=1))


if __name__ == "__main__":
    main()
