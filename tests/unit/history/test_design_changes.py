"""Which variant a part has, by what the fleet states of its makers and by what is on record."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import pytest
from small_fleet import MACHINE, fleet_of, rows
from test_episodes_and_repairs import STEADY, line, order

from fleetlog.faults import DesignChange
from fleetlog.history import refresh_history
from fleetlog.session.fleet import open_fleet
from fleetlog.session.status import status
from fleetlog.settings import load_settings
from fleetlog.simulation.files import changes_text

MAKER = {**MACHINE, "make": "Corvane", "model": "Tarn 3", "serial_number": "CV004000"}


def change(variant: str = "improved", **more: Any) -> DesignChange:
    return DesignChange("internal_bushing", variant, **more)


def variants(
    folder: Path, *changes: DesignChange, machine: dict[str, Any] = MAKER, **tables: Any
) -> list[str]:
    """Of the bushings of the left side, one after the other."""
    files = {"machines": [machine], "meter_readings": STEADY, **tables}
    with fleet_of(folder, files, changes_text(changes)) as fleet:
        found = rows(fleet, "spell WHERE component = 'internal_bushing' AND side = 'left'", "fit, variant")
    return [variant for _, variant in found]


FROM_2015, FROM_2016, FROM_2017 = date(2015, 1, 1), date(2016, 3, 1), date(2017, 1, 1)


@pytest.mark.parametrize(
    ("changes", "variant"),
    [
        ((), "unknown"),
        ((change(built_from=FROM_2016),), "improved"),
        ((change(built_from=FROM_2017),), "original"),  # built before the change: the design before it
        (
            (change("original", built_from=FROM_2017),),
            "unknown",
        ),  # nothing is known to come before the oldest
        ((change(built_from=FROM_2015, built_to=date(2016, 2, 29)),), "unknown"),
        ((change(built_from=FROM_2015, built_to=FROM_2016),), "improved"),
        ((change(make="CORVANE", built_from=FROM_2015),), "improved"),
        ((change(make="Ossel", built_from=FROM_2015),), "unknown"),
        ((change(make="Corvane", model="Tarn 3", built_from=FROM_2015),), "improved"),
        ((change(make="Corvane", model="Tarn 4", built_from=FROM_2015),), "unknown"),
        ((change(serial_from="CV004000"),), "improved"),
        ((change(serial_from="CV004001"),), "original"),
        ((change(serial_from="CV003000", serial_to="CV003999"),), "unknown"),
        ((change(serial_from="CV03000"),), "unknown"),  # a shorter number is counted otherwise
        ((change(serial_from="CX003000"),), "unknown"),
        # The make's own change goes before everybody's, that of the model before it, serial numbers before all.
        ((change(built_from=FROM_2015), change(make="Corvane", built_from=FROM_2017)), "original"),
        (
            (
                change(make="Corvane", model="Tarn 3", built_from=FROM_2015),
                change(make="Corvane", built_from=FROM_2017),
            ),
            "improved",
        ),
        (
            (
                change(serial_from="CV004001"),
                change(make="Corvane", model="Tarn 3", built_from=FROM_2015),
            ),
            "original",
        ),
        # Of two that fit alike the later one.
        ((change("original", built_from=FROM_2016), change(built_from=FROM_2015)), "original"),
        ((change("original", built_from=FROM_2015), change(built_from=FROM_2016)), "improved"),
    ],
)
def test_the_most_specific_change_decides(
    changes: tuple[DesignChange, ...], variant: str, tmp_path: Path
) -> None:
    assert variants(tmp_path, *changes) == [variant]


def test_a_machine_without_make_or_number_is_covered_by_what_holds_for_all(tmp_path: Path) -> None:
    serial = change(make="Corvane", serial_from="CV000001")
    assert variants(tmp_path / "own", serial, machine=MACHINE) == ["unknown"]
    assert variants(tmp_path / "all", serial, change(built_from=FROM_2015), machine=MACHINE) == ["improved"]


def test_the_list_of_parts_goes_before_the_change(tmp_path: Path) -> None:
    listed = {
        "machine_id": "A",
        "component": "internal_bushing",
        "side": "left",
        "variant": "original",
        "fitted_on": "2016-03-01",
        "fitted_hours": "0",
    }
    assert variants(tmp_path, change(built_from=FROM_2015), components=[listed]) == ["original"]


@pytest.mark.parametrize(
    ("changes", "fitted"),
    [
        ((change(serial_from="CV004001"),), "unknown"),  # a machine's number tells nothing of a spare part
        (
            (change(make="Ossel", built_from=date(2020, 2, 1)),),
            "improved",
        ),  # what a maker built in by then is sold
        ((change(make="Ossel", built_from=date(2020, 6, 1)),), "original"),
    ],
)
def test_a_spare_part_is_the_service_part_once_anybody_builds_it_in(
    changes: tuple[DesignChange, ...], fitted: str, tmp_path: Path
) -> None:
    done = line("W1", "internal_bushing", "replace", side="left", finding="worn", done_at="2020-03-01T00:00")
    found = variants(tmp_path, *changes, work_orders=[order("W1", "2020-03-01")], work_lines=[done])
    assert found[1:] == [fitted]


def test_another_change_builds_the_history_anew(tmp_path: Path) -> None:
    files = {"machines": [MAKER], "meter_readings": STEADY}
    with fleet_of(tmp_path, files) as fleet:
        refresh_history(fleet.store, fleet.families, fleet.settings)
    with open_fleet(tmp_path / "fleetlog.duckdb") as fleet:
        assert fleet.history().rebuilt == 0
    (tmp_path / "fleetlog.toml").write_text(changes_text([change(built_from=FROM_2015)]), encoding="utf-8")
    with open_fleet(tmp_path / "fleetlog.duckdb") as fleet:
        assert fleet.history().rebuilt == 1


def test_status_names_a_change_that_fits_no_machine(tmp_path: Path) -> None:
    changes = (
        change(make="corvane", built_from=FROM_2015),
        change(make="Corvain", built_from=FROM_2015),
        change(make="Corvane", serial_from="CW004000"),
    )
    files = {"machines": [MAKER], "meter_readings": STEADY}
    with fleet_of(tmp_path, files, changes_text(changes)) as fleet:
        second, third = status(fleet).notes
    assert "design_changes[2]" in second
    assert "Corvain" in second
    assert "design_changes[3]" in third
    assert "CW004000" in third


def test_what_a_simulator_writes_reads_as_it_was(tmp_path: Path) -> None:
    changes = (
        change(make='Cor"vane', model="Tarn", built_from=FROM_2015, built_to=FROM_2017),
        change(serial_from="007", serial_to="010"),
    )
    (tmp_path / "fleetlog.toml").write_text(changes_text(changes), encoding="utf-8")
    assert load_settings(tmp_path / "fleetlog.toml").design_changes == changes
