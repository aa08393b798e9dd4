"""How text becomes values: times, dates, numbers, words; and the sentence when it does not."""

from __future__ import annotations

from datetime import date, datetime, timedelta

import pytest

from fleetlog.errors import UsageError
from fleetlog.intake import PlainSettings, merge, rejected_frame
from fleetlog.store import Store

from .conftest import Load

READINGS = "machine_id,read_at,hours\n"
DENVER = PlainSettings("America/Denver")


def reason(store: Store) -> str:
    """The reason of the only rejected row."""
    (row,) = rejected_frame(store).to_dicts()
    return str(row["reason"])


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("2024-07-01T10:00:00Z", datetime(2024, 7, 1, 10)),
        ("2024-07-01T10:00:00+02:00", datetime(2024, 7, 1, 8)),
        ("2024-07-01 10:00:00-0600", datetime(2024, 7, 1, 16)),
        ("2024-07-01T10:00+02", datetime(2024, 7, 1, 8)),
        ("2024-07-01T10:00:00.250Z", datetime(2024, 7, 1, 10, 0, 0, 250_000)),
        # Without a zone: the fleet's, six hours behind UTC in summer, seven in winter.
        ("2024-07-01T10:00", datetime(2024, 7, 1, 16)),
        ("2024-01-01 10:00:00", datetime(2024, 1, 1, 17)),
        ("2024-01-01", datetime(2024, 1, 1, 7)),
    ],
)
def test_times(text: str, utc: datetime, load: Load, store: Store) -> None:
    load(READINGS + f"A,{text},1\n", settings=DENVER)
    assert store.execute("SELECT read_at FROM meter_readings") == [(utc,)]


def test_a_bare_date_at_the_end_of_something_is_the_end_of_that_day(load: Load, store: Store) -> None:
    load("machine_id,out_at,in_at\nA,2024-07-01,2024-07-03\nA,2024-07-05,2024-07-05T12:00\n", settings=DENVER)
    assert store.execute("SELECT out_at, in_at FROM rentals ORDER BY row_no") == [
        (datetime(2024, 7, 1, 6), datetime(2024, 7, 4, 5, 59, 59)),
        (datetime(2024, 7, 5, 6), datetime(2024, 7, 5, 18)),
    ]


def test_a_zone_that_does_not_exist(load: Load) -> None:
    with pytest.raises(UsageError, match="'Mars/Crater' is no time zone"):
        load("machine_id\nA\n", settings=PlainSettings("Mars/Crater"))


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("05/06/24", "read_at '05/06/24' may have the day or the month first; write it as YYYY-MM-DD or"),
        ("1.7.2024", "read_at '1.7.2024' may have the day or the month first; write it as YYYY-MM-DD or"),
        ("31/31/2024", "read_at '31/31/2024' "),
        ("45296", "is not an ISO 8601 date"),
        ("2024-07-01T10:00:00z", "is not an ISO 8601 date"),
        ("yesterday", "is not an ISO 8601 date"),
        ("infinity", "is not an ISO 8601 date"),
        ("2024-02-30", "read_at '2024-02-30' is not in the calendar; correct it"),
        ("2024-13-01T10:00", "is not in the calendar"),
        ("2024-07-01T25:00", "is not in the calendar"),
        ("2026-06-03", "read_at '2026-06-03' lies in the future; correct the date"),
        ("9999-12-31", "lies in the future"),
        ("1899-12-30", "read_at '1899-12-30' lies before 1950; correct the date"),
        ("0001-01-01", "lies before 1950"),
        ("", "read_at is empty; fill it in"),
        ("   ", "read_at is empty; fill it in"),
    ],
)
@pytest.mark.parametrize("settings", [PlainSettings(), DENVER], ids=["utc", "denver"])
def test_times_that_are_none(text: str, said: str, settings: PlainSettings, load: Load, store: Store) -> None:
    result = load(READINGS + f"A,{text},1\nA,2024-01-01,1\nA,2024-01-02,1\n", settings=settings)
    assert (result.rejected, result.waiting) == (1, 2)
    assert said in reason(store)
    (row,) = rejected_frame(store).to_dicts()
    assert (row["column"], row["value"], row["row_no"]) == ("read_at", text.strip() or None, 1)


