"""Lives as believed: the same as forecast's, robust errors, bounds, and the books where nothing is in doubt."""

from __future__ import annotations

import numpy as np
import polars as pl
import pytest

from fleetlog.belief.part_lives import part_lives
from fleetlog.belief.weighing import weighed_now
from fleetlog.errors import UsageError
from fleetlog.lives.counting import Stretches, lives_of
from fleetlog.lives.cox_by_machine import fit_stretches
from fleetlog.lives.drivers import drivers
from fleetlog.lives.survival import survival
from fleetlog.session.fleet import Fleet, selection
from fleetlog.session.scope import WHOLE_FLEET, Scope
from fleetlog.stats.risk_table import in_grains

PART = "internal_bushing"


def test_survival_counts_the_lives_that_forecast_does(demo: Fleet) -> None:
    history, family = demo.begin(WHOLE_FLEET)
    known = part_lives(demo.store, weighed_now(demo, history, family)).lives.filter(component=PART)
    for group in survival(demo, by="variant").groups:
        mine = known.filter(variant=group.label)
        weight = in_grains(mine["weight"].to_numpy())
        assert group.failures == float((weight * mine["failed"].to_numpy()).sum())
        assert group.spells == mine.select("machine_id", "side", "fit").n_unique()


def test_two_pages_give_one_law(demo: Fleet) -> None:
    """The Weibull fit of survival is that of the lives behind the forecast, without what it knows beforehand."""
    from fleetlog.planning.forecast import forecast

    laws = forecast(demo, WHOLE_FLEET, component=PART, draws=20).laws
    group = next(one for one in survival(demo, by="variant").groups if one.label == "original")
    law = laws.filter(variant="original").row(0, named=True)
    assert group.weibull is not None
    assert law["failures"] == pytest.approx(group.failures, rel=1e-4)
    assert group.weibull["scale_ci"][0] < law["scale_hours"] < group.weibull["scale_ci"][1]


def test_bounds_hold_the_curve_between_them(demo: Fleet) -> None:
    for group in survival(demo, by="variant").groups:
        curve = group.curve
        assert (curve["survival_worst"] <= curve["survival"]).all()
        assert (curve["survival_best"] >= curve["survival"]).all()
        assert (curve["survival_worst"] < curve["survival"]).any()
        assert group.in_doubt > 0
        assert "in doubt" in group.note


def test_believed_failures_are_as_sure_as_their_cases(demo: Fleet) -> None:
    believed, recorded = (survival(demo, endings=endings) for endings in ("believed", "recorded"))  # type: ignore[arg-type]
    (one,), (other,) = believed.groups, recorded.groups
    assert (one.found, other.found, other.in_doubt) == (other.failures, other.failures, 0)
    assert one.failures > other.failures
    assert (believed.endings, recorded.endings) == ("believed", "recorded")
    assert other.curve["survival_worst"].to_list() == other.curve["survival"].to_list()
    assert one.naive["unknown_as_failed"]["lives"] == one.naive["unknown_as_sound"]["lives"] == one.in_doubt


def test_counts_are_exact_sums(demo: Fleet) -> None:
    history, family = demo.begin(WHOLE_FLEET)
    lives = lives_of(demo, history, family, PART, ("site", "side"), selection(WHOLE_FLEET))
    assert lives.believed is not None
    rows = lives.believed.rows.sample(fraction=1.0, shuffle=True, seed=3)
    again = type(lives.believed)(rows).counts(("site", "side"))
    assert again.equals(lives.counts)
    weight = rows["weight"].to_numpy()
    assert np.array_equal(weight, in_grains(weight))
    assert float(lives.counts["entering"].sum()) == float(lives.counts["leaving"].sum())


@pytest.mark.parametrize("scope", [Scope(sites=("Tolbeck",)), Scope(build_years=(2016,))])
def test_a_part_of_the_fleet_holds_its_own_lives(demo: Fleet, scope: Scope) -> None:
    history, family = demo.begin(scope)
    lives = lives_of(demo, history, family, PART, ("site", "build_year"), selection(scope))
    assert lives.believed is not None
    column, values = ("site", scope.sites) if scope.sites else ("build_year", scope.build_years)
    assert set(lives.believed.rows[column]) == set(values)


