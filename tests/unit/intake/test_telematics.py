"""Telematics documents of the ISO 15143-3 kind, as documents that follow it were seen to be.

The standard's own text was not at hand; machines and makes in the documents are invented.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest

from fleetlog.errors import UsageError
from fleetlog.intake import FileResult, PlainSettings, load_paths, rejected_frame
from fleetlog.store import Store

from .conftest import NOW, balanced

DOCUMENTS = Path(__file__).parent / "documents"

Feed = Callable[..., tuple[FileResult, ...]]


@pytest.fixture
def feed(store: Store, tmp_path: Path) -> Feed:
    """Loads documents of the folder, or a document given as text; what became of each of their tables."""

    def loaded(*documents: str, name: str = "feed/page.xml", **options: Any) -> tuple[FileResult, ...]:
        paths = []
        for document in documents:
            if document.lstrip().startswith(("<", "{", "[")):
                path = tmp_path / name
                path.parent.mkdir(exist_ok=True)
                path.write_text(document, encoding="utf-8")
            else:
                path = DOCUMENTS / document
            paths.append(path)
        files = load_paths(store, paths, now=NOW, **options).files
        assert all(balanced(file) for file in files), files
        return files

    return loaded


def counts(files: tuple[FileResult, ...]) -> list[tuple[str | None, int, int, int]]:
    return [(file.kind, file.new, file.known, file.rejected) for file in files]


def snapshot(*equipment: str) -> str:
    return f"<Fleet>{''.join(f'<Equipment>{each}</Equipment>' for each in equipment)}</Fleet>"


def header(**fields: str) -> str:
    return f"<EquipmentHeader>{''.join(f'<{k}>{v}</{k}>' for k, v in fields.items())}</EquipmentHeader>"


def hours(value: str, time: str = "2026-05-01T08:00:00Z") -> str:
    return f'<CumulativeOperatingHours datetime="{time}"><Hour>{value}</Hour></CumulativeOperatingHours>'


def test_a_snapshot(feed: Feed, store: Store) -> None:
    """The reading's time is that of its own section; idle hours are not operating hours."""
    files = feed("snapshot_page_1.xml")
    assert counts(files) == [("machines", 2, 0, 0), ("meter_readings", 2, 0, 0)]
    assert store.execute(
        "SELECT machine_id, pin, serial_number, make, model FROM machines ORDER BY row_no"
    ) == [
        ("Y-014", "MRM00M2XJ4N002014", "MR2014", "Marram", "M2"),
        ("DN1007", None, "DN1007", "Dunlin", "D1"),
    ]
    assert store.execute("SELECT machine_id, read_at, hours, source FROM meter_readings ORDER BY row_no") == [
        ("Y-014", datetime(2026, 5, 31, 21, 42), 3982.45, "telematics"),
        ("DN1007", datetime(2026, 5, 31, 18, 5), 1204.5, "telematics"),
    ]
    assert counts(feed("snapshot_page_1.xml")) == [("machines", 0, 2, 0), ("meter_readings", 0, 2, 0)]


def test_fault_codes(feed: Feed, store: Store) -> None:
    files = feed("snapshot_page_1.xml", "faults.xml")
    assert counts(files[2:]) == [("machines", 0, 1, 0), ("fault_codes", 2, 0, 0)]
    rows = store.execute(
        "SELECT seen_at, spn, fmi, code, description, side, source FROM fault_codes ORDER BY row_no"
    )
    said = "Left drive does not return to neutral (severity High)"
    assert rows == [
        (datetime(2026, 5, 28, 7, 11, 9), 520210, 7, "SPN 520210 FMI 7", said, "left", "Drive controller"),
        (datetime(2026, 5, 29, 16, 48, 30), 520210, 7, "520210-7", said, "left", "Drive controller"),
    ]


def test_the_json_form(feed: Feed, store: Store) -> None:
    feed("snapshot_page_1.xml")
    files = feed("snapshot.json")
    assert counts(files) == [("machines", 0, 2, 0), ("meter_readings", 2, 0, 0), ("fault_codes", 1, 0, 0)]
    assert store.execute(
        "SELECT machine_id, hours FROM meter_readings WHERE file_id > 2 ORDER BY row_no"
    ) == [
        ("Y-014", 3990.25),
        ("DN1007", 1210.75),
    ]
    assert store.execute("SELECT machine_id, spn, fmi, description FROM fault_codes") == [
        ("DN1007", 100, 1, 'Oil "pressure"')
    ]


