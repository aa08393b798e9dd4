from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from fleetlog.wording import Dictionary, Suggestion, all_told, load_dictionary, read_note


def steps(text: str, dictionary: Dictionary, field: str = "correction") -> set[tuple[str, str, str]]:
    found = read_note(text, field, dictionary)
    return {(s.component, s.action, s.side) for s in found if s.component or s.action or s.side}


def one(text: str, dictionary: Dictionary, field: str = "correction") -> Suggestion:
    found = read_note(text, field, dictionary)
    assert len(found) == 1, found
    return found[0]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("replaced LH sensor", {("position_sensor", "replace", "left")}),
        ("repl. pos. sensor r.h.", {("position_sensor", "replace", "right")}),
        ("repalced snesor rt side", {("position_sensor", "replace", "right")}),
        (
            "bushings renewed, both sides",
            {("internal_bushing", "replace", "left"), ("internal_bushing", "replace", "right")},
        ),
        ("calibrated", {("drive_pump", "calibrate", "")}),
        ("topped up 4 l of hyd oil", set()),
        (
            "swapped sensors side to side",
            {("position_sensor", "test", "left"), ("position_sensor", "test", "right")},
        ),
        ("connector tightened", {("wiring", "adjust", "")}),
        ("R&R pump, new bushing", {("internal_bushing", "replace", "")}),
        ("R&R pump", {("drive_pump", "replace", "")}),
        ("engine out, pump apart, nothing else done", set()),
        ("replaced right drive motor seal", {("drive_motor", "repair", "right")}),
    ],
)
def test_what_was_done(text: str, expected: set[tuple[str, str, str]], dictionary: Dictionary) -> None:
    assert steps(text, dictionary) == expected


@pytest.mark.parametrize(
    "text",
    [
        "did not replace sensor",
        "sensor not replaced",
        "need to replace bushing",
        "recommend new bushing",
        "sensor replaced last visit",
        "bushing on order",
        "no sensor in stock",
        "not the sensor",
        "no cal needed",
        "code cleared",
        "",
        "   ",
    ],
)
def test_what_was_not_done_is_no_step(text: str, dictionary: Dictionary) -> None:
    assert steps(text, dictionary) == set()


def test_a_complaint_tells_of_no_step_of_its_order(dictionary: Dictionary) -> None:
    text = "cust replaced R sensor last week, track torn"
    assert steps(text, dictionary, "complaint") == {("track", "", "")}
    told = all_told(text, "complaint", dictionary)
    assert [(s.component, s.action, s.side, s.earlier) for s in told] == [
        ("position_sensor", "replace", "right", True),
        ("track", "", "", False),
    ]
    assert steps("R neutral code", dictionary, "complaint") == set()


def test_earlier_work_is_told_but_not_counted(dictionary: Dictionary) -> None:
    text = "LH sensor replaced last visit. Today bushing replaced."
    assert steps(text, dictionary) == {("internal_bushing", "replace", "")}
    told = {(s.component, s.action, s.side, s.earlier) for s in all_told(text, "correction", dictionary)}
    assert told == {("position_sensor", "replace", "left", True), ("internal_bushing", "replace", "", False)}


def test_a_finding_that_the_store_has_no_word_for_is_told_alone(dictionary: Dictionary) -> None:
    assert [s.finding for s in all_told("sensor plugs crossed", "cause", dictionary)] == ["crossed"]
    assert read_note("sensor plugs crossed", "cause", dictionary) == []
    assert one("crossed plugs repaired", dictionary).finding == ""


