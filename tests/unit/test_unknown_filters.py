"""A slip of the pen in a filter must not read as all-clear: every question refuses what the list does not hold."""

from __future__ import annotations

import pytest

from fleetlog.errors import UsageError
from fleetlog.questions import QUESTIONS
from fleetlog.session.fleet import Fleet
from fleetlog.session.scope import Scope

ABOUT_PARTS = sorted(name for name, asked in QUESTIONS.items() if not asked.machine)


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        (Scope(sites=("Tolbek",)), "no site 'Tolbek' on the list .* nearest: Tolbeck"),
        (Scope(sites=("Tolbeck", "Nowhere")), "no site 'Nowhere'"),
        (Scope(build_years=(2081,)), "no build year '2081' on the list .* nearest: 20"),
        (Scope(machines=("37x",)), "no machine '37x' on the list .* nearest: 37"),
    ],
    ids=["site", "second site", "build year", "machine"],
)
@pytest.mark.parametrize("name", ABOUT_PARTS)
def test_it_is_refused_with_what_is_near(demo: Fleet, name: str, wrong: Scope, said: str) -> None:
    with pytest.raises(UsageError, match=said):
        QUESTIONS[name].ask.load()(demo, wrong)


def test_the_story_of_a_machine_that_is_not_on_the_list_is_refused(demo: Fleet) -> None:
    with pytest.raises(UsageError, match=r"no machine '37x' on the list .* nearest: 37"):
        QUESTIONS["unit"].ask.load()(demo, Scope(), machine_id="37x")
