"""How the books of invented fleets are kept: never changing what happened, always the same for a seed."""

from __future__ import annotations

from collections import Counter
from datetime import date
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from fleetlog.errors import UsageError
from fleetlog.intake import load_paths
from fleetlog.session.fleet import intake_settings, open_fleet
from fleetlog.settings import load_settings
from fleetlog.simulation import FileForm, Window, records
from fleetlog.simulation.simulate import RecordKeeping, SimulatedFleet, simulate
from fleetlog.simulation.untidy import mistyped

BUSY = RecordKeeping(mess=0.05, routine=True)


def made(
    folder: Path, record_keeping: RecordKeeping = BUSY, machines: int = 150, seed: int = 3
) -> SimulatedFleet:
    return simulate(
        folder, machines=machines, years=4, seed=seed, reading_days=7, record_keeping=record_keeping
    )


def rows(fleet: SimulatedFleet, kind: str) -> Counter[str]:
    return Counter((fleet.files / f"{kind}.csv").read_text(encoding="utf-8").splitlines()[1:])


def table(fleet: SimulatedFleet, kind: str) -> pl.DataFrame:
    return pl.read_csv(fleet.files / f"{kind}.csv", infer_schema_length=None)


def test_untidy_books_tell_of_the_same_world_and_come_out_the_same_again(tmp_path: Path) -> None:
    neat = made(tmp_path / "neat", RecordKeeping())
    one, two = made(tmp_path / "one"), made(tmp_path / "two")
    for place in ("files", "truth"):
        for path in sorted((tmp_path / "one" / place).iterdir()):
            assert path.read_bytes() == (tmp_path / "two" / place / path.name).read_bytes(), path.name
    assert (neat.truth / "cases.csv").read_bytes() == (one.truth / "cases.csv").read_bytes()
    assert one.cases == two.cases == neat.cases


def test_pieces_make_the_same_files_as_one_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = made(tmp_path / "whole", RecordKeeping(routine=True))
    monkeypatch.setattr(records, "READINGS", 500)
    pieces = made(tmp_path / "pieces", RecordKeeping(routine=True))
    for path in whole.files.iterdir():
        assert path.read_bytes() == (pieces.files / path.name).read_bytes(), path.name


def test_two_windows_give_what_one_gives(tmp_path: Path) -> None:
    whole = made(tmp_path / "whole")
    old = made(
        tmp_path / "old", RecordKeeping(mess=0.05, routine=True, window=Window(last=date(2026, 5, 31)))
    )
    new = made(tmp_path / "new", RecordKeeping(mess=0.05, routine=True, window=Window(date(2026, 6, 1))))
    for kind in ("meter_readings", "meter_changes", "fault_codes", "work_orders", "work_lines", "components"):
        assert rows(old, kind) + rows(new, kind) == rows(whole, kind), kind
    for kind in ("meter_readings", "fault_codes", "work_orders", "work_lines"):
        assert rows(new, kind), kind
    assert table(old, "meter_readings")["read_at"].max() < "2026-06-01"  # type: ignore[operator]


def test_a_late_code_comes_with_the_month_after(tmp_path: Path) -> None:
    untidy = RecordKeeping(mess=0.5, routine=True, window=Window(date(2026, 6, 1)))
    month = made(tmp_path / "month", untidy, machines=400)
    early = table(month, "fault_codes").filter(pl.col("seen_at") < "2026-06-01")
    assert 0 < early.height < 0.3 * table(month, "fault_codes").height
    assert table(month, "meter_readings")["read_at"].min() >= "2026-06-01"  # type: ignore[operator]


def test_a_machine_sold_in_the_month_is_still_there_before_it(tmp_path: Path) -> None:
    month = Window(date(2026, 1, 1), date(2026, 6, 30))
    whole = made(tmp_path / "whole", RecordKeeping())
    old = table(made(tmp_path / "old", RecordKeeping(window=Window(last=date(2025, 12, 31)))), "machines")
    new = table(made(tmp_path / "new", RecordKeeping(window=month)), "machines")
    sold = table(whole, "machines").filter(pl.col("disposed_on") >= "2026-01-01")["machine_id"]
    assert sold.len()
    assert old.filter(pl.col("machine_id").is_in(sold))["disposed_on"].null_count() > 0
    assert old["disposed_on"].drop_nulls().max() < "2026-01-01"  # type: ignore[operator]
    assert set(sold) <= set(new["machine_id"])
    merged = pl.concat((old, new)).unique("machine_id", keep="last").sort("machine_id")
    assert merged.equals(table(whole, "machines").sort("machine_id"))


def test_a_store_grown_by_a_month_is_the_store_of_the_whole_time(tmp_path: Path) -> None:
    whole = made(tmp_path / "whole")
    old = made(
        tmp_path / "old", RecordKeeping(mess=0.05, routine=True, window=Window(last=date(2026, 5, 31)))
    )
    new = made(tmp_path / "new", RecordKeeping(mess=0.05, routine=True, window=Window(date(2026, 6, 1))))
    counts = []
    for name, parts in (("whole", [whole]), ("grown", [old, new])):
        with open_fleet(
            tmp_path / f"{name}.duckdb", settings=load_settings(whole.settings), create=True
        ) as fleet:
            for part in parts:
                load_paths(fleet.store, [part.files], settings=intake_settings(fleet.settings))
            kinds = ("machines", "meter_readings", "fault_codes", "work_orders", "work_lines")
            counts.append(
                [fleet.store.execute(f"SELECT COUNT(*), COUNT(DISTINCT HASH(COLUMNS(* EXCLUDE (file_id, row_no)))) FROM {kind}")[0] for kind in kinds]
            )  # fmt: skip
    assert counts[0] == counts[1]


