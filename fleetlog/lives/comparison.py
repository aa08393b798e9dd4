"""Are some groups worse than the rest? Observed over expected failures, small groups shrunk."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import ClassVar

import polars as pl

from fleetlog.lives.counting import ComponentLives, Endings, endings_of, lives_of
from fleetlog.lives.group_test import DESIGN, compared
from fleetlog.lives.remarks import comparison_remarks
from fleetlog.lives.splits import (
    Weighting,
    check_apart,
    check_split,
    failure_finding,
    followed_component,
    split,
    weighting,
)
from fleetlog.session.finding import Finding
from fleetlog.session.fleet import Fleet, selection
from fleetlog.session.scope import WHOLE_FLEET, Columns, Scope, columns_of
from fleetlog.stats.log_rank import holm, log_rank
from fleetlog.stats.risk_table import RiskTable
from fleetlog.stats.small_groups import shrink_groups

# With fewer groups than this there is little to learn their spread from.
_FEW_GROUPS = 5


@dataclass(frozen=True, repr=False)
class ComparisonFinding(Finding):
    """Groups against what the whole fleet's hazard lets expect of them.

    Attributes:
        by: the column that makes the groups.
        strata: columns within whose values alone groups are compared.
        test: weights of the log-rank tests.
        groups: one row a group: group, spells, observed, expected, ratio, ratio_lower, ratio_upper (exact),
            shrunk, lower, upper (credible), chance_above (that the group is worse than the common rate),
            p_holm (each group against the rest, adjusted for looking at all of them).
        spread: how far groups differ beyond chance: coefficient of variation with lower and upper.
        log_rank: the test that no group differs: chi2, df, p.
    """

    question: ClassVar[str] = "compare"
    answers = ("component", "cause", "by", "strata", "test", "spread", "log_rank")

    as_of: date
    fault: str
    component: str
    by: str
    groups: pl.DataFrame
    spread: Mapping[str, float]
    log_rank: Mapping[str, float] | None
    notes: tuple[str, ...] = ()
    cause: str = "any failure"
    strata: tuple[str, ...] = ()
    test: str = "log-rank"

    @property
    def frame(self) -> pl.DataFrame:
        """One row a group."""
        return self.groups

    @property
    def remarks(self) -> tuple[str, ...]:
        """The test between the groups."""
        return comparison_remarks(self.test, self.log_rank, self.strata)


def compare(
    fleet: Fleet,
    scope: Scope = WHOLE_FLEET,
    *,
    component: str | None = None,
    cause: str | None = None,
    by: str = "build_year",
    strata: Columns | None = None,
    test: Weighting = "log-rank",
    endings: Endings = "believed",
) -> ComparisonFinding:
    """Observed over expected failures by group.

    Args:
        component: a part that a fault family follows; None: the one the family is about.
        cause: a finding on removal ("worn", …) that counts as failure; None = any failure.
        by: the column that makes the groups.
        strata: compare only within these; None: within designs (variant) where the groups are not designs
            themselves, so that no build year is blamed for a change of the part; () compares across all.
        test: weights of the log-rank tests: log-rank, gehan, tarone-ware, peto-peto or modified-peto.
        endings: believed: a life that may have ended by failure counts by the chance of its case; recorded: by
            the findings on record alone.
            Observed and expected failures are counted without weights.

    Raises:
        UsageError: for a component nobody follows, a finding that is no failure of it, a
            column that cannot be split by, or an unknown test.

    Examples:
        >>> june.compare(by="site").groups["group"].sort().to_list()
        ['Alder Cross', 'Brindle Fork', 'Tolbeck', 'Wrenmouth']
    """
    strata = tuple({DESIGN} - {by}) if strata is None else columns_of(strata)
    history, family = fleet.begin(scope)
    component = followed_component(fleet, family, component)
    cause = failure_finding(fleet, component, cause)
    check_split((by, *strata))
    check_apart((by,), strata)
    weights = weighting(test)
    lives = lives_of(
        fleet,
        history,
        family,
        component,
        (by, *strata),
        selection(scope),
        cause=cause,
        endings=endings_of(endings),
    )
    parts = split(lives.counts, (by, *strata))
    names = [key[0] for key, _ in parts]
    within = [key[1:] for key, _ in parts]
    answer = ComparisonFinding(
        as_of=history.as_of,
        fault=family.name,
        component=component,
        by=by,
        groups=_EMPTY,
        spread={},
        log_rank=None,
        cause=cause or "any failure",
        strata=strata,
        test=test,
    )
    if len(set(names)) < 2:
        why = f"There are not two groups of {by} with lives under observation, so nothing can be compared."
        return replace(answer, notes=(why,))
    tables = [RiskTable.from_frame(rows) for _, rows in parts]
    plain = log_rank(tables, groups=names, strata=within)
    if not plain.observed.sum() > 0:
        return replace(answer, notes=("Nothing has failed here, so nothing can be compared.",))
    whole = compared(lives, (by,), strata, weights)
    seen = [str(name) for name in plain.groups]
    comparable = [i for i in range(len(seen)) if plain.expected[i] > 0]
    shrunk = shrink_groups(
        plain.observed[comparable],
        plain.expected[comparable],
        groups=[seen[i] for i in comparable],
        level=fleet.settings.survival.confidence,
        recentre=False,
    )
    spells = _spells(lives, by, names, tables)
    weighed = (
        plain if weights == plain.weights else log_rank(tables, groups=names, strata=within, weights=weights)
    )
    alone = [weighed.alone(i) for i in comparable]
    frame = pl.DataFrame(
        {
            "group": [seen[i] for i in comparable],
            "spells": [spells[seen[i]] for i in comparable],
            "observed": shrunk.observed,
            "expected": shrunk.expected,
            "ratio": shrunk.raw,
            "ratio_lower": shrunk.raw_lower,
            "ratio_upper": shrunk.raw_upper,
            "shrunk": shrunk.shrunk,
            "lower": shrunk.lower,
            "upper": shrunk.upper,
            "chance_above": shrunk.probability_above,
            "p_holm": holm(alone),
        },
        schema=_COLUMNS,
    )
    never = [seen[i] for i in range(len(seen)) if i not in comparable]
    return replace(
        answer,
        groups=frame,
        spread={"spread": shrunk.spread, "lower": shrunk.spread_lower, "upper": shrunk.spread_upper},
        log_rank=whole,
        notes=(*_notes(by, strata, never, frame.height), *([lives.note] if lives.note else [])),
    )


def _spells(
    lives: ComponentLives, by: str, names: Sequence[str], tables: Sequence[RiskTable]
) -> Mapping[str, int]:
    """How many lives each group holds."""
    if lives.believed is not None:
        life = ("of_machine", "of_side", "of_fit")
        return {key[0]: rows.select(life).n_unique() for key, rows in split(lives.believed.rows, (by,))}
    return {
        name: int(sum(t.spells for n, t in zip(names, tables, strict=True) if n == name))
        for name in set(names)
    }


_COLUMNS = {
    "group": pl.String,
    "spells": pl.Int64,
    "observed": pl.Float64,
    **dict.fromkeys(
        (
            "expected",
            "ratio",
            "ratio_lower",
            "ratio_upper",
            "shrunk",
            "lower",
            "upper",
            "chance_above",
            "p_holm",
        ),
        pl.Float64,
    ),
}
_EMPTY = pl.DataFrame(schema=_COLUMNS)


def _notes(by: str, strata: tuple[str, ...], never: list[str], groups: int) -> tuple[str, ...]:
    inside = f" within {' and '.join(strata)}" if strata else ""
    notes = [
        f"Expected is what the fleet's common hazard at each age{inside} lets expect of the lives of each "
        f"{by}. The ratio is raw, observed over expected; shrunk is the same drawn towards 1 as far as chance "
        "explains the difference, small groups most."
    ]
    if never:
        notes.append(f"Left out, since never watched at an age at which anything failed: {', '.join(never)}.")
    if groups < _FEW_GROUPS:
        notes.append(
            f"From {groups} groups little can be learnt about how far groups differ: read the plain ratio "
            "and its interval too."
        )
    return tuple(notes)
