"""What loading promises: all or nothing, once, nothing silently dropped, traceable, in any order."""

from __future__ import annotations

import json
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from fleetlog.errors import StoreError, UsageError
from fleetlog.intake import (
    FileResult,
    Progress,
    load_paths,
    rejected_frame,
    waiting_frame,
    write_rejects,
)
from fleetlog.intake.merge import Merge
from fleetlog.store import DatabaseError, Store

from .conftest import NOW, Load, balanced

MACHINES = "machine_id,make,site\nA,Marram,North\nB,Dunlin,\n"
READINGS = "machine_id,read_at,hours,source\n"


def counts(result: FileResult) -> tuple[int, int, int, int, int]:
    return result.new, result.known, result.corrected, result.rejected, result.waiting


class TestOnce:
    """A file or a row that is known changes nothing; a known key with other values is a correction."""

    def test_a_correction_wins_and_leaves_the_old_values_in_the_log(self, load: Load, store: Store) -> None:
        load(MACHINES)
        load(READINGS + "A,2024-01-01,10,manual\nA,2024-01-02,20,manual\n")
        result = load(READINGS + "A,2024-01-01,10,manual\nA,2024-01-02,21,manual\nA,2024-01-03,30,manual\n")
        assert counts(result) == (1, 1, 1, 0, 0)
        assert store.execute("SELECT hours, file_id, row_no FROM meter_readings ORDER BY read_at") == [
            (10.0, 2, 1),
            (21.0, 3, 2),
            (30.0, 3, 3),
        ]
        ((kind, key, old, new, *origins),) = store.execute("SELECT * FROM change_log")
        assert (kind, json.loads(key)) == (
            "meter_readings",
            {"machine_id": "A", "read_at": "2024-01-02 00:00:00", "source": "manual"},
        )
        assert (json.loads(old)["hours"], json.loads(new)["hours"]) == (20.0, 21.0)
        assert origins == [2, 2, 3, 2]

    def test_a_file_loaded_again_does_not_undo_a_later_correction(self, load: Load, store: Store) -> None:
        first = READINGS + "A,2024-01-01,10,manual\n"
        load(first)
        load(READINGS + "A,2024-01-01,11,manual\n")
        assert counts(load(first)) == (0, 1, 0, 0, 0)
        assert store.execute("SELECT hours FROM meter_readings") == [(11.0,)]

    def test_a_column_that_a_file_lacks_is_left_as_it_is(self, load: Load, store: Store) -> None:
        load(MACHINES)
        result = load("machine_id,site\nA,South\nB,\n")
        assert counts(result) == (0, 1, 1, 0, 0)
        assert store.execute("SELECT make, site FROM machines ORDER BY machine_id") == [
            ("Marram", "South"),
            ("Dunlin", None),
        ]

    def test_an_empty_cell_is_a_value_like_any_other(self, load: Load, store: Store) -> None:
        load(MACHINES)
        assert counts(load("machine_id,site\nA,\n")) == (0, 0, 1, 0, 0)
        assert store.execute("SELECT site FROM machines WHERE machine_id = 'A'") == [(None,)]

    def test_keys_with_empty_parts_are_the_same_key(self, load: Load, store: Store) -> None:
        load(MACHINES)
        load(READINGS + "A,2024-01-01,10,\n")
        assert counts(load("machine_id,read_at,hours\nA,2024-01-01,10\n")) == (0, 1, 0, 0, 0)
        assert counts(load(READINGS + "A,2024-01-01,12,\n")) == (0, 0, 1, 0, 0)
        assert counts(load(READINGS + "A,2024-01-01,12,manual\n")) == (1, 0, 0, 0, 0)
        codes = "machine_id,seen_at,spn,fmi,code,side\n"
        assert counts(load(codes + "A,2024-01-01,100,3,,\nA,2024-01-01,100,3,,left\n")) == (2, 0, 0, 0, 0)
        assert counts(load(codes + "A,2024-01-01,100,3,,\nA,2024-01-01,100,4,,\n")) == (1, 1, 0, 0, 0)

    def test_a_key_that_comes_twice_in_a_file(self, load: Load, store: Store) -> None:
        """The last one wins; each is compared with the one before it."""
        load(MACHINES)
        rows = ["10", "10", "11", "10", "12"]
        text = READINGS + "".join(f"A,2024-01-01,{hours},manual\n" for hours in rows)
        assert counts(load(text)) == (1, 1, 3, 0, 0)
        assert store.execute("SELECT hours, row_no FROM meter_readings") == [(12.0, 5)]
        log = store.execute("SELECT old_row_no, new_row_no, old_file_id, new_file_id FROM change_log")
        assert log == [(2, 3, 2, 2), (3, 4, 2, 2), (4, 5, 2, 2)]

    def test_a_key_that_comes_twice_and_is_in_the_store(self, load: Load, store: Store) -> None:
        load(MACHINES)
        load(READINGS + "A,2024-01-01,10,manual\nB,2024-01-01,1,manual\n")
        text = READINGS + "A,2024-01-01,10,manual\nA,2024-01-01,11,manual\nB,2024-01-01,2,manual\n"
        assert counts(load(text + "B,2024-01-01,1,manual\n")) == (0, 1, 3, 0, 0)
        stored = store.execute("SELECT machine_id, hours, file_id FROM meter_readings ORDER BY 1")
        assert stored == [("A", 11.0, 3), ("B", 1.0, 2)]

    def test_the_order_of_rows_does_not_matter_to_their_numbers(self, load: Load, store: Store) -> None:
        """More rows than the engine reads in one go: the numbers are still those of the file."""
        rows = 300_000
        load(READINGS + "".join(f"A{i},2024-01-01,{i % 1000},\n" for i in range(rows)))
        assert store.execute(
            "SELECT count(*) FROM meter_readings WHERE machine_id <> 'A' || (row_no - 1)"
        ) == [(0,)]
        assert store.execute("SELECT count(DISTINCT row_no), max(row_no) FROM meter_readings") == [
            (rows, rows)
        ]