@pytest.mark.parametrize(
    "document",
    [
        '[{"Equipment": [{"EquipmentHeader": {"EquipmentID": "A"}, "FaultCodes": [{"datetime": "2026-05-01T00:00:00Z",'
        ' "CodeIdentifier": "X1"}, {"datetime": "2026-05-02T00:00:00Z", "CodeIdentifier": "X2"}]}]}]',
        '{"FaultCodeMessages": {"EquipmentHeader": {"EquipmentID": "A"}, "FaultCode": [{"@datetime":'
        ' "2026-05-01T00:00:00Z", "CodeIdentifier": "X1"}, {"datetime": "2026-05-02T00:00:00Z",'
        ' "CodeIdentifier": "X2"}]}}',
        "<FaultCodeMessages><EquipmentHeader EquipmentID='A'/><FaultCodes><FaultCode dateTime='2026-05-01T00:00:00Z'>"
        "<CodeIdentifier>X1</CodeIdentifier></FaultCode><FaultCode CodeIdentifier='X2'><datetime>2026-05-02T00:00:00Z"
        "</datetime></FaultCode></FaultCodes></FaultCodeMessages>",
    ],
)
def test_other_shapes_of_the_same(document: str, feed: Feed, store: Store) -> None:
    feed(document)
    assert store.execute("SELECT machine_id, code, seen_at FROM fault_codes ORDER BY row_no") == [
        ("A", "X1", datetime(2026, 5, 1)),
        ("A", "X2", datetime(2026, 5, 2)),
    ]


class TestPages:
    """Pages of one feed are files of a folder; an address in a page is never fetched."""

    def test_pages_of_a_folder(self, feed: Feed, store: Store) -> None:
        files = feed("snapshot_page_1.xml", "snapshot_page_2.xml", settings=PlainSettings("America/Denver"))
        assert counts(files) == [
            ("machines", 2, 0, 0),
            ("meter_readings", 2, 0, 0),
            ("machines", 3, 0, 0),
            ("meter_readings", 1, 0, 0),
        ]
        notes = [note for file in files for note in file.notes]
        assert "machines without operating hours: 1" in notes
        assert "times without a zone, read in the fleet's: 1" in notes
        assert "PINs that do not have 17 characters: 1" in notes
        assert not any("next page" in note for note in notes)
        assert store.execute("SELECT read_at, hours FROM meter_readings WHERE machine_id = 'MR2016'") == [
            (datetime(2026, 5, 31, 18), 77.5)
        ]

    def test_a_page_that_is_missing(self, feed: Feed) -> None:
        (first, _) = feed("snapshot_page_1.xml")
        assert first.notes[-1] == "the next page 'Fleet/2' is not among the files loaded"

    def test_a_folder_is_read_with_its_lists_first(self, store: Store, tmp_path: Path) -> None:
        (tmp_path / "a.xml").write_text((DOCUMENTS / "snapshot_page_1.xml").read_text())
        (tmp_path / "b.csv").write_text("machine_id,pin\n14,MRM00M2XJ4N002014\n")
        files = load_paths(store, [tmp_path], now=NOW).files
        assert [file.kind for file in files] == ["machines", "machines", "meter_readings"]
        assert (files[1].known, files[1].new) == (1, 1)
        assert store.execute("SELECT machine_id FROM meter_readings ORDER BY row_no") == [
            ("14",),
            ("DN1007",),
        ]