def test_outcomes_of_one_step_are_told_apart_and_the_last_counts(dictionary: Dictionary) -> None:
    text = "cal failed, centered sensor, cal passed"
    told = [s.result for s in all_told(text, "correction", dictionary) if s.action == "calibrate"]
    assert told == ["failed", "passed"]
    counted = [s.result for s in read_note(text, "correction", dictionary) if s.action == "calibrate"]
    assert counted == ["passed"]


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("bucket bushings replaced", {("other", "replace", "")}),
        ("replaced bushing in the lift arm", {("other", "replace", "")}),
        ("idler bushing replaced", {("track", "replace", "")}),
        ("sensor for coolant temperature replaced", {("cooling", "replace", "")}),
        ("joystick sensor replaced", {("other", "replace", "")}),
        ("engine oil pressure sensor plug cleaned", {("wiring", "clean", "")}),
        (
            "adjusted LH track, sprocket on that side replaced",
            {("track", "adjust", "left"), ("track", "replace", "left")},
        ),
        ("coolant hose split, new hose", {("cooling", "replace", "")}),
        ("chafed behind the hydraulic tank, wire taped", {("wiring", "repair", "")}),
        ("replaced left - no, right sensor", {("position_sensor", "replace", "right")}),
        (
            "replaced sensor scratch that it was the bushing replaced the bushing",
            {("internal_bushing", "replace", "")},
        ),
        ("put a new battery in", {("battery", "replace", "")}),
        ("installed sensor ordered last week", {("position_sensor", "replace", "")}),
        ("needs to replace sensor and calibrate", set()),
        ("opened right pump, bushing worn", {("internal_bushing", "inspect", "right")}),
        ("oil filter + fuel filter, 500 h", {("engine", "replace", "")}),
        ("put new pins in the connector", {("wiring", "repair", "")}),
    ],
)
def test_which_part_and_which_step(
    text: str, expected: set[tuple[str, str, str]], dictionary: Dictionary
) -> None:
    assert steps(text, dictionary) == expected


@pytest.mark.parametrize(
    ("text", "result"),
    [
        ("charge pressure 180 psi, spec 310-350", "failed"),
        ("charge pressure 330 psi, spec 310-350", "passed"),
        ("charge pressure 290 psi, min 300", "failed"),
        ("charge pressure 330 psi", ""),
    ],
)
def test_a_number_is_held_against_what_it_should_be(text: str, result: str, dictionary: Dictionary) -> None:
    found = one(text, dictionary)
    assert (found.component, found.action, found.result) == ("drive_pump", "test", result)


@pytest.mark.parametrize(
    "text", ["pulls to the left", "left it running", "all right now", "turning hard left"]
)
def test_words_that_look_like_sides(text: str, dictionary: Dictionary) -> None:
    assert steps(text, dictionary, "complaint") == set()


def test_sides_belong_to_their_own_steps(dictionary: Dictionary) -> None:
    assert steps("new sensor LH, RH only calibrated", dictionary) == {
        ("position_sensor", "replace", "left"),
        ("drive_pump", "calibrate", "right"),
    }


def test_a_side_is_said_of_its_part_alone(dictionary: Dictionary) -> None:
    assert steps("replaced LH sensor, bushing inspected", dictionary) == {
        ("position_sensor", "replace", "left"),
        ("internal_bushing", "inspect", ""),
    }


def test_negated_findings(dictionary: Dictionary) -> None:
    found = one("bushing not worn", dictionary)
    assert (found.component, found.action, found.finding) == (
        "internal_bushing",
        "inspect",
        "no_fault_found",
    )
    assert one("bushing worn", dictionary).finding == "worn"


def test_a_part_told_to_be_sound_was_inspected_as_far_as_its_order_goes(dictionary: Dictionary) -> None:
    assert steps("harness ok, sensor adj", dictionary) == {
        ("wiring", "inspect", ""),
        ("position_sensor", "adjust", ""),
    }
    told = [s.action for s in all_told("harness ok", "correction", dictionary)]
    assert told == [""]


def test_attempts_that_failed(dictionary: Dictionary) -> None:
    found = one("would not calibrate rh", dictionary)
    assert (found.component, found.action, found.side, found.result) == (
        "drive_pump",
        "calibrate",
        "right",
        "failed",
    )
    found = one("sensor won't center", dictionary)
    assert (found.component, found.action, found.result) == ("position_sensor", "adjust", "failed")


def test_a_voltage_measured_is_a_test_and_one_set_is_an_adjustment(dictionary: Dictionary) -> None:
    assert steps("neutral 2.12 V left", dictionary) == {("position_sensor", "test", "left")}
    assert steps("set to 2.00 V left", dictionary) == {("position_sensor", "adjust", "left")}
    assert steps("battery 12.1 V", dictionary) == {("battery", "test", "")}


@pytest.mark.parametrize(
    ("text", "hours"),
    [
        ("came back after 40 hrs", 40.0),
        ("LH code back within 6h", 6.0),
        ("cal held 120,5 hours", 120.5),
        ("same code again 75 running hours later", 75.0),
        ("back for the 2nd time", None),
    ],
)
def test_recurrence(text: str, hours: float | None, dictionary: Dictionary) -> None:
    (found,) = [s for s in read_note(text, "note", dictionary) if s.again]
    assert found.recurrence_hours == hours


