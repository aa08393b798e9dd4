"""What an old hand would say, asked of small fleets loaded from files. Common practice, no source.

Each answer must hold with the family's own figures and with those learnt from the fleet, which in a fleet of
one machine must stay near them.
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from yard import Yard, causes_of, weighed

from fleetlog.causes.case import Suspect
from fleetlog.causes.suspects import suspects
from fleetlog.errors import UsageError
from fleetlog.session.scope import Scope

OLD_PUMP, NEW_PUMP = "2015-05-01", "2021-05-01"


def only_case(yard: Yard, folder: Path) -> Suspect:
    with yard.fleet(folder) as fleet:
        found = suspects(fleet)
    assert len(found.cases) == 1, found.frame
    return found.cases[0]


def worn_out(hours: float = 4000.0) -> Yard:
    """An old pump at 4,000 h: wiring good, calibration failed."""
    return (
        Yard(hours - 1000, OLD_PUMP, days=110)
        .code(100, fmi=7)
        .work(101, ("wiring", "inspect", "passed"), ("drive_pump", "calibrate", "failed"))
        .code(104, fmi=7)
    )


def test_old_pump_wiring_good_calibration_failed_is_the_bushing(tmp_path: Path) -> None:
    case = only_case(worn_out(), tmp_path)
    assert case.state == "open"
    assert case.variant == "original"
    assert case.top_cause == "internal_bushing"
    assert case.causes["internal_bushing"] > 0.9
    assert case.causes["position_sensor"] < 0.05
    assert math.fsum(case.causes.values()) == pytest.approx(1.0, abs=1e-12)


def test_a_sensor_replaced_in_vain_was_not_the_sensor(tmp_path: Path) -> None:
    yard = worn_out().work(105, ("position_sensor", "replace")).code(108, fmi=7)
    case = only_case(yard, tmp_path)
    assert case.causes["internal_bushing"] > 0.9
    assert case.causes["position_sensor"] < 0.01


def test_a_code_back_soon_after_a_good_calibration_is_the_bushing(tmp_path: Path) -> None:
    yard = (
        Yard(3000, OLD_PUMP, days=110)
        .code(100, fmi=7)
        .work(101, ("wiring", "inspect", "passed"), ("drive_pump", "calibrate", "passed"))
        .code(105, fmi=7)
    )
    case = only_case(yard, tmp_path)
    assert case.causes["internal_bushing"] > 0.9
    assert case.causes["calibration"] < 0.05


def test_improved_bushing_electrical_code_and_no_voltage_is_wiring_or_sensor(tmp_path: Path) -> None:
    yard = Yard(0, NEW_PUMP, days=82).code(80, fmi=4).voltage(81, 0.05)
    case = only_case(yard, tmp_path)
    assert case.variant == "improved"
    assert case.top_cause in ("wiring", "position_sensor")
    assert case.causes["internal_bushing"] < 0.2


def test_a_calibration_that_held_600_hours_closes_the_case_as_calibration(tmp_path: Path) -> None:
    yard = Yard(1000, NEW_PUMP, days=170).code(100, fmi=13).work(101, ("drive_pump", "calibrate", "passed"))
    yard.code(100.1, fmi=13)
    with yard.fleet(tmp_path) as fleet:
        assert suspects(fleet).cases == ()
        judged = weighed(fleet)
        assert judged.cases["state"].to_list() == ["closed"]
        assert judged.cases["quiet_tenths"][0] >= 6000
        causes = causes_of(judged)
    assert max(causes, key=causes.__getitem__) == "calibration"


def test_a_chafed_harness_repaired_and_quiet_since_was_the_wiring(tmp_path: Path) -> None:
    yard = (
        Yard(1000, NEW_PUMP, days=130)
        .code(100, fmi=5)
        .work(101, ("wiring", "inspect", "damaged"), ("wiring", "repair", "damaged"))
    )
    with yard.fleet(tmp_path) as fleet:
        causes = causes_of(weighed(fleet))
    assert max(causes, key=causes.__getitem__) == "wiring"
    assert causes["wiring"] > 0.9


def test_even_on_an_old_pump_a_repaired_harness_that_held_was_the_wiring(tmp_path: Path) -> None:
    yard = Yard(3000, OLD_PUMP, days=190).code(100, fmi=4)
    yard.work(101, ("wiring", "inspect", "damaged"), ("wiring", "repair", "damaged"))
    with yard.fleet(tmp_path) as fleet:
        causes = causes_of(weighed(fleet))
    assert max(causes, key=causes.__getitem__) == "wiring"


def test_both_sides_at_once_speaks_for_what_they_share(tmp_path: Path) -> None:
    yard = Yard(1000, NEW_PUMP, days=101).code(100, fmi=13).code(100.2, fmi=13, side="right")
    with yard.fleet(tmp_path) as fleet:
        found = suspects(fleet)
    assert {case.side for case in found.cases} == {"left", "right"}
    for case in found.cases:
        assert case.top_cause in ("calibration", "wiring")
        assert any("both sides" in reason.evidence and reason.weight > 0 for reason in case.reasons)


def test_a_manual_machine_cannot_have_it(tmp_path: Path) -> None:
    with Yard(3000, control="manual").code(100, fmi=7).fleet(tmp_path) as fleet:
        assert suspects(fleet).cases == ()
        with pytest.raises(UsageError, match="cannot have the fault") as error:
            suspects(fleet, Scope(machines=("A",)))
    assert "fault_codes.csv" in str(error.value)


@pytest.mark.parametrize("learn", [False, True])
def test_reasons_add_up_to_the_answer(learn: bool, tmp_path: Path) -> None:
    yard = worn_out().work(105, ("position_sensor", "replace")).code(108, fmi=7).voltage(100.5, 2.4)
    with yard.fleet(tmp_path) as fleet:
        judged = weighed(fleet, learn=learn)
    top = float(judged.posterior.probability[0].max())
    total = math.fsum(reason.weight for reason in judged.reasons(0))
    assert total == pytest.approx(math.log(top / (1.0 - top)), abs=1e-9)