class TestMachines:
    """A header is matched by PIN, then serial number, then equipment id; else it becomes a machine."""

    LIST = (
        "machine_id,pin,serial_number,make\n"
        "14,MRM00M2XJ4N002014,MR2014,Marram\n"
        "15,,S15,Marram\n"
        "16,,S16,\n"
        "17,SHORT17,,Dunlin\n"
        "18,,TWICE,Marram\n"
        "19,,TWICE,Marram\n"
    )

    @pytest.mark.parametrize(
        ("fields", "machine"),
        [
            ({"EquipmentID": "Y", "PIN": "mrm00m2xj4n002014", "SerialNumber": "S15"}, "14"),
            ({"EquipmentID": "Y", "SerialNumber": "S15", "OEMName": "MARRAM"}, "15"),
            ({"EquipmentID": "Y", "SerialNumber": "S15", "OEMName": "Dunlin"}, "Y"),
            ({"EquipmentID": "Y", "SerialNumber": "S16", "OEMName": "Dunlin"}, "16"),
            ({"EquipmentID": "Y", "SerialNumber": "S15", "Make": "Marram"}, "15"),
            ({"EquipmentID": "Y", "PIN": "S15"}, "15"),
            ({"EquipmentID": "Y", "SerialNumber": "SHORT17"}, "17"),
            ({"EquipmentID": "Y", "SerialNumber": "TWICE"}, "Y"),
            ({"EquipmentID": "16", "PIN": "MRM00M2XJ4N002099"}, "16"),
            ({"SerialNumber": "NEW", "PIN": "MRM00M2XJ4N002099"}, "NEW"),
            ({"PIN": "MRM00M2XJ4N002099", "EquipmentID": "N/A"}, "MRM00M2XJ4N002099"),
        ],
    )
    def test_matching(
        self, fields: dict[str, str], machine: str, store: Store, tmp_path: Path, feed: Feed
    ) -> None:
        (tmp_path / "machines.csv").write_text(self.LIST)
        load_paths(store, [tmp_path / "machines.csv"], now=NOW)
        before = store.execute("SELECT * FROM machines ORDER BY machine_id")
        feed(snapshot(header(**fields) + hours("5")))
        assert store.execute("SELECT machine_id FROM meter_readings") == [(machine,)]
        after = store.execute("SELECT * FROM machines ORDER BY machine_id")
        known = {row[0] for row in before}
        # The yard's own list is not corrected by a portal.
        assert [row for row in after if row[0] in known] == before
        assert (machine in known) == (len(before) == len(after))

    def test_a_unit_number_given_to_another_machine(self, store: Store, tmp_path: Path, feed: Feed) -> None:
        (tmp_path / "machines.csv").write_text(self.LIST)
        load_paths(store, [tmp_path / "machines.csv"], now=NOW)
        files = feed(snapshot(header(EquipmentID="14", PIN="MRM00M2XJ4N009999") + hours("5")))
        assert [file.rejected for file in files] == [1, 1]
        assert "equipment id '14' belongs to a machine with another PIN" in rejected_frame(store)["reason"][0]

    def test_a_header_without_identity(self, store: Store, feed: Feed) -> None:
        files = feed(snapshot(header(OEMName="Marram") + hours("5"), header(EquipmentID="A") + hours("6")))
        assert counts(files) == [("machines", 1, 0, 1), ("meter_readings", 1, 0, 1)]
        assert "has neither PIN nor serial number nor equipment id" in rejected_frame(store)["reason"][0]

    def test_one_machine_in_several_places(self, store: Store, feed: Feed) -> None:
        files = feed(
            snapshot(
                header(EquipmentID="A", PIN="P1", Model="M2") + hours("5"),
                header(PIN="p1") + hours("6", "2026-05-02T08:00:00Z"),
            )
        )
        assert counts(files) == [("machines", 1, 1, 0), ("meter_readings", 2, 0, 0)]
        assert store.execute("SELECT DISTINCT machine_id FROM meter_readings") == [("A",)]

    def test_equipment_does_not_lend_its_name_to_the_next(self, store: Store, feed: Feed) -> None:
        files = feed(snapshot(header(EquipmentID="A"), hours("5")))
        assert "does not say which machine it is about" in str(files[0].refused)


