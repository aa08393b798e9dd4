"""An invented small yard, loaded and asked like any other: what charts and reports are tested with.

Most of its machines live by the laws of chance of `fleetlog simulate`; a few have stories that are set, and names
and notes that would run, were they let. Everything is invented.
"""

from __future__ import annotations

import pickle
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path

import polars as pl

from fleetlog.causes.unit import UnitFinding
from fleetlog.faults import DesignChange
from fleetlog.lives.incidence import IncidenceFinding, incidence
from fleetlog.lives.survival import SurvivalFinding, survival
from fleetlog.lives.trend import TrendFinding, trend
from fleetlog.reporting.findings import MethodText, ReportFindings
from fleetlog.reporting.gather import gather
from fleetlog.session.fleet import open_fleet
from fleetlog.simulation.options import Facts, FleetPlan, Make
from fleetlog.simulation.scripted import Story, Visit
from fleetlog.simulation.simulate import simulate

MONTH, UNTIL = date(2026, 10, 1), date(2026, 10, 31)
HOSTILE, FORMULA, PATH = "<script>alert(1)</script>", "=1+1", "../x"
SITE, NOTE = "<b>South & East</b>", "<i>not in neutral</i>"
LEFT, RIGHT = (521731, "DRV-17"), (521732, "DRV-18")
#: Three machines whose pumps all turn out worn in October, each after a sensor in vain: more than any forecast held.
WORN_OUT = ("SK-123", "SK-124", "SK-125")


def _facts(built: date, hours: float, yearly: float = 600.0, site: str = "North yard") -> Facts:
    return Facts(built, built, built, "Invented", "T-80", site, hours, yearly)


_FACTS = {
    "SK-104": _facts(date(2016, 4, 1), 4812.0),
    "SK-131": _facts(date(2020, 3, 1), 1000.0, 150.0),
    "SK-122": _facts(date(2016, 9, 1), 5100.0),
    HOSTILE: _facts(date(2019, 5, 1), 3900.0, site=SITE),
    FORMULA: _facts(date(2022, 3, 1), 1220.0, 250.0),
    PATH: _facts(date(2016, 3, 1), 5600.0),
    **{name: _facts(date(2017, 2, 1), 4400.0) for name in WORN_OUT},
}
_TRACKS = ("T-80", "compact_track_loader")
_WHEELS = ("S-60", "skid_steer_loader")
_PLAN = FleetPlan(
    names=(*_FACTS, *(f"SK-{number}" for number in range(201, 282))),
    sites=("North yard", SITE),
    built_years=(5.5, 1.0),
    makes=(Make("Invented", 1.0, (_TRACKS, _WHEELS), {"left": LEFT, "right": RIGHT}, "IN"),),
    changes=(DesignChange("internal_bushing", "improved", built_from=date(2020, 7, 1)),),
    manual=0.12,
    season=(0.6, 0.6, 0.9, 1.1, 1.2, 1.2, 1.2, 1.2, 1.1, 1.0, 0.9, 0.7),
    day_rates={"compact_track_loader": 310.0, "skid_steer_loader": 235.0},
    facts=_FACTS,
)


def _story(where: str, cause: str, onset: str, fmi: int, *visits: Visit, gap_hours: float = 7.0) -> Story:
    machine, side = where.rsplit(maxsplit=1)
    return Story(machine, side, cause, date.fromisoformat(onset), fmi, visits, gap_hours)


def _visit(after_days: int, *steps: str, back: float | None = None) -> Visit:
    return Visit(after_days, steps, back)


def _wandering(where: str, *readings: tuple[str, float]) -> tuple[Story, ...]:
    """Neutral voltages that wander without a code."""
    return tuple(
        _story(where, "", day, 0, _visit(0, f"measure_neutral_voltage {volts}", back=1.0))
        for day, volts in readings
    )


_LOOK, _SENSOR = "measure_neutral_voltage", "replace_sensor no_fault_found"
_BUSHING, _CALIBRATED, _OPENED = "internal_bushing", "calibrate_pump passed", "replace_bushing worn"
_STORIES = (
    _story(
        "SK-104 left",
        _BUSHING,
        "2026-07-03",
        7,
        _visit(2, f"{_LOOK} 2.03", _CALIBRATED, back=41.0),
        _visit(3, f"{_LOOK} 2.21", _SENSOR, back=55.0),
        _visit(4, "inspect_wiring passed", f"{_LOOK} 1.84", back=9.0),
        gap_hours=20.0,
    ),
    _story("SK-104 right", "calibration", "2025-11-03", 13, _visit(2, f"{_LOOK} 2.31", _CALIBRATED)),
    _story(
        "SK-131 right",
        _BUSHING,
        "2026-09-22",
        7,
        _visit(12, "inspect_wiring passed", _CALIBRATED, back=12.0),
    ),
    _story("SK-122 left", _BUSHING, "2026-08-20", 7, _visit(5, _CALIBRATED, back=30.0), _visit(30, _OPENED)),
    *(
        _story(f"{name} left", _BUSHING, "2026-10-02", 7, _visit(2, _SENSOR, back=8.0), _visit(3, _OPENED))
        for name in WORN_OUT
    ),
    _story(f"{HOSTILE} left", "wiring", "2026-10-12", 5, _visit(2, f"{_LOOK} 0.04", back=3.0)),
    *_wandering("SK-104 right", ("2026-02-02", 2.05)),
    *_wandering(f"{FORMULA} right", ("2026-04-01", 2.14), ("2026-06-08", 1.86), ("2026-08-06", 2.17)),
    _story(f"{FORMULA} right", "calibration", "2026-10-20", 13),
    *_wandering(f"{PATH} left", ("2026-04-01", 2.14), ("2026-07-08", 1.86), ("2026-10-06", 2.17)),
)

