"""Whatever the order and the pieces in which files come, the kept history is the one built at once."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import polars as pl
import pytest

from fleetlog.history import build_history, parts, refresh_history
from fleetlog.intake.suggestions import judge
from fleetlog.resources import folder
from fleetlog.session.fleet import Fleet, open_fleet
from fleetlog.settings import load_settings

DEMO = folder("demo_data")
DATED = {
    "meter_readings": "read_at",
    "meter_changes": "changed_at",
    "fault_codes": "seen_at",
    "work_orders": "opened_at",
    "measurements": "measured_at",
    "components": "fitted_on",
    "machines": "acquired_on",
}


def demo_tables(machines: list[str]) -> dict[str, pl.DataFrame]:
    """The demo's files as text, for some of its machines."""
    tables = {kind: pl.read_csv(DEMO / f"{kind}.csv", infer_schema=False) for kind in [*DATED, "work_lines"]}
    chosen = {
        k: t.filter(pl.col("machine_id").is_in(machines)) for k, t in tables.items() if k != "work_lines"
    }
    orders = chosen["work_orders"]["work_order_id"].implode()
    chosen["work_lines"] = tables["work_lines"].filter(pl.col("work_order_id").is_in(orders))
    return chosen


def piece_of(
    dice: np.random.Generator, kind: str, rows: pl.DataFrame, pieces: int, late: float
) -> np.ndarray:
    """In which of the pieces each row comes: by its date as a rule, some of them any time."""
    by_date = DATED.get(kind)
    if by_date is None:
        piece = dice.integers(0, pieces, rows.height)
    else:
        edges = [f"{year:.4f}" for year in np.linspace(2020, 2026.6, pieces + 1)[1:-1]]
        piece = np.searchsorted(np.array(edges), rows[by_date].fill_null("2000").to_numpy().astype(str))
    anywhere = dice.random(rows.height) < late
    return np.where(anywhere, dice.integers(0, pieces, rows.height), piece)


def correctable(
    kind: str, rows: pl.DataFrame, machines: list[str], dice: np.random.Generator
) -> pl.DataFrame:
    """A wrong earlier version of rows, as a yard would have typed it."""
    if kind == "work_orders":  # booked to another machine
        return rows.with_columns(machine_id=pl.Series(dice.choice(machines, rows.height), dtype=pl.String))
    if kind == "meter_readings":  # digits swapped
        return rows.with_columns(
            hours=pl.Series([f"{v:.1f}" for v in dice.uniform(0, 9000, rows.height)], dtype=pl.String)
        )
    if kind == "work_lines":
        return rows.with_columns(side=pl.lit("left"))
    return rows


def whole(fleet: Fleet, tables: tuple[str, ...]) -> dict[str, pl.DataFrame]:
    """Every history table, in an order that does not depend on how its rows came."""
    frames = {name: fleet.store.select(f"FROM {name}") for name in tables}
    return {name: frame.sort(frame.columns, nulls_last=True) for name, frame in frames.items()}