class TestPagesOfNobody:
    """A page of a time series may name no machine: it is asked for, never guessed."""

    PAGE = "<CumulativeOperatingHoursMessages>" + hours("5") + "</CumulativeOperatingHoursMessages>"

    def test_refused(self, feed: Feed) -> None:
        (result,) = feed(self.PAGE)
        assert "does not say which machine it is about; say it with --machine" in str(result.refused)

    def test_by_option(self, feed: Feed, store: Store) -> None:
        feed(self.PAGE, machine="Y-014")
        assert store.execute("SELECT machine_id FROM meter_readings") == [("Y-014",)]

    def test_by_the_name_of_the_file(self, feed: Feed, store: Store) -> None:
        feed(self.PAGE, name="feed/Y-014_hours_1.xml", machine_from="^(?P<machine>[^_]+)_hours")
        assert store.execute("SELECT machine_id FROM meter_readings") == [("Y-014",)]
        for pattern in ("(", "(.+)"):
            with pytest.raises(UsageError, match="machine"):
                feed(self.PAGE, machine_from=pattern)

    def test_by_the_folder(self, feed: Feed, store: Store) -> None:
        feed(snapshot(header(EquipmentID="Y-014", SerialNumber="S1")))
        feed(self.PAGE, name="S1/page.xml")
        assert store.execute("SELECT machine_id FROM meter_readings") == [("Y-014",)]


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("8376.20", 8376.2),
        ("PT13H28M30S", 13.475),
        ("PT0S", 0.0),
        ("P2DT1H", 49.0),
        ("PT8376H12M", 8376.2),
        ("pt1h", 1.0),
    ],
)
def test_hours(text: str, value: float, feed: Feed, store: Store) -> None:
    feed(snapshot(header(EquipmentID="A") + hours(text)))
    assert store.execute("SELECT hours FROM meter_readings") == [(value,)]


def test_hours_and_times_that_are_none(feed: Feed, store: Store) -> None:
    files = feed(
        snapshot(
            header(EquipmentID="A")
            + hours("abc")
            + hours("-1")
            + hours("1", "0001-01-01T00:00:00Z")
            + hours("N/A")
            + hours("")
            + "<CumulativeOperatingHours><Hour>7</Hour></CumulativeOperatingHours>"
        )
    )
    assert counts(files)[1] == ("meter_readings", 0, 0, 4)
    assert "machines without operating hours: 2" in files[1].notes


class TestSafety:
    """Nothing is expanded, nothing is fetched, and what is broken is told in a sentence."""

    @pytest.mark.parametrize(
        ("document", "said"),
        [
            ('<!DOCTYPE Fleet [<!ENTITY a "x">]><Fleet>&a;</Fleet>', "declares entities or a document type"),
            (
                '<!DOCTYPE Fleet SYSTEM "http://192.0.2.1/x.dtd"><Fleet/>',
                "declares entities or a document type",
            ),
            (
                '<!DOCTYPE x [<!ENTITY p SYSTEM "file:///etc/passwd">]><Fleet><Equipment>&p;</Equipment></Fleet>',
                "declares entities or a document type",
            ),
            ("<Fleet><Equipment></Fleet>", "is not well-formed XML (line 1: mismatched tag)"),
            ("<Fleet>&undefined;</Fleet>", "is not well-formed XML"),
            ("<Fleet>", "is not well-formed XML"),
            ("<html><body>machine_id</body></html>", "is no fleet telematics document"),
            ("<a>" * 200, "nests elements more than 100 deep"),
            ('{"EquipmentHeader": {"EquipmentID": "A"', "is no well-formed JSON document"),
            ('{"EquipmentHeader": [' + "[" * 200, "nests values more than 100 deep"),
            ('{"EquipmentHeader": {]', "is no well-formed JSON document"),
            ('{"EquipmentHeader": {"a": nonsense}}', "is no well-formed JSON document"),
            ('{"EquipmentHeader": {1: 2}}', "is no well-formed JSON document"),
        ],
    )
    def test_refused(self, document: str, said: str, feed: Feed, store: Store) -> None:
        (result,) = feed(document)
        assert said in str(result.refused)
        assert store.execute("SELECT count(*) FROM source_file") == [(0,)]

    def test_a_document_broken_at_its_end_leaves_nothing(self, feed: Feed, store: Store) -> None:
        (result,) = feed(snapshot(header(EquipmentID="A") + hours("5")).removesuffix("</Fleet>"))
        assert "is not well-formed XML" in str(result.refused)
        assert store.execute("SELECT count(*) FROM machines") == [(0,)]

    def test_a_large_document_is_read_in_pieces(self, store: Store, tmp_path: Path) -> None:
        path = tmp_path / "large.xml"
        with path.open("w") as file:
            file.write("<Fleet>")
            for i in range(20_000):
                time = f"2026-05-{1 + i % 28:02}T08:00:00Z"
                file.write(
                    f"<Equipment>{header(EquipmentID=f'E{i}', Model='ü' * 30)}{hours(str(i), time)}</Equipment>"
                )
            file.write("</Fleet>")
        files = load_paths(store, [path], now=NOW).files
        assert [file.new for file in files] == [20_000, 20_000]
        assert store.execute(
            "SELECT count(*) FROM meter_readings WHERE machine_id <> 'E' || CAST(hours AS INT)"
        ) == [(0,)]

    def test_the_same_as_json(self, store: Store, tmp_path: Path) -> None:
        import json

        path = tmp_path / "large.json"
        equipment = [
            {
                "EquipmentHeader": {"EquipmentID": f"E{i}", "Model": 'ü"\\' * 10},
                "CumulativeOperatingHours": {"datetime": "2026-05-01T08:00:00Z", "Hour": i},
            }
            for i in range(10_000)
        ]
        for encoding in ("utf-8", "utf-16"):
            path.write_text(
                json.dumps({"Equipment": equipment}, ensure_ascii=False, indent=1), encoding=encoding
            )
            files = load_paths(store, [path], now=NOW).files
            assert sum(file.rows for file in files) == 20_000
            assert sum(file.rejected for file in files) == 0
        wrong = "SELECT count(*) FROM meter_readings WHERE machine_id <> 'E' || CAST(hours AS INT)"
        assert store.execute(wrong) == [(0,)]


