"""How rows become evidence: what counts, what counts once, and what does not."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest
from yard import Yard, causes_of, weighed

from fleetlog.belief.evidence_words import NEW_FAULT, STILL_THERE, UNRECORDED


def pieces(yard: Yard, folder: Path) -> list[tuple[str, str]]:
    with yard.fleet(folder) as fleet:
        seen = weighed(fleet, learn=False).evidence_of(0).select("evidence", "outcome").rows()
    return [piece for piece in seen if piece[0] not in (NEW_FAULT, STILL_THERE, UNRECORDED)]


def test_the_same_repair_tried_again_is_a_small_trial(tmp_path: Path) -> None:
    """What calibrating can do for this case was mostly seen at the first try: a second return says little."""
    once = Yard(3000, days=110).code(100).work(101, ("drive_pump", "calibrate", "passed")).code(103)
    twice = Yard(3000, days=110).code(100).work(101, ("drive_pump", "calibrate", "passed")).code(103)
    twice.work(104, ("drive_pump", "calibrate", "passed")).code(106)
    with once.fleet(tmp_path / "once") as fleet:
        before = causes_of(weighed(fleet, learn=False))
    with twice.fleet(tmp_path / "twice") as fleet:
        judged = weighed(fleet, learn=False)
        after = causes_of(judged)
        weights = [reason.weight for reason in judged.reasons(0) if reason.evidence.startswith("back")]
    # 0.2 of 0.9 is left of the chance: the cause loses a factor of 0.82, the others next to nothing.
    assert after["calibration"] == pytest.approx(0.82 * before["calibration"], rel=0.1)
    assert len(weights) == 2
    assert weights[0] > 0.5
    assert 0.0 < weights[1] < 0.1


def test_an_episode_has_one_vote_and_all_modes_count(tmp_path: Path) -> None:
    """A burst of five electrical codes, then a mechanical one after a repair: one vote each."""
    yard = Yard(3000, days=110)
    for hour in range(5):
        yard.code(100 + hour / 24, fmi=5)
    yard.work(101, ("drive_pump", "calibrate", "passed")).code(103, fmi=7)
    with yard.fleet(tmp_path) as fleet:
        judged = weighed(fleet, learn=False)
    modes = judged.evidence_of(0).filter(evidence="failure_mode")
    assert modes.select("outcome", "votes", "total").rows() == [
        ("electrical", 1.0, 2),
        ("mechanical", 1.0, 2),
    ]


def test_one_reading_nearer_to_a_rail_than_to_its_target_is_no_play(tmp_path: Path) -> None:
    """0.7 V is nearer to zero (0.25) than to the target (2.0); 1.3 V is not."""
    circuit = Yard(1000, days=110).code(100).voltage(101, 2.0).voltage(105, 0.7)
    play = Yard(1000, days=110).code(100).voltage(101, 2.0).voltage(105, 1.3)
    assert ("voltage", "near_zero_or_supply") in pieces(circuit, tmp_path / "circuit")
    assert ("voltage", "wanders") in pieces(play, tmp_path / "play")


def test_two_cures_in_one_visit_are_both_tried(tmp_path: Path) -> None:
    """Harness repaired and pump calibrated in one visit, back soon: neither can have been the trouble."""
    one = Yard(1000, "2021-05-01", days=110).code(100, fmi=5).work(101, ("wiring", "repair", "damaged"))
    both = Yard(1000, "2021-05-01", days=110).code(100, fmi=5)
    both.work(101, ("drive_pump", "calibrate"), ("wiring", "repair", "damaged"))
    with one.code(103, fmi=5).fleet(tmp_path / "one") as fleet:
        judged = weighed(fleet, learn=False)
    repaired = dict(zip(judged.causes, judged.of_case[0], strict=True))
    with both.code(103, fmi=5).fleet(tmp_path / "both") as fleet:
        judged = weighed(fleet, learn=False)
    after = dict(zip(judged.causes, judged.of_case[0], strict=True))
    held = [name for name in judged.evidence_of(0)["evidence"] if name.startswith("held:")]
    assert held == ["held:calibrate_pump"]  # the visit goes by its most far-reaching step
    assert after["calibration"] < 0.25 * repaired["calibration"]
    odds = after["wiring"] / after["servo_or_rotating_group"]
    assert odds == pytest.approx(repaired["wiring"] / repaired["servo_or_rotating_group"], rel=0.05)


def test_a_calibration_that_failed_its_own_test_was_no_cure_tried(tmp_path: Path) -> None:
    yard = Yard(3000, days=110).code(100).work(101, ("drive_pump", "calibrate", "failed")).code(103)
    assert pieces(yard, tmp_path) == [("sides", "one"), ("calibrate_pump", "failed")]


def test_what_a_repair_finds_repeats_what_the_inspection_saw(tmp_path: Path) -> None:
    yard = Yard(1000, days=110).code(100)
    yard.work(101, ("wiring", "inspect", "damaged"), ("wiring", "repair", "damaged"))
    assert pieces(yard, tmp_path) == [
        ("sides", "one"),
        ("inspect_wiring", "failed"),
        ("held:repair_wiring", "quiet"),
    ]


def test_a_repair_without_its_inspection_counts_by_its_finding(tmp_path: Path) -> None:
    yard = Yard(1000, days=110).code(100).work(101, ("wiring", "repair", "corroded"))
    with yard.fleet(tmp_path) as fleet:
        judged = weighed(fleet, learn=False)
        evidence = judged.evidence_of(0)
    assert evidence["evidence"].to_list() == [
        "sides", "repair_wiring", "held:repair_wiring", STILL_THERE,
    ]  # fmt: skip
    assert evidence["label"].to_list()[1] == "wiring"
    # mislabelled = 0.03, so the odds for wiring against any other cause move by log(0.97 / 0.03)
    reason = judged.reasons(0)[2]
    assert "confirmed" in reason.evidence


def test_a_repair_that_names_no_finding_tells_that_the_inspection_found_fault(tmp_path: Path) -> None:
    yard = Yard(1000, days=110).code(100).work(101, ("wiring", "repair"))
    assert pieces(yard, tmp_path)[1] == ("inspect_wiring", "failed")


def test_finding_a_calibration_out_speaks_for_it(tmp_path: Path) -> None:
    """The step completed, and it found the calibration out: two observations, both for calibration."""
    plain = Yard(1000, days=102).code(100).work(101, ("drive_pump", "calibrate", "passed"))
    found = Yard(1000, days=102).code(100).work(101, ("drive_pump", "calibrate", "out_of_adjustment"))
    with plain.fleet(tmp_path / "plain") as fleet:
        before = causes_of(weighed(fleet, learn=False))
    with found.fleet(tmp_path / "found") as fleet:
        after = causes_of(weighed(fleet, learn=False))
    assert after["calibration"] > 3 * before["calibration"]


def test_what_an_adjustment_moved_is_no_wandering(tmp_path: Path) -> None:
    """2.31 V, centred, 2.00 V: a steady offset that was adjusted. Without the work it would be play."""
    adjusted = Yard(1000, days=110).code(100).voltage(101, 2.31)
    adjusted.work(101.1, ("position_sensor", "adjust", "passed")).voltage(105, 2.0)
    loose = Yard(1000, days=110).code(100).voltage(101, 2.31).voltage(105, 2.0)
    assert ("voltage", "steady_offset") in pieces(adjusted, tmp_path / "adjusted")
    assert ("voltage", "wanders") in pieces(loose, tmp_path / "loose")


def test_off_to_one_side_and_then_to_the_other_wanders_in_spite_of_adjustments(tmp_path: Path) -> None:
    yard = Yard(3000, days=110).code(100).voltage(101, 1.86)
    yard.work(101.1, ("drive_pump", "calibrate", "passed")).code(103).voltage(104, 2.16)
    assert ("voltage", "wanders") in pieces(yard, tmp_path)


def test_the_cause_sits_in_the_part_that_was_in_when_the_fault_first_showed(tmp_path: Path) -> None:
    """Bushing renewed, code back after 30 h: the prior is that of the old bushing, not of the one 30 h old."""
    yard = Yard(3000, days=110).code(100, fmi=7).work(101, ("internal_bushing", "replace", "worn"))
    yard.code(104, fmi=7)
    with yard.fleet(tmp_path) as fleet:
        judged = weighed(fleet, learn=False)
    bushing = judged.causes.index("internal_bushing")
    assert judged.onset_hours[0, bushing] == pytest.approx(4000, abs=0.2)
    assert judged.onset_variants[bushing][0] == "original"
    assert judged.age_hours[0, bushing] == pytest.approx(30, abs=0.2)
    assert judged.variants[bushing][0] == "improved"


def test_back_long_after_a_good_repair_is_a_case_of_its_own(tmp_path: Path) -> None:
    """Worn bushing renewed, quiet 450 h, then a code: a fault left in would have shown long before."""
    yard = Yard(3000, days=150).code(100, fmi=7).work(101, ("internal_bushing", "replace", "worn"))
    yard.code(146, fmi=4)
    with yard.fleet(tmp_path) as fleet:
        judged = weighed(fleet, learn=False)
    assert judged.cases["state"].to_list() == ["closed", "open"]
    assert judged.cases["episodes"].to_list() == [1, 1]
    assert causes_of(judged, 0)["internal_bushing"] > 0.9
    assert causes_of(judged, 1)["internal_bushing"] < 0.3
    assert judged.onset_variants[0][1] == "improved"
    assert judged.confirmed().to_list() == ["internal_bushing", None]


def test_back_soon_after_a_good_repair_is_the_same_case(tmp_path: Path) -> None:
    """Back after 30 h: the old fault, with a small chance, spoken of, that it is another."""
    yard = Yard(3000, days=150).code(140, fmi=7).work(141, ("internal_bushing", "replace", "worn"))
    yard.code(144, fmi=7)
    with yard.fleet(tmp_path) as fleet:
        judged = weighed(fleet, learn=False)
    assert judged.cases["state"].to_list() == ["open"]
    assert judged.uncured[0] > 0.5
    assert "another fault" in judged.reasons(0)[-2].evidence
    assert judged.confirmed().to_list() == [None]


def test_what_counts_as_confirmed(tmp_path: Path) -> None:
    """A finding of the repair that held; or a repair that cures one cause only, quiet for the whole window."""
    settled = {
        "worn": ([("internal_bushing", "replace", "worn")], 110, "internal_bushing"),
        "sound": ([("internal_bushing", "replace", "no_fault_found")], 190, None),
        "long": ([("drive_pump", "calibrate", "passed")], 190, "calibration"),
        "short": ([("drive_pump", "calibrate", "passed")], 120, None),
        "sensor": ([("position_sensor", "replace")], 190, None),
    }
    for name, (lines, days, cause) in settled.items():
        with Yard(3000, days=days).code(100).work(101, *lines).fleet(tmp_path / name) as fleet:
            assert weighed(fleet).confirmed().to_list() == [cause], name


def test_nothing_learnt_later_changes_an_earlier_day(tmp_path: Path) -> None:
    """As of day 103 the later sensor swap and its failure are unknown, learnt figures included."""
    early = Yard(3000, days=110).code(100, fmi=7).work(101, ("drive_pump", "calibrate", "failed")).code(103)
    late = Yard(3000, days=110).code(100, fmi=7).work(101, ("drive_pump", "calibrate", "failed")).code(103)
    late.work(105, ("position_sensor", "replace")).code(107).code(109, side="right")
    day = date(2024, 4, 14)
    with early.fleet(tmp_path / "early") as fleet:
        expected = weighed(fleet, as_of=day)
    with late.fleet(tmp_path / "late") as fleet:
        found = weighed(fleet, as_of=day)
    assert found.posterior.probability.tolist() == expected.posterior.probability.tolist()
    assert found.fit is not None
    assert expected.fit is not None
    assert found.fit.log_posterior == expected.fit.log_posterior


def test_a_part_of_unknown_variant_takes_the_general_hazard(tmp_path: Path) -> None:
    yard = Yard(3000, built="", days=110).code(100, fmi=7)
    with yard.fleet(tmp_path) as fleet:
        judged = weighed(fleet, learn=False)
    assert judged.onset_variants[0][0] == ""
    assert judged.onset_hours[0, 0] == pytest.approx(4000, abs=0.2)  # the machine's own hours
    assert judged.posterior.probability[0].sum() == pytest.approx(1.0)


def test_a_return_long_after_is_the_same_fault_where_nobody_repaired_it(tmp_path: Path) -> None:
    """Quiet for longer than the confirmation window, which closes the history's case: 600 h, then 3,000 h."""
    for hours, cases in ((600, 1), (3000, 2)):
        yard = Yard(2000, days=10 + hours // 10).code(5).code(5 + hours / 10)
        with yard.fleet(tmp_path / str(hours)) as fleet:
            assert weighed(fleet, learn=False).cases.height == cases
    repaired = Yard(2000, days=80).code(5).work(6, ("internal_bushing", "replace", "worn")).code(65)
    with repaired.fleet(tmp_path / "repaired") as fleet:
        assert weighed(fleet, learn=False).cases.height == 2


def test_a_report_without_a_side_after_a_repair_puts_it_back_in_doubt_until_it_falls_silent(
    tmp_path: Path,
) -> None:
    """The return names no side, so it is a case of its own; long quiet after it speaks for this one too."""
    back = Yard(4000, days=112).code(100).work(101, ("drive_pump", "calibrate", "passed")).code(110, side="")
    quiet = Yard(4000, days=500).code(100).work(101, ("drive_pump", "calibrate", "passed")).code(110, side="")
    with back.fleet(tmp_path / "back") as fleet:
        soon = weighed(fleet, learn=False)
    with quiet.fleet(tmp_path / "quiet") as fleet:
        late = weighed(fleet, learn=False)
    left = soon.cases["side"].to_list().index("left")
    assert soon.standing[left] > 0.7
    assert late.standing[left] < 0.05


def test_a_repair_too_late_to_answer_a_case_may_have_ended_its_fault(tmp_path: Path) -> None:
    alone = Yard(4000, days=175).code(100, fmi=7).code(104, fmi=7)
    done = Yard(4000, days=175).code(100, fmi=7).code(104, fmi=7)
    done.work(170, ("drive_pump", "replace"))
    with alone.fleet(tmp_path / "alone") as fleet:
        before = weighed(fleet, learn=False)
    with done.fleet(tmp_path / "done") as fleet:
        after = weighed(fleet, learn=False)
    pump = before.layout.cures.index("replace_pump")
    kept = (1.0 - before.model.cure[pump]) * before.stands[0]
    assert after.stands[0] == pytest.approx(kept, rel=1e-6)
    assert after.standing[0] < 0.5 * before.standing[0]


def test_one_burst_of_codes_is_less_surely_a_fault_where_most_bursts_pass(tmp_path: Path) -> None:
    """Ten machines on which a code came once and never again, and one whose case is a burst of yesterday."""
    yard = Yard(4000, days=400)
    for number in range(10):
        name = f"P{number}"
        machine = dict(yard.tables["machines"][0], machine_id=name)
        yard.add("machines", **machine)
        for reading in [row for row in yard.tables["meter_readings"] if row["machine_id"] == "A"]:
            yard.add("meter_readings", **dict(reading, machine_id=name))
        yard.code(50 + number)
        yard.tables["fault_codes"][-1]["machine_id"] = name
    yard.code(399)
    with yard.fleet(tmp_path) as fleet:
        judged = weighed(fleet)
        plain = weighed(fleet, learn=False)
    own = judged.cases["machine_id"].to_list().index("A")
    other = judged.cases["machine_id"].to_list().index("P0")
    assert judged.unrecorded_ends.passing > 0.1
    assert plain.unrecorded_ends.passing == 0.0
    assert judged.standing[own] < plain.standing[own]
    assert judged.real[other] < judged.real[own] < 1.0
    assert judged.of_case.sum(axis=1) == pytest.approx(judged.real, rel=1e-12)
