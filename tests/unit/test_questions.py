"""The declarations say what the code has: every place, option, frame and picture."""

from __future__ import annotations

import inspect
import re
from typing import Literal, get_args, get_origin, get_type_hints

import polars as pl
import pytest

from fleetlog import methods, questions
from fleetlog.api import FleetPart
from fleetlog.errors import UsageError
from fleetlog.questions import QUESTIONS, Question
from fleetlog.resources import folder
from fleetlog.session.finding import Finding

EVERY = list(QUESTIONS.values())


def parameters(asked: Question) -> dict[str, inspect.Parameter]:
    return dict(list(inspect.signature(asked.ask.load()).parameters.items())[2:])


@pytest.mark.parametrize("asked", EVERY, ids=lambda asked: asked.name)
def test_options_are_the_functions_own(asked: Question) -> None:
    function, known = asked.ask.load(), parameters(asked)
    hints = get_type_hints(function)
    assert list(inspect.signature(function).parameters)[:2] == ["fleet", "scope"]
    for option in asked.options:
        if option.instead and option.kind != "numbers":
            assert option.name in QUESTIONS[option.instead].by_name or option.kind == "flag"
            continue
        own = known[option.name]
        if option.default is not None:
            assert own.default == option.default, option.name
        kinds = [
            one for one in (hints[option.name], *get_args(hints[option.name])) if get_origin(one) is Literal
        ]
        assert option.choices == (get_args(kinds[0]) if kinds else ()), option.name


@pytest.mark.parametrize("asked", EVERY, ids=lambda asked: asked.name)
def test_answers_name_their_question_and_have_the_frames(asked: Question) -> None:
    answer = get_type_hints(asked.ask.load())["return"]
    assert issubclass(answer, Finding)
    assert answer.question == asked.name
    fields = {*dir(answer), *answer.__dataclass_fields__}
    for frame in asked.frames:
        assert frame.name in fields
        assert not frame.whole or frame.whole in fields


@pytest.mark.parametrize("asked", EVERY, ids=lambda asked: asked.name)
def test_charts_and_methods_exist(asked: Question) -> None:
    for chart in asked.charts:
        assert callable(chart.draw.load())
        assert all(name in parameters(asked) for name in chart.options)
    for topic in asked.methods:
        methods.topic(topic)


def test_every_topic_belongs_to_a_question_or_to_the_data() -> None:
    about_data = {"as-of", "spells", "forecast", "risk-table"}
    named = {topic for asked in EVERY for topic in asked.methods}
    assert {topic.name for topic in methods.topics()} <= named | about_data


@pytest.mark.parametrize("asked", EVERY, ids=lambda asked: asked.name)
def test_python_asks_every_question(asked: Question) -> None:
    name = asked.name.replace("-", "_")
    assert getattr(FleetPart, name)._function is asked.ask.load()


def test_names_of_charts_and_exports_are_one_each() -> None:
    charts = [chart.name for asked in EVERY for chart in asked.charts]
    exports = [frame.export for asked in EVERY for frame in asked.frames if frame.export]
    assert len(set(charts)) == len(charts)
    assert len(set(exports)) == len(exports)


def test_declared_sql_is_used_somewhere() -> None:
    """A question is its function, its declaration and its line in the Python interface; no list elsewhere."""
    source = (folder("sql").parent / "fleetlog" / "cli" / "main.py").read_text(encoding="utf-8")
    assert not any(re.search(rf"[\"'/]{asked.name}\b", source) for asked in EVERY if asked.name != "forecast")


def test_unknown_names_are_refused_with_the_nearest() -> None:
    with pytest.raises(UsageError, match="did you mean 'survival'"):
        questions.question("survivl")
    with pytest.raises(UsageError, match="did you mean 'hazard'"):
        questions.question("survival").chart("hazzard")


@pytest.mark.parametrize("name", sorted(questions.exports()))
def test_exports_are_frames(demo_part: FleetPart, name: str) -> None:
    if name in ("backtest", "forecast", "plan", "replacement"):
        return  # asked with fewer draws in their own tests; what they give is the same attribute
    assert isinstance(demo_part.table(name), pl.DataFrame)
