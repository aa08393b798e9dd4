from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleetlog.errors import UsageError
from fleetlog.intake import PlainSettings
from fleetlog.intake.profiles import profile_text, propose, read_profile, write_profile
from fleetlog.intake.profiles.meanings import meaning_of
from fleetlog.store.dictionary import KINDS, Kind

ORDERS = [
    "WO #",
    "Unit",
    "Date In",
    "Date Out",
    "Meter",
    "Customer Complaint",
    "Work Performed",
    "Entered By",
]
ROWS = [
    ["W1", "L-204", "2024-03-15", "2024-03-17", "3204", "RH neutral code", "repl sensor", "Bo"],
    ["W2", "L-207", "2024-04-15", "", "4204", "won't start in the cold", "new battery fitted", "Al"],
    ["W3", "L-311", "2024-04-16", "2024-04-16", "88", "tracks worn right through", "new tracks", "Al"],
]


def test_names_and_contents_speak_together() -> None:
    proposal = propose(ORDERS, ROWS, machine_ids={"L-204", "L-207", "L-311"})
    assert proposal.kind == "work_orders"
    assert {match.heading: match.column for match in proposal.columns} == {
        "WO #": "work_order_id",
        "Unit": "machine_id",
        "Date In": "opened_at",
        "Date Out": "closed_at",
        "Meter": "hours",
        "Customer Complaint": "complaint",
        "Work Performed": "correction",
    }
    assert proposal.unmapped == ("Entered By",)
    assert proposal.missing == ()
    machine = next(match for match in proposal.columns if match.column == "machine_id")
    assert machine.sure
    assert "100% known machines" in machine.reason
    frame = proposal.columns_frame()
    assert frame["heading"].to_list() == ORDERS
    assert frame["row 2"].to_list()[1] == "L-207"


def test_known_machines_are_found_under_any_heading() -> None:
    ids = {f"L-{number}" for number in range(100, 110)}
    rows = [[f"L-{number}", f"2024-01-{number - 90}", str(number * 7.5)] for number in range(100, 110)]
    proposal = propose(["Zork", "Reading date", "Meter"], rows, machine_ids=ids)
    assert proposal.kind == "meter_readings"
    assert proposal.missing == ()
    assert next(m.heading for m in proposal.columns if m.column == "machine_id") == "Zork"


def test_cells_can_speak_against_a_name() -> None:
    rows = [["L-1", "2024-01-01", "not read"], ["L-2", "2024-01-02", "broken glass"]]
    with_text = propose(["Unit", "Reading date", "Meter"], rows, kind="meter_readings")
    with_numbers = propose(
        ["Unit", "Reading date", "Meter"], [[a, b, "100.5"] for a, b, _ in rows], kind="meter_readings"
    )
    score = {match.column: match.score for match in with_numbers.columns}
    assert score["hours"] > 0.9
    assert "hours" not in {match.column for match in with_text.columns}
    assert with_text.missing == ("hours",)


def test_machines_that_are_not_on_the_list_yet_are_machines() -> None:
    rows = [[f"W{i}", f"L{i:02}", "2024-01-01", "jerks"] for i in range(9)]
    proposal = propose(["WO", "Unit", "Date", "Complaint"], rows, machine_ids={"37", "38"})
    assert (proposal.kind, proposal.missing) == ("work_orders", ())


@pytest.mark.parametrize(
    ("headings", "kind", "columns"),
    [
        # What a machine has run by now is not what it had run when it was bought.
        ("Machine,Year,Make,Hours", "machines", ("machine_id", "build_date", "make")),
        ("Maschine,Datum,Stunden,Fahrer", "meter_readings", ("machine_id", "read_at", "hours")),
        ("Asset Tag,Reading Date,SMU", "meter_readings", ("machine_id", "read_at", "hours")),
        ("Asset Tag,Reading Date,Counter X", "meter_readings", ("machine_id", "read_at")),
    ],
)
def test_a_heading_that_means_another_column_is_not_bent(
    headings: str, kind: str, columns: tuple[str, ...]
) -> None:
    proposal = propose(headings.split(","), [])
    assert proposal.kind == kind
    assert tuple(match.column for match in proposal.columns) == columns