_SETTINGS = f"""
[fleet]
name = "Hollow Lane Yard & Sons"

[costs]
labour_rate = 95.0

[shop]
weekly_hours = 14.0

[[faults.neutral-return.codes]]
spn = {LEFT[0]}
side = "left"

[[faults.neutral-return.codes]]
spn = {RIGHT[0]}
side = "right"

"""

#: What no simulation writes: readings that cannot be true, a row to reject, one that waits for its machine.
_READINGS = (
    ("SK-104", "2026-03-01T12:00:00", "4790.0"),
    ("SK-104", "2026-05-01T12:00:00", "4250.0"),
    ("SK-201", "2026-05-01T12:00:00", "n/a"),
    ("SK-999", "2026-05-01T12:00:00", "12"),
)

_METHOD = MethodText(
    "survival",
    "Survival by age",
    "How long parts last.",
    "## Formula\n\n    S(h) = product of (1 - d / n)\n\n- *running* hours <b>not bold</b>\n",
)


@dataclass(frozen=True)
class HollowLane:
    """What the yard answers as of the end of October 2026.

    Attributes:
        files: what it handed over, name -> CSV.
        month: everything of the month's report; its one method text is ours, with markup in it.
        pooled: lives of internal bushings, all as one group.
        by_books: the same by build year, endings as the books say.
        incidence: how internal bushings end, by variant.
        trend: whether faults come faster with age.
    """

    files: dict[str, Path]
    month: ReportFindings
    pooled: SurvivalFinding
    by_books: SurvivalFinding
    incidence: IncidenceFinding
    trend: TrendFinding

    def unit(self, machine_id: str = "SK-104") -> UnitFinding:
        """The story of one of the machines that have a page."""
        return next(unit for unit in self.month.units if unit.machine["machine_id"] == machine_id)

    def table(self, name: str) -> pl.DataFrame:
        """A table as the yard handed it over, all of it as text."""
        return pl.read_csv(self.files[name], infer_schema=False)


def make(place: Path, seed: int = 4) -> None:
    """Writes the yard's files, its store and, pickled, what it answers."""
    machines = len(_PLAN.names)
    yard = simulate(
        place / "yard", machines=machines, years=5.0, seed=seed, until=UNTIL, plan=_PLAN, stories=_STORIES
    )
    files = {path.stem: path for path in sorted(yard.files.glob("*.csv"))}
    _spoil(files)
    (place / "fleetlog.toml").write_text(_SETTINGS + yard.settings.read_text(encoding="utf-8"))
    store = place / "fleetlog.duckdb"
    with open_fleet(store, create=True) as fleet:
        fleet.load(list(files.values()))
    with open_fleet(store) as fleet:
        answers = HollowLane(
            files=files,
            month=replace(gather(fleet, MONTH), methods=(_METHOD,)),
            pooled=survival(fleet, component="internal_bushing"),
            by_books=survival(fleet, component="internal_bushing", by="build_year", endings="recorded"),
            incidence=incidence(fleet, component="internal_bushing", by="variant"),
            trend=trend(fleet),
        )
    (place / "answers.pickle").write_bytes(pickle.dumps(answers))


def read(place: Path) -> HollowLane:
    """What `make` left there."""
    answers: HollowLane = pickle.loads((place / "answers.pickle").read_bytes())
    return answers


def _spoil(files: dict[str, Path]) -> None:
    """Adds false readings, loses the build date of one machine, and puts hostile words where people write."""
    readings = pl.read_csv(files["meter_readings"], infer_schema=False)
    false = pl.DataFrame(_READINGS, schema=["machine_id", "read_at", "hours"], orient="row")
    pl.concat((readings, false.with_columns(source=pl.lit("manual"))), how="diagonal").write_csv(
        files["meter_readings"]
    )
    machine = pl.col("machine_id")
    build_date = pl.when(machine != _PLAN.names[-1]).then("build_date")
    description = pl.when(machine == HOSTILE).then(pl.lit(NOTE)).otherwise("description")
    for name, changed in (
        ("machines", {"build_date": build_date}),
        ("fault_codes", {"description": description}),
        ("work_lines", {"note": pl.lit(HOSTILE)}),
    ):
        pl.read_csv(files[name], infer_schema=False).with_columns(**changed).write_csv(files[name])