def test_tomorrow_is_not_yet_the_future(load: Load) -> None:
    # Now is 2026-06-01 12:00 UTC; a clock may run ahead, and another zone may have the next day.
    assert load(READINGS + "A,2026-06-02T11:59,1\n").waiting == 1


@pytest.mark.parametrize(
    ("text", "stored"),
    [
        ("12/2017", "2017-12"),
        ("3.2017", "2017-03"),
        ("2017", "2017"),
        ("2017-12", "2017-12"),
        ("2017-12-31", "2017-12-31"),
        ("2017-12-31 00:00:00", "2017-12-31"),
    ],
)
def test_partial_dates_keep_their_precision(text: str, stored: str, load: Load, store: Store) -> None:
    assert load(f"machine_id,build_date\nA,{text}\n").new == 1
    assert store.execute("SELECT build_date FROM machines") == [(stored,)]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("12/17", "build_date '12/17' is not an ISO 8601 date; write it as YYYY, YYYY-MM or YYYY-MM-DD"),
        ("2017-13", "build_date '2017-13' is not in the calendar"),
        ("2027", "build_date '2027' lies in the future"),
        ("2026-07", "lies in the future"),
        ("1949", "build_date '1949' lies before 1950"),
        ("17", "is not an ISO 8601 date"),
    ],
)
def test_partial_dates_that_are_none(text: str, said: str, load: Load, store: Store) -> None:
    assert load(f"machine_id,build_date\nA,{text}\n").rejected == 1
    assert said in reason(store)


def test_a_date_with_a_time_is_its_day(load: Load, store: Store) -> None:
    load("machine_id,acquired_on\nA,2020-03-01 00:00:00\nB,2020-03-01T23:00:00-06:00\n")
    assert store.execute("SELECT acquired_on FROM machines") == [(date(2020, 3, 1),)] * 2


@pytest.mark.parametrize(
    ("text", "hours"),
    [
        ("12.5", 12.5),
        ("0", 0.0),
        (" 12 ", 12.0),
        ("1e3", 1000.0),
        ("+5", 5.0),
        ("\u00a012.5\u00a0", 12.5),
        ("7.", 7.0),
    ],
)
def test_numbers(text: str, hours: float, load: Load, store: Store) -> None:
    assert load(READINGS + f"A,2024-01-01,{text}\n").waiting == 1
    assert store.execute("SELECT hours FROM meter_readings") == [(hours,)]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("-1", "hours '-1' lies outside 0 to 100000; correct it"),
        ("1e9", "hours '1e9' lies outside 0 to 100000; correct it"),
        ("inf", "lies outside 0 to 100000"),
        ("nan", "lies outside 0 to 100000"),
        ("n/a", "hours 'n/a' is not a number; write one such as 1234.5"),
        ("12 km", "is not a number"),
        ("1O5", "is not a number"),
        ("0x1F", "is not a number"),
        ("", "hours is empty; fill it in"),
    ],
)
def test_numbers_that_are_none(text: str, said: str, load: Load, store: Store) -> None:
    assert load(READINGS + f"A,2024-01-01,{text}\n").rejected == 1
    assert said in reason(store)


def test_infinite_values_are_no_numbers_where_there_is_no_limit(load: Load) -> None:
    rows = "A,2024-01-01,v,inf,V\nA,2024-01-02,v,nan,V\nA,2024-01-03,v,1e400,V\nA,2024-01-04,v,-2.5,V\n"
    result = load("machine_id,measured_at,quantity,value,unit\n" + rows)
    assert (result.rejected, result.waiting) == (3, 1)


@pytest.mark.parametrize(
    ("text", "ok"), [("7", True), ("7.0", True), ("7.5", False), ("-1", False), ("32", False)]
)
def test_whole_numbers(text: str, ok: bool, load: Load, store: Store) -> None:
    result = load(f"machine_id,seen_at,spn,fmi\nA,2024-01-01,100,{text}\n")
    assert (result.waiting, result.rejected) == ((1, 0) if ok else (0, 1))
    if not ok:
        assert f"fmi '{text}' " in reason(store)


