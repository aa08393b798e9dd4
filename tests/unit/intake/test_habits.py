"""How a file writes dates and numbers is found out from the whole of it; single rows that break it fail."""

from __future__ import annotations

from datetime import datetime

import pytest

from fleetlog.intake import rejected_frame, waiting_frame
from fleetlog.store import Store

from .conftest import Load

READINGS = "machine_id,read_at,hours\n"


def rows(store: Store) -> list[tuple[str, float]]:
    found = store.execute("SELECT read_at, hours FROM meter_readings ORDER BY row_no")
    return [(f"{moment:%Y-%m-%d}", hours) for moment, hours in found]


def test_the_clear_majority_tells_the_order(load: Load, store: Store) -> None:
    days = "".join(f"A,{13 + i}/02/2023,{i}\n" for i in range(9))
    result = load(READINGS + days + "A,02/25/2023,50\nA,03/04/2023,60\n")
    assert "dates with the day first" in result.notes
    assert (result.waiting, result.rejected) == (10, 1)
    assert rows(store)[-1] == ("2023-04-03", 60)
    (row,) = rejected_frame(store).to_dicts()
    assert row["reason"] == "read_at '02/25/2023' is not in the calendar with the day first; correct it"


def test_without_a_clear_majority_nothing_is_turned(load: Load) -> None:
    text = READINGS + "A,13/02/2023,1\nA,14/02/2023,2\nA,02/25/2023,3\nA,03/04/2023,4\n"
    assert load(text).rejected == 4


@pytest.mark.parametrize(
    ("dates", "read"),
    [
        (("31/01/23", "28.02.23", "05-03-23"), ("2023-01-31", "2023-02-28", "2023-03-05")),
        (("12/31/22", "01/02/23", "1/3/23 14:30"), ("2022-12-31", "2023-01-02", "2023-01-03")),
        # Years may come first, or nothing tells: no row is read.
        (("23-01-12", "23-02-11", "23-03-10"), ()),
        (("23-01-29", "24-02-11"), ()),
        (("01/02/23", "03/04/23"), ()),
    ],
)
def test_years_of_two_digits(dates: tuple[str, ...], read: tuple[str, ...], load: Load, store: Store) -> None:
    result = load(READINGS + "".join(f"A,{text},{i}\n" for i, text in enumerate(dates)))
    assert tuple(day for day, _ in rows(store)) == read
    assert result.rejected == len(dates) - len(read)


@pytest.mark.parametrize(
    ("cells", "read"),
    [
        (("1.234", "2.345"), ()),
        (("1.234", "2.345,5"), (1234, 2345.5)),
        (("1.234", "250.5"), (1.234, 250.5)),
        (("1234", "12"), (1234, 12)),
        (("1.250 h", "13,5 Std."), (1250, 13.5)),
    ],
)
def test_points_in_a_file_with_semicolons(
    cells: tuple[str, ...], read: tuple[float, ...], load: Load, store: Store
) -> None:
    text = "machine_id;read_at;hours\n" + "".join(f"A;2023-01-0{i};{c}\n" for i, c in enumerate(cells, 1))
    load(text)
    assert tuple(hours for _, hours in rows(store)) == read
    if not read:
        reasons = set(rejected_frame(store)["reason"])
        assert "hours '1.234' may mean thousands or decimals; write it without the point" in reasons


@pytest.mark.parametrize(
    ("cell", "hours"),
    [("1250 h", 1250), ("1250.5hrs", 1250.5), ("1 250 heures", 1250), ("1250:30", 1250.5), ("12 Std.", 12)],
)
def test_hours_with_their_unit(cell: str, hours: float, load: Load, store: Store) -> None:
    assert load(READINGS + f"A,2023-01-01,{cell}\n").rejected == 0
    assert rows(store) == [("2023-01-01", hours)]


@pytest.mark.parametrize("cell", ["#REF!", "#N/A", "#WERT!"])
def test_a_formula_that_failed_is_named(cell: str, load: Load, store: Store) -> None:
    load(f"machine_id,make,build_date\nA,{cell},2019\nB,x,{cell}\n")
    assert [row["column"] for row in rejected_frame(store).to_dicts()] == ["make", "build_date"]
    assert all("is the error of a formula" in reason for reason in rejected_frame(store)["reason"])


def test_machines_that_look_like_one_on_the_list_wait(load: Load, store: Store) -> None:
    load("machine_id\n37\nL01\nM01\n")
    text = "".join(f"{machine},2023-01-01,1\n" for machine in ("0037", "37", "m37", "1", "l-01", "L2"))
    result = load(READINGS + text)
    assert (result.new, result.waiting) == (1, 5)
    said = "machines that are not on the list: '0037' looks like '37', 'l-01' looks like 'L01', 'm37' looks like '37'"
    assert said in result.notes
    second = load("machine_id\n0037\nN1\n", "second.csv")
    assert "machines that may stand on the list twice: '0037' looks like '37'" in second.notes
    told = [reason.partition("; looks like ")[2][:4] for reason in waiting_frame(store)["reason"]]
    assert told == ["", "", "'L01", ""]


def test_a_code_without_a_failure_mode_is_taken(load: Load, store: Store) -> None:
    load(
        "machine_id,seen_at,spn,description\nA,2023-01-01,521234,pump feedback\nA,2023-01-02,521234/7,\nA,2023-01-03,521234,\n"
    )
    found = store.execute("SELECT seen_at, spn, fmi FROM fault_codes ORDER BY seen_at")
    assert found == [(datetime(2023, 1, 1), 521234, None), (datetime(2023, 1, 2), 521234, 7)]
    load("machine_id,seen_at,code\nB,2023-01-01,521234/7\nB,2023-01-02,SPN 521234 pump\n", "b.csv")
    found = store.execute("SELECT spn, fmi FROM fault_codes WHERE machine_id = 'B' ORDER BY seen_at")
    assert found == [(521234, 7), (521234, None)]