def test_cox_of_stretches_is_that_of_the_store_where_nothing_is_in_doubt(demo: Fleet) -> None:
    """Every life a stretch of weight one: coefficients and errors by machine are those that the store's sums give."""
    factors = ("site", "side")
    plain = drivers(demo, factors=factors, strata=("variant",), ties="breslow", endings="recorded")
    lives = demo.store.run(
        "risk/lives", [*factors, "variant"], component=PART, cause=None, **selection(WHOLE_FLEET)
    )
    whose = demo.store.select("FROM spell").filter(
        pl.col("component") == PART, pl.col("entry") < pl.col("hours")
    )
    rows = whose.select(
        *factors,
        "variant",
        of_machine="machine_id",
        of_side="side",
        of_fit="fit",
        watched_from="entry",
        entry="entry",
        hours="hours",
        failed=pl.col("failed").cast(pl.Int64),
        to_end=True,
        weight=pl.lit(1.0),
        beside=False,
    )
    assert rows.height == lives.height
    fit, ordered = fit_stretches(
        Stretches(rows).in_words((*factors, "variant")),
        factors,
        ("variant",),
        plain.reference,
        level=demo.settings.survival.confidence,
    )
    told = fit.to_frame()
    assert told["hazard_ratio"].to_list() == pytest.approx(plain.ratios["hazard_ratio"].to_list(), rel=1e-9)
    assert told["robust_std_error"].to_list() == pytest.approx(
        plain.ratios["robust_std_error"].to_list(), rel=1e-6
    )
    assert ordered.c == pytest.approx(plain.concordance["c"])
    assert ordered.std_error == pytest.approx(plain.concordance["std_error"], rel=1e-6)


def test_drivers_count_the_lives_that_survival_does(demo: Fleet) -> None:
    found = drivers(demo, factors=("variant",))
    assert found.model["failures"] == sum(group.failures for group in survival(demo, by="variant").groups)
    assert found.levels["failures"].sum() == pytest.approx(found.model["failures"])
    assert found.model["ties"] == "breslow"


def test_one_finding_alone_reads_the_books(demo: Fleet) -> None:
    assert survival(demo, cause="worn").endings == "recorded"


def test_a_part_behind_no_case_is_as_the_books_say(demo: Fleet) -> None:
    history, family = demo.begin(WHOLE_FLEET)
    for component in ("drive_pump",):
        lives = lives_of(demo, history, family, component, (), selection(WHOLE_FLEET))
        if lives.believed is None:
            assert lives.counts.equals(lives.recorded)


def test_the_test_by_machine_is_told(demo: Fleet) -> None:
    found = survival(demo, by="site")
    assert found.log_rank is not None
    assert 0.0 < found.log_rank["p_by_machine"] <= 1.0
    assert "allowing for lives of one machine being alike" in found.remarks[0]


def test_another_way_of_counting_is_refused(demo: Fleet) -> None:
    with pytest.raises(UsageError, match="Endings cannot count as 'guessed'"):
        survival(demo, endings="guessed")  # type: ignore[arg-type]


def test_an_unrecorded_new_part_is_of_the_newer_variant(demo: Fleet) -> None:
    history, family = demo.begin(WHOLE_FLEET)
    lives = lives_of(demo, history, family, PART, ("variant",), selection(WHOLE_FLEET))
    assert lives.believed is not None
    told = demo.store.select("FROM spell").filter(pl.col("component") == PART)
    own = told.select(of_machine="machine_id", of_side="side", of_fit="fit", booked="variant")
    both = lives.believed.rows.join(own, on=["of_machine", "of_side", "of_fit"])
    assert set(both.filter(pl.col("variant") != pl.col("booked"))["variant"]) <= {family.fresh_variant(PART)}