# Few readings at a time, so that a fleet this small is worked off in several parts.
@pytest.mark.parametrize(
    "readings_at_a_time",
    [
        pytest.param(500, marks=pytest.mark.slow),
        pytest.param(2500, marks=pytest.mark.slow),
        pytest.param(10_000_000, marks=pytest.mark.slow),
    ],
)
def test_pieces_in_any_order_give_the_history_built_at_once(
    tmp_path: Path, readings_at_a_time: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    dice = np.random.default_rng(readings_at_a_time)
    monkeypatch.setattr(parts, "READINGS_AT_A_TIME", readings_at_a_time)
    machines = pl.read_csv(DEMO / "machines.csv", infer_schema=False)["machine_id"].to_list()
    machines = sorted(dice.choice(machines, 27, replace=False).tolist())
    pieces = 5
    files: list[dict[str, pl.DataFrame]] = [{} for _ in range(pieces)]
    for kind, rows in demo_tables(machines).items():
        piece = piece_of(dice, kind, rows, pieces, late=float(dice.choice([0.0, 0.05, 1.0])))
        wrong = (dice.random(rows.height) < 0.03) & (piece > 0)
        for number in range(pieces):
            first = correctable(kind, rows.filter(wrong & (piece == number + 1)), machines, dice)
            files[number][kind] = pl.concat([first, rows.filter(piece == number)])
    settings = load_settings(DEMO / "fleetlog.toml")
    rebuilt = []
    with open_fleet(None, settings=settings) as fleet:
        for number, tables in enumerate(files):
            place = tmp_path / f"piece{number}"
            place.mkdir()
            for kind, rows in tables.items():
                if rows.height:
                    rows.write_csv(place / f"{kind}.csv")
            fleet.load([place])
            if number:
                judge_some(fleet, dice)
            kept = refresh_history(fleet.store, fleet.families, fleet.settings)
            rebuilt.append(kept.rebuilt)
            incremental = whole(fleet, kept.tables)
            at_once = build_history(fleet.store, fleet.families, fleet.settings, anew=True)
            assert set(kept.tables) == set(at_once.tables)
            for name, frame in whole(fleet, at_once.tables).items():
                assert frame.equals(incremental[name]), name
    assert rebuilt[0]


def judge_some(fleet: Fleet, dice: np.random.Generator) -> None:
    """Somebody accepts a suggestion and declines another, with no file loaded for it."""
    ids = fleet.store.select("SELECT suggestion_id FROM suggestion ORDER BY suggestion_id")[
        "suggestion_id"
    ].to_list()
    if len(ids) > 1:
        first, second = dice.choice(ids, 2, replace=False).tolist()
        judge(fleet.store, [first], accepted=True)
        judge(fleet.store, [second], accepted=False)


def test_only_touched_machines_are_built_again(tmp_path: Path) -> None:
    tables = demo_tables(
        pl.read_csv(DEMO / "machines.csv", infer_schema=False)["machine_id"].head(40).to_list()
    )
    first, later = tmp_path / "first", tmp_path / "later"
    for place in (first, later):
        place.mkdir()
    readings = tables["meter_readings"]
    one = readings["machine_id"][-1]
    forgotten = (pl.col("machine_id") == one) & (pl.int_range(pl.len()) < readings.height // 2)
    for kind, rows in tables.items():
        (rows.filter(~forgotten) if kind == "meter_readings" else rows).write_csv(first / f"{kind}.csv")
    readings.filter(forgotten).write_csv(later / "meter_readings.csv")
    with open_fleet(
        tmp_path / "fleetlog.duckdb", settings=load_settings(DEMO / "fleetlog.toml"), create=True
    ) as fleet:
        fleet.load([first])
        assert fleet.history().rebuilt == 40
    with open_fleet(tmp_path / "fleetlog.duckdb", settings=fleet.settings, writable=True) as fleet:
        assert fleet.history().rebuilt == 0
        fleet.load([later])
        assert fleet.history().rebuilt == 1
        assert fleet.refresh_history(rebuild=True).rebuilt == 40
    with open_fleet(tmp_path / "fleetlog.duckdb", settings=fleet.settings) as fleet:
        assert fleet.history().rebuilt == 0


def test_other_settings_build_it_all_again(tmp_path: Path) -> None:
    store = tmp_path / "fleetlog.duckdb"
    with open_fleet(store, create=True) as fleet:
        fleet.load([DEMO / "machines.csv", DEMO / "meter_readings.csv"])
    other = tmp_path / "other.toml"
    other.write_text("[meters]\nmax_hours_per_day = 20\n", encoding="utf-8")
    with open_fleet(store, settings=load_settings(other)) as fleet:
        assert fleet.history().rebuilt == fleet.store.table_rows()["machines"]


def test_an_interrupted_refresh_is_not_taken_for_a_history(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with open_fleet(None) as fleet:
        fleet.load([DEMO / "machines.csv", DEMO / "meter_readings.csv"])
        refresh_history(fleet.store, fleet.families, fleet.settings)
        fleet.load([DEMO / "fault_codes.csv"])

        def stop(*_: object, **__: object) -> None:
            raise KeyboardInterrupt

        with monkeypatch.context() as patch:
            patch.setattr(parts.Builder, "_build_part", stop)
            with pytest.raises(KeyboardInterrupt):
                refresh_history(fleet.store, fleet.families, fleet.settings)
        again = refresh_history(fleet.store, fleet.families, fleet.settings)
        assert again.rebuilt == fleet.store.table_rows()["machines"]
        assert fleet.store.execute("SELECT count(*) FROM fault_report")[0][0] > 0