@pytest.mark.parametrize("end", ["\n", "\r", "\r\n", '"\r\n"'])
def test_line_ends_within_texts_are_no_ends_of_rows(end: str, feed: Feed, store: Store) -> None:
    head = {"EquipmentID": "A1", "OEMName": f"Mar{end}ram"}
    code = {"datetime": "2026-05-01T08:00:00Z", "CodeIdentifier": "100-1", "CodeDescription": f"Oil{end}low"}
    others = [{"EquipmentHeader": {"EquipmentID": f"B{n}"}, "FaultCode": [code]} for n in range(3)]
    page = {"Equipment": [{"EquipmentHeader": head, "FaultCode": [code]}, *others]}
    done = feed(json.dumps(page), name="feed/page.json")
    assert [(kind, new, rejected) for kind, new, _, rejected in counts(done)] == [
        ("machines", 4, 0),
        ("fault_codes", 4, 0),
    ]
    assert store.execute("SELECT DISTINCT description FROM fault_codes") == [(f"Oil{end}low",)]


def test_a_document_that_only_begins_as_utf8_does_is_refused(store: Store, tmp_path: Path) -> None:
    path = tmp_path / "page.json"
    path.write_bytes(b'\xef\xbb\xbf{"Equipment": [{"EquipmentHeader": {"EquipmentID": "A\xbb"}}]}')
    (done,) = load_paths(store, [path], now=NOW).files
    assert "is no well-formed JSON document" in str(done.refused)


def test_two_makers_with_one_serial_number_stay_two_machines(feed: Feed, store: Store) -> None:
    def machine(make: str, meter: str) -> str:
        return header(OEMName=make, SerialNumber="777") + hours(meter)

    feed(snapshot(machine("Borst", "10"), machine("Kern", "20")))
    found = store.execute(
        "SELECT m.make, r.hours FROM machines AS m JOIN meter_readings AS r USING (machine_id) ORDER BY ALL"
    )
    assert found == [("Borst", 10), ("Kern", 20)]
    # Told again, each finds its own.
    feed(snapshot(machine("Kern", "21").replace("T08", "T09")), name="feed/later.xml")
    assert store.execute("SELECT count(*) FROM machines") == [(2,)]
    assert store.execute(
        "SELECT make FROM machines JOIN meter_readings USING (machine_id) WHERE hours = 21"
    ) == [("Kern",)]


def test_a_number_that_looks_like_a_machine_on_the_list_makes_no_new_one(
    feed: Feed, store: Store, tmp_path: Path
) -> None:
    (tmp_path / "machines.csv").write_text("machine_id\n37\n")
    load_paths(store, [tmp_path / "machines.csv"], now=NOW)
    machines, readings = feed(snapshot(header(EquipmentID="0037") + hours("10")))
    assert (machines.rejected, readings.waiting) == (1, 1)
    assert "looks like '37'" in rejected_frame(store)["reason"][0]
    assert store.execute("SELECT machine_id FROM machines") == [("37",)]