class TestDecimalSign:
    """One file, one decimal sign, found by counting; what can be read two ways is asked for."""

    def hours(self, store: Store) -> list[float]:
        return [row[0] for row in store.execute("SELECT hours FROM meter_readings ORDER BY row_no")]

    def test_a_comma_in_a_semicolon_file(self, load: Load, store: Store) -> None:
        result = load("machine_id;read_at;hours\nA;2024-01-01;12,5\nA;2024-01-02;1.234,5\nA;2024-01-03;13\n")
        assert result.waiting == 3
        assert "decimal comma" in result.notes
        assert self.hours(store) == [12.5, 1234.5, 13.0]

    def test_a_comma_in_quotation_marks(self, load: Load, store: Store) -> None:
        result = load(READINGS + 'A,2024-01-01,"12,5"\nA,2024-01-02,"13,75"\n')
        assert "decimal comma" in result.notes
        assert self.hours(store) == [12.5, 13.75]

    def test_a_single_comma_among_points_is_rejected(self, load: Load, store: Store) -> None:
        result = load(READINGS + 'A,2024-01-01,12.5\nA,2024-01-02,13.5\nA,2024-01-03,"14,5"\n')
        assert (result.waiting, result.rejected) == (2, 1)
        assert "hours '14,5' has a decimal comma where the file has decimal points" in reason(store)

    def test_a_single_point_among_commas_is_rejected(self, load: Load, store: Store) -> None:
        result = load("machine_id;read_at;hours\nA;2024-01-01;12,5\nA;2024-01-02;13,5\nA;2024-01-03;14.5\n")
        assert (result.waiting, result.rejected) == (2, 1)
        assert "hours '14.5' has a decimal point where the file has decimal commas" in reason(store)

    def test_thousands_in_groups(self, load: Load, store: Store) -> None:
        load(READINGS + 'A,2024-01-01,12.5\nA,2024-01-02,"1,234"\nA,2024-01-03,"2,345.5"\n')
        assert self.hours(store) == [12.5, 1234.0, 2345.5]

    def test_a_comma_that_may_mean_either_is_not_guessed(self, load: Load, store: Store) -> None:
        result = load(READINGS + 'A,2024-01-01,"1,234"\nA,2024-01-02,12\n')
        assert (result.waiting, result.rejected) == (1, 1)
        assert "hours '1,234' may mean thousands or decimals; write it without the comma" in reason(store)


@pytest.mark.parametrize(
    ("text", "stored"),
    [
        ("left", "left"),
        ("LEFT", "left"),
        (" Left ", "left"),
        ("", None),
    ],
)
def test_words_of_a_side(text: str, stored: str | None, load: Load, store: Store) -> None:
    load(f"work_order_id,line_no,side\nW,1,{text}\n")
    assert store.execute("SELECT side FROM work_lines") == [(stored,)]


@pytest.mark.parametrize("text", ["no_fault_found", "No Fault Found", "no-fault found", "NOFAULTFOUND"])
def test_words_of_a_finding(text: str, load: Load, store: Store) -> None:
    load(f"work_order_id,line_no,finding\nW,1,{text}\n")
    assert store.execute("SELECT finding FROM work_lines") == [("no_fault_found",)]


def test_a_word_that_is_not_known_and_then_is(load: Load, store: Store) -> None:
    """Another try with the word in the settings loads the row and settles the rejection."""
    text = "work_order_id,line_no,action\nW,1,inspect\nW,2,re-torque\n"
    first = load(text)
    assert (first.waiting, first.rejected) == (1, 1)
    assert "action 're-torque' is not a known word; write one of inspect, test, adjust" in reason(store)
    assert "or add the word to the settings" in reason(store)
    again = load(text, settings=PlainSettings(words={"action": ["retorque"]}))
    assert (again.known, again.waiting, again.rejected) == (1, 1, 0)
    assert store.execute("SELECT action FROM work_lines ORDER BY line_no") == [("inspect",), ("retorque",)]
    assert rejected_frame(store).is_empty()


def test_at_least_one_identity_of_a_fault_code(load: Load, store: Store) -> None:
    result = load(
        "machine_id,seen_at,spn,fmi,code\nA,2024-01-01,100,,\nA,2024-01-01,100,,E1\nA,2024-01-01,100,3,\n"
    )
    assert (result.rejected, result.waiting) == (1, 2)
    assert (
        "the row gives neither spn and fmi, nor code, nor spn and description; fill in at least one of them"
        in reason(store)
    )


def test_what_cannot_come_before(load: Load, store: Store) -> None:
    load(
        "work_order_id,machine_id,opened_at,closed_at\nW1,A,2024-05-02,2024-05-01\nW2,A,2024-05-02,2024-05-02\n"
    )
    assert reason(store) == "closed_at '2024-05-01' lies before opened_at '2024-05-02'; correct one of them"