class TestOrderFree:
    """Rows wait for what they hang on, are counted as waiting, and take effect when it comes."""

    def test_readings_before_their_machine(self, load: Load, store: Store) -> None:
        assert counts(load(READINGS + "A,2024-01-01,10,\nX9,2024-01-01,10,\n")) == (0, 0, 0, 0, 2)
        assert counts(load(MACHINES)) == (2, 0, 0, 0, 0)
        (row,) = waiting_frame(store).to_dicts()
        assert (row["kind"], row["row_no"], row["column"], row["value"]) == (
            "meter_readings",
            2,
            "machine_id",
            "X9",
        )
        assert row["reason"] == "machine 'X9' is not in the machine list yet"
        assert row["file"].endswith("file.csv")

    def test_lines_before_their_order(self, load: Load, store: Store) -> None:
        lines = "work_order_id,line_no,action\nW1,1,inspect\nW2,1,replace\n"
        assert counts(load(lines)) == (0, 0, 0, 0, 2)
        load(MACHINES)
        assert counts(load("work_order_id,machine_id,opened_at\nW1,A,2024-01-01\n")) == (1, 0, 0, 0, 0)
        reasons = waiting_frame(store, "work_lines")["reason"].to_list()
        assert reasons == ["work order 'W2' is not in the work orders yet"]
        assert waiting_frame(store, "machines").is_empty()

    def test_files_of_one_load_find_each_other(self, store: Store, tmp_path: Path) -> None:
        """Readings are read before the list of machines, by name; the result counts what holds at the end."""
        (tmp_path / "a_readings.csv").write_text(READINGS + "A,2024-01-01,10,\nX9,2024-01-01,10,\n")
        (tmp_path / "b_machines.csv").write_text(MACHINES)
        for check_only in (True, False):
            first, second = load_paths(store, [tmp_path], check_only=check_only, now=NOW).files
            assert counts(first) == (1, 0, 0, 0, 1)
            assert counts(second) == (2, 0, 0, 0, 0)

    def test_any_order_of_files_gives_the_same_store(self, tmp_path: Path) -> None:
        from fleetlog.store import open_store

        files = {
            "machines.csv": MACHINES,
            "readings.csv": READINGS + "A,2024-01-01,10,\nB,2024-01-01,x,\n",
            "orders.csv": "work_order_id,machine_id,opened_at\nW1,A,2024-01-01\n",
            "lines.csv": "work_order_id,line_no,action\nW1,1,inspect\n",
        }
        for name, text in files.items():
            (tmp_path / name).write_text(text)
        contents = []
        for order in (sorted(files), sorted(files, reverse=True)):
            with open_store(None) as store:
                load_paths(store, [tmp_path / name for name in order], now=NOW)
                tables = {}
                for kind in ("machines", "meter_readings", "work_orders", "work_lines", "rejected_row"):
                    frame = store.select(f"SELECT * EXCLUDE (file_id) FROM {kind} ORDER BY ALL")
                    tables[kind] = frame.to_dicts()
                contents.append((tables, waiting_frame(store).to_dicts()))
        assert contents[0] == contents[1]


