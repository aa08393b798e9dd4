"""Are some groups worse than the rest? Observed over expected failures, small groups shrunk."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

import polars as pl

from fleetlog.findings.base import WHOLE_FLEET, Scope, header
from fleetlog.findings.fleet import Fleet, selection
from fleetlog.findings.incidence import split
from fleetlog.findings.survival import check_split
from fleetlog.stats.log_rank import holm, log_rank
from fleetlog.stats.risk_table import RiskTable
from fleetlog.stats.small_groups import shrink_groups

if TYPE_CHECKING:
    import altair as alt


@dataclass(frozen=True)
class ComparisonFinding:
    """Groups against what the whole fleet's hazard lets expect of them.

    Attributes:
        by: the column that makes the groups.
        groups: one row a group: group, spells, observed, expected, ratio, ratio_lower, ratio_upper (exact), shrunk,
            lower, upper (credible), chance_above (that the group is worse than the common rate), p_holm (each
            group against the rest, adjusted for looking at all of them).
        spread: how far groups differ beyond chance: coefficient of variation with lower and upper.
        log_rank: the test that no group differs: chi2, df, p.
    """

    as_of: date
    fault: str
    component: str
    by: str
    groups: pl.DataFrame
    spread: Mapping[str, float]
    log_rank: Mapping[str, float] | None
    notes: tuple[str, ...] = ()

    @property
    def frame(self) -> pl.DataFrame:
        """One row a group."""
        return self.groups

    def to_dict(self) -> dict[str, Any]:
        """The groups as rows, the spread and the log-rank test."""
        return header(
            self,
            self.groups.to_dicts(),
            component=self.component,
            by=self.by,
            spread=dict(self.spread),
            log_rank=dict(self.log_rank) if self.log_rank else None,
        )

    def chart(self) -> alt.TopLevelMixin:
        """Observed over expected with intervals, raw and shrunk."""
        from fleetlog.charts import comparison_chart

        return comparison_chart(self)


def compare(
    fleet: Fleet,
    scope: Scope = WHOLE_FLEET,
    *,
    component: str = "internal_bushing",
    by: str = "build_year",
    strata: tuple[str, ...] = (),
    weights: str = "log-rank",
) -> ComparisonFinding:
    """Observed over expected failures by group.

    Args:
        fleet: whom to ask.
        scope: which part of the fleet, as of when.
        component: a part that a fault family follows.
        by: the column that makes the groups.
        strata: compare only within these, e.g. within variants.
        weights: of the log-rank test: log-rank, gehan, tarone-ware, peto-peto or modified-peto.

    Raises:
        UsageError: for a component nobody follows, a column that cannot be split by, or unknown weights.
    """
    history, family = fleet.begin(scope)
    check_split(fleet, component, (by, *strata))
    columns = (by, *(column for column in strata if column != by))
    counted = fleet.store.run("risk/survival", columns, component=component, cause=None, **selection(scope))
    parts = split(counted, columns)
    notes: tuple[str, ...] = ()
    if len({key[0] for key, _ in parts}) < 2:
        notes = (
            f"There are not two groups of {by} with lives under observation, so nothing can be compared.",
        )
        return ComparisonFinding(history.as_of, family.name, component, by, _empty(), {}, None, notes)
    tables = [RiskTable.from_frame(rows) for _, rows in parts]
    names = [key[0] for key, _ in parts]
    within = [key[1:] for key, _ in parts]
    plain = log_rank(tables, groups=names, strata=within)
    weighted = log_rank(tables, groups=names, strata=within, weights=_weights(weights))
    seen = [str(name) for name in plain.groups]
    level = fleet.settings.survival.confidence
    kept = [i for i in range(len(seen)) if plain.expected[i] > 0]
    shrunk = shrink_groups(
        plain.observed[kept],
        plain.expected[kept],
        groups=[seen[i] for i in kept],
        level=level,
        recentre=False,
    )
    spells = {name: 0 for name in seen}
    for (key, _), table in zip(parts, tables, strict=True):
        spells[key[0]] += int(table.spells)
    alone = [_against_the_rest(tables, names, within, seen[i]) for i in kept]
    frame = pl.DataFrame(
        {
            "group": [seen[i] for i in kept],
            "spells": [spells[seen[i]] for i in kept],
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
        }
    )
    return ComparisonFinding(
        as_of=history.as_of,
        fault=family.name,
        component=component,
        by=by,
        groups=frame,
        spread={"spread": shrunk.spread, "lower": shrunk.spread_lower, "upper": shrunk.spread_upper},
        log_rank={"chi2": weighted.chi2, "df": weighted.df, "p": weighted.p},
        notes=_notes(by, strata),
    )


def _against_the_rest(
    tables: list[RiskTable], names: list[str], within: list[tuple[str, ...]], one: str
) -> float:
    return log_rank(tables, groups=[name == one for name in names], strata=within).p


def _weights(name: str) -> Any:
    from fleetlog.errors import UsageError

    known = ("log-rank", "gehan", "tarone-ware", "peto-peto", "modified-peto")
    if name not in known:
        raise UsageError(f"There are no weights {name!r}; take one of {', '.join(known)}.")
    return name


def _empty() -> pl.DataFrame:
    numbers = ("observed", "expected", "ratio", "ratio_lower", "ratio_upper", "shrunk", "lower", "upper")
    return pl.DataFrame(
        schema={
            "group": pl.String,
            "spells": pl.Int64,
            **dict.fromkeys((*numbers, "chance_above", "p_holm"), pl.Float64),
        }
    )


def _notes(by: str, strata: tuple[str, ...]) -> tuple[str, ...]:
    inside = f" within {' and '.join(strata)}" if strata else ""
    return (
        f"Expected is what the fleet's common hazard at each age{inside} lets expect of the lives of each {by}; "
        "small groups are drawn towards it as far as chance explains their difference.",
    )