def test_every_reason_of_a_row_is_told(load: Load, store: Store) -> None:
    load("machine_id,read_at,hours\n,01/02/24,x\n")
    told = reason(store)
    assert "machine_id is empty" in told
    assert "read_at '01/02/24' may have the day or the month first" in told
    assert "hours 'x' is not a number" in told
    raw = store.execute("SELECT raw, column_name FROM rejected_row")
    assert raw == [('{"machine_id":null,"read_at":"01/02/24","hours":"x"}', "machine_id")]


def test_text_is_trimmed_and_otherwise_left_alone(load: Load, store: Store) -> None:
    load('machine_id,make,model\n"  A 1 ","Ma""rram",\' x\n a 1,M,\n')
    assert store.execute("SELECT machine_id, make, model FROM machines ORDER BY row_no") == [
        ("A 1", 'Ma"rram', "' x"),
        ("a 1", "M", None),
    ]


def test_rows_keep_their_numbers_when_some_are_judged_again(load: Load, store: Store) -> None:
    """Several of the engine's blocks of rows, with dates of another form here and there."""
    rows = 260_000
    begin = datetime(2020, 1, 1)
    moments = [begin + timedelta(minutes=5 * i) for i in range(rows)]
    dates = [f"{m:%d.%m.%Y %H:%M}" if i % 97 == 5 else f"{m:%Y-%m-%d %H:%M}" for i, m in enumerate(moments)]
    result = load(
        "machine_id,read_at,hours\n" + "".join(f"A,{d},{(i + 1) / 10}\n" for i, d in enumerate(dates))
    )
    assert result.rejected == 0
    found = store.execute("SELECT count(*), count(*) FILTER (row_no = round(hours * 10)) FROM meter_readings")
    assert found == [(rows, rows)]
    late = store.execute(
        "SELECT read_at FROM meter_readings WHERE row_no IN (6, 103, 259772) ORDER BY row_no"
    )
    assert [at for (at,) in late] == [moments[5], moments[102], moments[259_771]]


@pytest.mark.parametrize(
    "complaint", ["stuck", '"stuck,\nleft"']
)  # the engine's own reading, and the careful one
def test_a_few_rows_of_other_dates(complaint: str, load: Load, store: Store) -> None:
    """Judged again by themselves: what they say, what is still wrong with one, and where it stands."""
    opened = ["2024-03-02"] * 30
    opened[7], opened[19], opened[24] = "5.3.2024", "31.12.2023", "32.12.2023"
    text = "work_order_id,machine_id,opened_at,complaint\n"
    text += "".join(f"W{i},A,{day},{complaint}\n" for i, day in enumerate(opened))
    result = load(text)
    assert (result.waiting, result.rejected) == (29, 1)
    assert [n for n in result.notes if n.startswith("dates")] == ["dates with the day first"]
    rows = store.execute(
        "SELECT work_order_id, row_no, opened_at FROM work_orders WHERE opened_at <> '2024-03-02' ORDER BY row_no"
    )
    assert rows == [("W7", 8, datetime(2024, 3, 5)), ("W19", 20, datetime(2023, 12, 31))]
    assert "32.12.2023" in reason(store)
    assert rejected_frame(store)["row_no"].to_list() == [25]