@pytest.mark.parametrize(
    "text", ["no code after 2 hrs running", "sensor replaced, 6.5 hrs", "did not come back", "at 2100 h"]
)
def test_hours_that_are_no_recurrence(text: str, dictionary: Dictionary) -> None:
    assert not [s for s in read_note(text, "note", dictionary) if s.recurrence_hours is not None]


def test_a_question_is_less_sure(dictionary: Dictionary) -> None:
    sure = one("bad sensor", dictionary, "cause")
    asked = one("bad sensor?", dictionary, "cause")
    assert asked.component == sure.component == "position_sensor"
    assert asked.confidence <= sure.confidence - 0.25


def test_the_words_it_rests_on(dictionary: Dictionary) -> None:
    text = "checked harness ok; Replaced the RH sensor."
    found = {s.action: s for s in read_note(text, "correction", dictionary)}
    replaced = found["replace"]
    assert [text[start:end] for start, end in replaced.spans] == ["Replaced", "RH sensor"]
    assert replaced.words == "Replaced … RH sensor"


def test_another_field_is_refused(dictionary: Dictionary) -> None:
    with pytest.raises(ValueError, match="'remark' is none of complaint"):
        read_note("x", "remark", dictionary)


@pytest.mark.parametrize("words", ["bushing worn sensor fine ", "left - no ", "replaced LH sensor and ", "("])
def test_a_text_of_any_length_is_read(words: str, dictionary: Dictionary) -> None:
    assert isinstance(read_note(words * 2000, "note", dictionary), list)


_WORDS = sorted({word for phrase in load_dictionary().phrases for word in phrase})


@settings(max_examples=300, deadline=None)
@given(
    st.lists(
        st.one_of(
            st.sampled_from(_WORDS),
            st.sampled_from([".", ",", "/", "-", "?", "2.0", "12", "v", "hrs", "\n", "->"]),
            st.text(max_size=8),
        ),
        max_size=25,
    ).map(" ".join),
    st.sampled_from(["complaint", "cause", "correction", "note"]),
)
def test_any_text_is_read_and_every_span_lies_in_it(text: str, field: str) -> None:
    dictionary = load_dictionary()
    found = read_note(text, field, dictionary)
    assert found == read_note(text, field, dictionary)
    for suggestion in found:
        assert suggestion.spans
        assert all(0 <= start < end <= len(text) for start, end in suggestion.spans)
        assert suggestion.words == " … ".join(text[start:end] for start, end in suggestion.spans)
        assert 0 < suggestion.confidence <= 1
        assert suggestion.side in ("", "left", "right")
        if field == "complaint":
            assert suggestion.action == ""
    keys = [(s.component, s.action, s.side) for s in found if s.component]
    assert len(keys) == len(set(keys))


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        (
            "Calibrated machine, would not pass.",
            {("drive_pump", "calibrate", "", "", "failed")},
        ),
        (
            "Cal LH pass RH fail.",
            {
                ("drive_pump", "calibrate", "left", "", "passed"),
                ("drive_pump", "calibrate", "right", "", "failed"),
            },
        ),
        (
            "Cleaned and tightened battery terminals.",
            {("battery", "clean", "", "", ""), ("battery", "adjust", "", "", "")},
        ),
        (
            "Bushing and sensor, right side, both replaced.",
            {
                ("internal_bushing", "replace", "right", "", ""),
                ("position_sensor", "replace", "right", "", ""),
            },
        ),
        (
            "Replaced bushing LH pump. New cover gasket.",
            {("internal_bushing", "replace", "left", "", ""), ("drive_pump", "repair", "left", "", "")},
        ),
        ("Checked LH sensor, 2.5 V, ok.", {("position_sensor", "test", "left", "", "passed")}),
        (
            "One of the sensor wires broke inside, right side.",
            {("wiring", "", "right", "broken", "")},
        ),
        ("Connector was not tight.", {("wiring", "", "", "loose", "")}),
        ("Nobody looked at the bushing.", set()),
    ],
)
def test_what_is_told_of_a_note(
    text: str, expected: set[tuple[str, str, str, str, str]], dictionary: Dictionary
) -> None:
    found = all_told(text, "correction", dictionary)
    assert {(s.component, s.action, s.side, s.finding, s.result) for s in found} == expected


def test_words_not_known_make_a_reading_doubtful(dictionary: Dictionary) -> None:
    plain = one("replaced LH sensor", dictionary)
    strange = one("zorbed plimmet yonder, replaced LH sensor", dictionary)
    assert strange.confidence < plain.confidence - 0.1