def test_parquet_holds_what_csv_holds(tmp_path: Path) -> None:
    text = made(tmp_path / "text")
    packed = made(tmp_path / "packed", RecordKeeping(mess=0.05, routine=True, form=FileForm.PARQUET))
    assert sorted(path.stem for path in text.files.iterdir()) == sorted(
        path.stem for path in packed.files.iterdir()
    )
    assert not [path for path in (tmp_path / "packed").iterdir() if path.name not in ("files", "truth")]
    readings = pl.read_parquet(packed.files / "meter_readings.parquet")
    assert isinstance(readings.schema["read_at"], pl.Datetime)
    told = readings.with_columns(pl.col("read_at").dt.strftime("%Y-%m-%dT%H:%M:%S"))
    assert told.equals(table(text, "meter_readings"))
    with open_fleet(tmp_path / "store.duckdb", settings=load_settings(packed.settings), create=True) as fleet:
        result = load_paths(fleet.store, [packed.files], settings=intake_settings(fleet.settings))
        assert not [file for file in result.files if file.refused]


def test_as_many_records_are_untidy_as_asked_for(tmp_path: Path) -> None:
    neat = made(tmp_path / "neat", RecordKeeping(routine=True), machines=600)
    messy = made(tmp_path / "messy", machines=600)
    lines = table(messy, "work_lines").height
    for kind in ("meter_readings", "fault_codes", "work_orders", "work_lines"):
        was, now = rows(neat, kind), rows(messy, kind)
        # Rows that changed in wording; what only moved, came twice or came late shows in no row. Meters changed
        # change the hours of all later rows of a machine, so that readings, codes and orders show more.
        share = sum((was - now).values()) / sum(was.values())
        assert share > 0.01, kind
        if kind == "work_lines":
            assert share < 0.05 + 4 * np.sqrt(0.05 / lines)
    readings = table(messy, "meter_readings")
    assert readings["hours"].null_count()
    assert readings["source"].null_count()
    assert (readings["source"] == "manual").sum()
    assert readings.is_duplicated().any()
    assert table(messy, "meter_changes").height
    assert table(messy, "work_lines").select("work_order_id", "line_no").is_duplicated().any()
    again = table(neat, "meter_readings")
    order = again.with_columns(later=pl.col("read_at").shift(-1).over("machine_id") < pl.col("read_at"))
    assert not order["later"].any()
    order = readings.with_columns(later=pl.col("read_at").shift(-1).over("machine_id") < pl.col("read_at"))
    assert order["later"].any()


def test_a_changed_meter_goes_on_from_its_new_beginning(tmp_path: Path) -> None:
    messy = made(tmp_path / "messy", machines=600)
    neat = made(tmp_path / "neat", RecordKeeping(), machines=600)
    true = table(neat, "meter_readings").select("machine_id", "read_at", true="hours")
    both = table(messy, "meter_readings").join(true, on=["machine_id", "read_at"])
    changes = table(messy, "meter_changes").filter(pl.len().over("machine_id") == 1)
    after = both.join(changes, on="machine_id").filter(pl.col("read_at") > pl.col("changed_at"))
    off = (after["hours"] + after["old_meter_hours"] - after["new_meter_hours"] - after["true"]).abs()
    assert after.height > 100
    assert (off.drop_nulls() < 0.2).mean() > 0.85  # type: ignore[operator]


def test_routine_work_stays_out_of_the_fault(tmp_path: Path) -> None:
    plain = made(tmp_path / "plain", RecordKeeping())
    busy = made(tmp_path / "busy", RecordKeeping(routine=True))
    counts = []
    for name, one in (("plain", plain), ("busy", busy)):
        with open_fleet(
            tmp_path / f"{name}.duckdb", settings=load_settings(one.settings), create=True
        ) as fleet:
            result = load_paths(fleet.store, [one.files], settings=intake_settings(fleet.settings))
            assert not [file for file in result.files if file.refused]
            fleet.history()
            query = "SELECT fault, COUNT(*), SUM(attempts) FROM case_file GROUP BY fault ORDER BY fault"
            counts.append(fleet.store.execute(query))
    assert counts[0] == counts[1]
    assert table(busy, "fault_codes").height > 4 * table(plain, "fault_codes").height
    assert table(busy, "work_lines").height > 4 * table(plain, "work_lines").height


def test_hours_are_mistyped_as_hands_mistype_them() -> None:
    true = np.full(4000, 4721.3)
    typed = mistyped(np.random.default_rng(1), true)
    swapped = {7421.3, 4271.3, 4712.3, 4723.1}
    doubled = {47721.3, 47221.3, 47211.3, 47213.3}
    lost = {47213.0}
    assert set(np.round(typed, 1).tolist()) == swapped | doubled | lost


@pytest.mark.parametrize(
    ("record_keeping", "told"),
    [
        (RecordKeeping(mess=1.5), "mess"),
        (RecordKeeping(window=Window(date(2026, 2, 1), date(2026, 1, 1))), "no day"),
    ],
)
def test_books_that_cannot_be_kept_are_refused(
    record_keeping: RecordKeeping, told: str, tmp_path: Path
) -> None:
    with pytest.raises(UsageError, match=told):
        made(tmp_path, record_keeping)