def test_keys_that_come_twice_are_found_part_by_part(
    load: Load, store: Store, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A file with more keys than are looked at in one go: known, corrected and new rows as in any other."""
    monkeypatch.setattr(merge, "_HASHES_AT_ONCE", 4)
    rows = [f"A,2024-01-{day:02},{day}" for day in range(1, 21)]
    load("machine_id\nA\n")
    result = load(READINGS + "\n".join([*rows, rows[4], "A,2024-01-09,9.5", rows[17]]) + "\n")
    assert (result.new, result.known, result.corrected) == (20, 2, 1)
    changed = store.execute("SELECT hours FROM meter_readings WHERE hours <> floor(hours)")
    assert changed == [(9.5,)]


class TestDateOrder:
    """Day or month first: shown by the file itself, or said by the user, never guessed."""

    def times(self, store: Store) -> list[datetime]:
        return [row[0] for row in store.execute("SELECT read_at FROM meter_readings ORDER BY row_no")]

    @pytest.mark.parametrize(
        ("rows", "note", "times"),
        [
            (["05/06/2024", "31/12/2023"], "dates with the day first", [(2024, 6, 5), (2023, 12, 31)]),
            (["05/06/2024", "12/31/2023"], "dates with the month first", [(2024, 5, 6), (2023, 12, 31)]),
            (["5.6.2024", "31.12.2023"], "dates with the day first", [(2024, 6, 5), (2023, 12, 31)]),
            (
                ["05-06-2024 13:05", "31-12-2023 1:05 PM"],
                "dates with the day first",
                [(2024, 6, 5, 13, 5), (2023, 12, 31, 13, 5)],
            ),
            (["05/05/2024", "2023-12-31"], "dates with the day first", [(2024, 5, 5), (2023, 12, 31)]),
            (["2024/06/05", "2023/12/31 07:30:15"], None, [(2024, 6, 5), (2023, 12, 31, 7, 30, 15)]),
            (["2024-06-05 10:00 PM", "2024-06-05 12:30 AM"], None, [(2024, 6, 5, 22), (2024, 6, 5, 0, 30)]),
            (["5-Jun-2024", "Dec 31, 2023"], None, [(2024, 6, 5), (2023, 12, 31)]),
            (["20240605", "2024-6-5"], None, [(2024, 6, 5), (2024, 6, 5)]),
        ],
    )
    def test_found_out_from_the_file(
        self, rows: list[str], note: str | None, times: list[tuple[int, ...]], load: Load, store: Store
    ) -> None:
        result = load("machine_id;read_at;hours\n" + "".join(f"M{i};{row};1\n" for i, row in enumerate(rows)))
        assert (result.waiting, result.rejected) == (2, 0)
        assert [n for n in result.notes if n.startswith("dates")] == ([note] if note else [])
        assert self.times(store) == [datetime(*parts) for parts in times]  # type: ignore[arg-type]

    def test_asked_for_when_the_file_does_not_show_it(self, load: Load, store: Store) -> None:
        text = READINGS + "A,05/06/2024,1\nA,07/06/2024,2\n"
        refused = load(text).refused
        assert refused is not None
        assert "has dates such as '05/06/2024' whose day and month cannot be told apart" in refused
        assert "--date-order day or --date-order month." in refused
        assert load(text, date_order="month").waiting == 2
        assert self.times(store) == [datetime(2024, 5, 6), datetime(2024, 7, 6)]

    def test_a_stray_one_among_iso_dates_is_rejected_and_can_be_settled(
        self, load: Load, store: Store
    ) -> None:
        text = READINGS + "A,2024-01-01,1\nA,2024-01-02,1\nA,05/06/2024,1\n"
        assert load(text).rejected == 1
        assert "may have the day or the month first" in reason(store)
        assert "or say which with --date-order" in reason(store)
        again = load(text, date_order="day")
        assert (again.known, again.waiting, again.rejected) == (2, 1, 0)
        assert self.times(store)[-1] == datetime(2024, 6, 5)

    def test_a_file_with_both_is_not_guessed(self, load: Load, store: Store) -> None:
        result = load(READINGS + "A,31/12/2023,1\nA,12/31/2023,1\nA,2024-01-01,1\n")
        assert (result.rejected, result.waiting) == (2, 1)
        for row in rejected_frame(store).to_dicts():
            assert "the file has both; write it as YYYY-MM-DD" in row["reason"]

    def test_what_the_order_makes_impossible(self, load: Load, store: Store) -> None:
        result = load(READINGS + "A,31/12/2023,1\nA,31/02/2024,1\n")
        assert (result.rejected, result.waiting) == (1, 1)
        assert "read_at '31/02/2024' is not in the calendar with the day first" in reason(store)

    def test_the_zone_and_the_end_of_a_day(self, load: Load, store: Store) -> None:
        load("machine_id,out_at,in_at\nA,31/07/2024 08:00,31/07/2024\n", settings=DENVER)
        assert store.execute("SELECT out_at, in_at FROM rentals") == [
            (datetime(2024, 7, 31, 14), datetime(2024, 8, 1, 5, 59, 59))
        ]

    def test_an_order_that_is_none(self, load: Load) -> None:
        with pytest.raises(UsageError, match="'year' is no date order; write one of day, month"):
            load("machine_id\nA\n", date_order="year")