class TestNothingDropped:
    """A row that fails is kept whole, listed once, written out, corrected, loaded and settled."""

    BAD = READINGS + "A,2024-01-01,10,\nA,01/02/24,n/a,manual\n,2024-01-03,5,\n"

    def test_the_row_is_kept_as_it_stood(self, load: Load, store: Store) -> None:
        load(MACHINES)
        assert counts(load(self.BAD)) == (1, 0, 0, 2, 0)
        first, second = rejected_frame(store).to_dicts()
        assert (first["row_no"], first["column"], first["value"]) == (2, "read_at", "01/02/24")
        assert (second["row_no"], second["column"], second["value"]) == (3, "machine_id", None)
        raws = [
            json.loads(raw) for (raw,) in store.execute("SELECT raw FROM rejected_row ORDER BY reject_id")
        ]
        assert raws[0] == {"machine_id": "A", "read_at": "01/02/24", "hours": "n/a", "source": "manual"}

    def test_the_same_file_twice_leaves_one_set_of_rejected_rows(self, load: Load, store: Store) -> None:
        load(MACHINES)
        load(self.BAD)
        assert counts(load(self.BAD)) == (0, 1, 0, 2, 0)
        assert rejected_frame(store).height == 2

    def test_an_export_that_grows_lists_a_bad_row_once(self, load: Load, store: Store) -> None:
        load(MACHINES)
        load(self.BAD)
        assert counts(load(self.BAD + "A,2024-01-05,50,\n")) == (1, 1, 0, 2, 0)
        assert rejected_frame(store).height == 2

    def test_corrected_rows_settle_their_rejections(self, load: Load, store: Store, tmp_path: Path) -> None:
        load(MACHINES)
        load(self.BAD)
        out = tmp_path / "to_correct.csv"
        assert write_rejects(store, out, "meter_readings") == 2
        text = out.read_text(encoding="utf-8-sig")
        assert text.splitlines()[0] == "machine_id,read_at,hours,source,reject_id,reject_reason"
        assert text.splitlines()[2].startswith(",2024-01-03,5,,2,machine_id is empty; fill it in")
        half = load(text.replace("A,01/02/24,n/a", "A,2024-02-01,11"), name="corrected.csv")
        assert counts(half) == (1, 0, 0, 1, 0)
        assert rejected_frame(store)["reject_id"].to_list() == [2]
        assert store.execute("SELECT resolved_by FROM rejected_row ORDER BY reject_id") == [(3,), (None,)]
        whole = load(
            text.replace("A,01/02/24,n/a", "A,2024-02-01,11").replace("\n,2024", "\nB,2024"), "c2.csv"
        )
        assert counts(whole) == (1, 1, 0, 0, 0)
        assert rejected_frame(store).is_empty()
        # The old file again: all of it is known by now.
        assert counts(load(self.BAD)) == (0, 3, 0, 0, 0)

    def test_a_row_corrected_badly_replaces_the_one_it_stands_for(self, load: Load, store: Store) -> None:
        load(READINGS + "A,01/02/24,5,\n")
        load("machine_id,read_at,hours,source,reject_id,reject_reason\nA,2024-02-31,5,,1,whatever\n")
        (row,) = rejected_frame(store).to_dicts()
        assert row["reject_id"] == 1
        assert row["reason"] == "read_at '2024-02-31' is not in the calendar; correct it"

    def test_a_reject_id_of_another_kind_settles_nothing(self, load: Load, store: Store) -> None:
        load(READINGS + "A,01/02/24,5,\n")
        load("machine_id,reject_id\nA,1\n")
        assert rejected_frame(store).height == 1

    def test_extra_columns_go_out_too_and_formulas_are_disarmed(
        self, load: Load, store: Store, tmp_path: Path
    ) -> None:
        load('machine_id,colour,build_date,make\n"=1+1",red,12/17,@x\nB,-5,13/17,+2\n')
        out = tmp_path / "machines.csv"
        write_rejects(store, out)
        lines = out.read_text(encoding="utf-8-sig").splitlines()
        assert lines[0] == "machine_id,make,build_date,colour,reject_id,reject_reason"
        assert lines[1].startswith("'=1+1,'@x,12/17,red,1,")
        assert lines[2].startswith("B,+2,13/17,-5,2,")
        # Corrected and loaded, the apostrophe is gone again.
        out.write_text(
            out.read_text(encoding="utf-8-sig").replace("12/17", "2017-12").replace("13/17", "2017")
        )
        load_paths(store, [out], now=NOW)
        assert store.execute("SELECT machine_id, make FROM machines ORDER BY row_no") == [
            ("=1+1", "@x"),
            ("B", "+2"),
        ]

    def test_nothing_to_write(self, load: Load, store: Store, tmp_path: Path) -> None:
        with pytest.raises(UsageError, match=r"There are no rejected rows to write\."):
            write_rejects(store, tmp_path / "none.csv")
        load(READINGS + "A,x,5,\n")
        load("machine_id,build_date\nA,x\n")
        with pytest.raises(UsageError, match=r"several kinds \(machines, meter_readings\)"):
            write_rejects(store, tmp_path / "none.csv")
        with pytest.raises(UsageError, match="'nonsense' is no kind of table"):
            rejected_frame(store, "nonsense")
        assert rejected_frame(store, "machines").height == 1