def test_small_numbers_alone_are_no_machines() -> None:
    rows = [[str(n), "2024-01-01", "9.5"] for n in (1, 2, 3, 4)]
    proposal = propose(["Zork", "Reading date", "Meter"], rows, machine_ids={"1", "2", "3", "4"})
    assert "machine_id" not in {match.column for match in proposal.columns}


def test_words_are_mapped_and_the_unknown_are_told() -> None:
    header = ["Job No", "Line", "Part", "L/R", "Task", "As Found"]
    rows = [
        ["1", "1", "Pos Sensor", "LH", "R&R", "Worn"],
        ["1", "2", "Pump", "RH", "Calibrte", "-"],
        ["1", "3", "Bushing", "RH", "Wobble", "Egg shaped"],
        ["1", "4", "seat_belt", "RH", "inspect", "worn"],
    ]
    proposal = propose(header, rows, settings=PlainSettings(words={"component": ["seat_belt"]}))
    words = {(match.column, match.text): match.word for match in proposal.words}
    assert words == {
        ("component", "Bushing"): "internal_bushing",
        ("component", "Pos Sensor"): "position_sensor",
        ("component", "Pump"): "drive_pump",
        ("side", "RH"): "right",
        ("side", "LH"): "left",
        ("action", "Calibrte"): "calibrate",
        ("action", "R&R"): "replace",
        ("action", "Wobble"): None,
        ("finding", "-"): "",
        ("finding", "Egg shaped"): "worn",
    }
    counts = {(match.column, match.text): match.count for match in proposal.words}
    assert counts["side", "RH"] == 3
    assert '# "Wobble" = ""  # nothing like it was found' in profile_text(proposal)


def test_a_file_that_fits_nothing_is_said_to_lack_what_it_needs(tmp_path: Path) -> None:
    proposal = propose(["Qx", "Zz"], [["1", "2"]])
    assert proposal.missing
    path = tmp_path / "nothing.toml"
    write_profile(proposal, path)
    assert "required, and nothing like it was found" in path.read_text(encoding="utf-8")
    assert read_profile(path).columns == {}


def test_the_kind_asked_for_is_taken() -> None:
    assert propose(["Unit", "Date"], [], kind="rentals").kind == "rentals"
    with pytest.raises(UsageError, match="'rental' is no kind"):
        propose(["Unit"], [], kind="rental")


def test_ragged_and_empty_rows_are_no_trouble() -> None:
    proposal = propose(
        ["Unit", "Date", "Meter", ""], [[], ["L1"], [None, None], ["L2", "2024-01-01", "5", "", "x"]]
    )
    assert proposal.kind == "meter_readings"
    assert proposal.columns_frame().height == 4


@pytest.mark.parametrize("kind", KINDS.values(), ids=lambda kind: str(kind.name))
def test_every_column_has_a_meaning_and_finds_itself_by_any_of_its_names(kind: Kind) -> None:
    for column in kind.columns:
        meaning = meaning_of(kind, column)
        assert meaning.means
        for name in meaning.also:
            proposal = propose([name], [], kind=kind.name)
            taken = [match.column for match in proposal.columns]
            rivals = [
                other.name
                for other in kind.columns
                if name in meaning_of(kind, other).also or name == other.name.replace("_", " ")
            ]
            assert taken
            assert taken[0] in [*rivals, column.name], name


@settings(max_examples=150, deadline=None)
@given(
    st.lists(st.text(max_size=20), min_size=1, max_size=8),
    st.lists(st.lists(st.one_of(st.none(), st.text(max_size=15)), max_size=8), max_size=6),
    st.sampled_from([None, *KINDS]),
)
def test_whatever_is_proposed_reads_back_from_its_file(
    header: list[str], rows: list[list[str | None]], kind: str | None
) -> None:
    import tempfile

    proposal = propose(header, rows, machine_ids={"L1"}, kind=kind)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "p.toml"
        write_profile(proposal, path)
        again = read_profile(path)
    assert again.fingerprint() == proposal.profile().fingerprint()
    assert len({match.column for match in proposal.columns}) == len(proposal.columns)