class TestAllOrNothing:
    """A failure in the middle of a file leaves the store without any of it."""

    @pytest.mark.parametrize("step", ["keep_rejected", "resolve", "Merge.run", "_record"])
    def test_a_failure_while_merging(
        self, step: str, load: Load, store: Store, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        from fleetlog.intake import load as module

        def fail(*_: object, **__: object) -> None:
            raise DatabaseError("no space left\nand more")

        load(MACHINES)
        with monkeypatch.context() as patch:
            if step == "Merge.run":
                patch.setattr(Merge, "run", fail)
            elif step == "_record":
                patch.setattr(module._Load, "_record", fail)
            else:
                patch.setattr(module, step, fail)
            with pytest.raises(
                StoreError, match=r"could not be stored \(no space left\); nothing of it was loaded"
            ):
                load(READINGS + "A,2024-01-01,10,\nA,x,10,\n")
        for table in ("meter_readings", "rejected_row", "change_log"):
            assert store.execute(f"SELECT count(*) FROM {table}") == [(0,)]
        assert store.execute("SELECT count(*) FROM source_file") == [(1,)]
        assert counts(load(READINGS + "A,2024-01-01,10,\nA,x,10,\n")) == (1, 0, 0, 1, 0)

    def test_a_refused_file_does_not_stop_the_others(self, store: Store, tmp_path: Path) -> None:
        (tmp_path / "a.csv").write_text("nonsense\n1\n")
        (tmp_path / "b.csv").write_text(MACHINES)
        (tmp_path / "c.csv").write_text("")
        result = load_paths(store, [tmp_path], now=NOW)
        assert [file.refused is not None for file in result.files] == [True, False, True]
        assert len(result.refused) == 2
        assert result.files[1].new == 2
        assert all(balanced(file) for file in result.files)

    def test_checking_only_changes_nothing(self, load: Load, store: Store) -> None:
        load(MACHINES)
        before = {table: store.select(f"FROM {table}").to_dicts() for table in store.tables()}
        result = load(
            READINGS + "A,2024-01-01,10,\nA,x,10,\nC,2024-01-01,1,\nA,2024-01-01,11,\n", check_only=True
        )
        assert counts(result) == (1, 0, 1, 1, 1)
        after = {table: store.select(f"FROM {table}").to_dicts() for table in store.tables()}
        assert before == after
        assert not store.execute(
            "SELECT 1 FROM duckdb_tables() WHERE temporary AND table_name LIKE 'checked%'"
        )


class TestTraceable:
    """Every row knows its file and its number; every file its hash, time and counts."""

    def test_the_file_is_on_record(self, load: Load, store: Store, tmp_path: Path) -> None:
        import hashlib

        text = READINGS + "A,2024-01-01,10,\nA,x,10,\n"
        load(text, name="readings.csv")
        ((file_id, path, kind, content_hash, size, loaded_at, *numbers),) = store.execute("FROM source_file")
        assert (file_id, path, kind) == (1, str(tmp_path / "readings.csv"), "meter_readings")
        assert (content_hash, size) == (hashlib.sha256(text.encode()).hexdigest(), len(text))
        assert abs(loaded_at - datetime.now(UTC).replace(tzinfo=None)) < timedelta(minutes=1)
        assert numbers == [2, 0, 0, 0, 1, 1]

    def test_row_numbers_count_blank_rows_but_blank_rows_are_none(self, load: Load, store: Store) -> None:
        result = load(READINGS + "A,2024-01-01,10,\n,,,\n  ,,\t,\nA,2024-01-02,11,\n")
        assert (result.rows, result.waiting) == (2, 2)
        assert "blank rows passed over: 2" in result.notes
        assert store.execute("SELECT row_no FROM meter_readings ORDER BY 1") == [(1,), (4,)]


class TestFiles:
    """What is found in folders, by patterns, and what is not there."""

    def test_a_folder_in_the_order_of_names(self, store: Store, tmp_path: Path) -> None:
        (tmp_path / "1.csv").write_text(MACHINES)
        (tmp_path / "2.csv").write_text(MACHINES.replace("North", "South"))
        (tmp_path / "README.md").write_text("machine_id\n")
        (tmp_path / ".hidden.csv").write_text("x")
        (tmp_path / "inner" / "more").mkdir(parents=True)
        (tmp_path / "inner" / "more" / "3.csv").write_text(MACHINES.replace("North", "South"))
        (tmp_path / ".of a program").mkdir()
        (tmp_path / ".of a program" / "4.csv").write_text(MACHINES)
        result = load_paths(store, [tmp_path], now=NOW)
        found = [(Path(file.path).name, counts(file), file.notes) for file in result.files]
        assert found == [
            ("1.csv", (2, 0, 0, 0, 0), ("separator comma",)),
            ("2.csv", (0, 1, 1, 0, 0), ("separator comma",)),
            ("README.md", (0, 0, 0, 0, 0), ("passed over: no table",)),
            ("3.csv", (0, 2, 0, 0, 0), ("loaded before", "separator comma")),
        ]
        assert store.execute("SELECT site FROM machines WHERE machine_id = 'A'") == [("South",)]

    def test_patterns_and_names_that_look_like_them(self, store: Store, tmp_path: Path) -> None:
        (tmp_path / "a[1]*.csv").write_text(MACHINES)
        (tmp_path / "a1x.csv").write_text(MACHINES.replace("North", "South"))
        result = load_paths(store, [tmp_path / "a[1]*.csv"], now=NOW)
        assert [Path(file.path).name for file in result.files] == ["a[1]*.csv"]
        assert store.execute("SELECT site FROM machines WHERE machine_id = 'A'") == [("North",)]
        result = load_paths(store, [str(tmp_path / "*x.csv")], now=NOW)
        assert [file.corrected for file in result.files] == [1]

    def test_a_file_named_by_itself_is_read_or_refused(self, store: Store, tmp_path: Path) -> None:
        (tmp_path / "machines.dat").write_text(MACHINES)
        (tmp_path / "notes.md").write_text("# Notes\n")
        first, second, third = load_paths(
            store, [tmp_path / "machines.dat", tmp_path / "notes.md", tmp_path / "gone.csv"], now=NOW
        ).files
        assert first.new == 2
        assert second.refused is not None
        assert "has no column of any kind of table" in second.refused
        assert third.refused == f"{tmp_path / 'gone.csv'} does not exist; check the name."

    def test_progress_is_reported(self, store: Store, tmp_path: Path) -> None:
        (tmp_path / "1.csv").write_text(MACHINES)
        (tmp_path / "2.csv").write_text(READINGS + "A,2024-01-01,1,\n")
        seen: list[Progress] = []
        load_paths(store, [tmp_path], now=NOW, progress=seen.append)
        between = [p for p in seen if not p.stage]
        assert [(Path(p.path).name, p.files_done, p.files, p.rows_done) for p in between] == [
            ("1.csv", 0, 2, 0),
            ("2.csv", 1, 2, 2),
            ("", 2, 2, 3),
        ]
        assert seen[-1].bytes_done == seen[-1].bytes == sum(p.stat().st_size for p in tmp_path.iterdir())

    def test_results_as_plain_values(self, store: Store, tmp_path: Path) -> None:
        (tmp_path / "1.csv").write_text(MACHINES)
        assert load_paths(store, [tmp_path], now=NOW).to_dict() == {
            "files": [
                {
                    "path": str(tmp_path / "1.csv"),
                    "kind": "machines",
                    "rows": 2,
                    "new": 2,
                    "known": 0,
                    "corrected": 0,
                    "rejected": 0,
                    "waiting": 0,
                    "refused": None,
                    "notes": ["separator comma"],
                    "older": 0,
                    "overwritten": 0,
                    "changes": {},
                }
            ]
        }
