"""What stands on the month's page, and the tables of its numbers."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import polars as pl

from fleetlog.belief.reason import Reason
from fleetlog.causes.case import Suspect
from fleetlog.lives.survival import SurvivalFinding
from fleetlog.phrasing import capital, group_name
from fleetlog.planning.forecast_verification import ForecastVerification
from fleetlog.planning.open_work import BESIDE, DOUBTFUL, OPEN
from fleetlog.planning.plan import AHEAD
from fleetlog.reporting.findings import ReportFindings
from fleetlog.reporting.pictures import Picture
from fleetlog.reporting.sheet import lacking
from fleetlog.reporting.tables import CellWording, page_table
from fleetlog.table_specs import table_specs

_DETAILED = 40

#: The method texts behind each section of the page.
SECTION_METHODS: Mapping[str, tuple[str, ...]] = {
    "cases": ("suspects", "confirmation", "episodes", "costs"),
    "plan": ("plan", "replacement", "costs"),
    "life": ("spells", "delayed-entry", "survival", "weibull", "few-failures", "small-groups", "log-rank"),
    "ahead": ("forecast", "weibull", "costs"),
    "met": ("forecast", "as-of"),
    "repairs": ("comeback-rate", "mean-cumulative-count", "small-groups"),
    "money": ("costs", "suspects"),
    "records": ("data-quality", "running-hours"),
}


@dataclass(frozen=True)
class CaseView:
    """A case as the page presents it.

    Attributes:
        page: of the unit, "" if it has none; anchor: of the case on the month's page.
        sure: how sure in a word.
        custom_cost, saving: against the custom of the trade; None where not known.
        why: reasons in falling strength, each with its strength in a word.
        rest: the other causes that are not negligible, with their probability.
    """

    case: Suspect
    page: str
    anchor: str
    sure: str
    custom_cost: float | None
    saving: float | None
    why: tuple[tuple[str, Reason], ...]
    rest: tuple[tuple[str, float], ...]

    @property
    def reach(self) -> tuple[float, float]:
        """The greatest weight against and the greatest weight for, for bars on one scale."""
        weights = [reason.weight for reason in self.case.reasons]
        return max(0.0, -min(weights, default=0.0)), max(0.0, *weights, 1e-9)


def month_page(
    findings: ReportFindings,
    frames: Mapping[str, pl.DataFrame],
    pages: Mapping[str, str],
    pictures: Mapping[str, Picture],
) -> dict[str, Any]:
    """The context of report.html.j2.

    Args:
        findings: the month.
        frames: its tables, as `table_frames` gives them.
        pages: machine -> path of its page.
        pictures: as `month_pictures` names them.
    """
    wording = wording_of(findings, pages)
    views = case_views(findings, pages)
    open_cases = [view for view in views if view.case.state == "open"]
    savings = [view.saving for view in open_cases if view.saving is not None]
    lives = [one for one in (findings.survival_by_variant, findings.survival_by_build_year) if one]
    life_notes = [note for one in (*lives, findings.comparison) if one for note in one.notes]
    return {
        "root": "",
        "f": findings,
        "lacking": lacking(findings.sheet) if findings.sheet else [],
        "title": f"{findings.fleet}, {findings.month:%B %Y}",
        "month": f"{findings.month:%B %Y}",
        "before": f"{findings.suspects_before.as_of:%B}",
        "change_counts": [
            (kind, len(group), group) for kind, group in _grouped((one.kind, one) for one in findings.changes)
        ],
        "cases": open_cases[:_DETAILED],
        "unpaged": len({view.case.machine_id for view in views} - set(pages)),
        "cases_left": max(0, len(open_cases) - _DETAILED),
        "open_cases": open_cases,
        "jobs": jobs(open_cases),
        "jobs_open": _planned(findings, {OPEN: "on open cases", DOUBTFUL: "on doubtful repairs"}),
        "jobs_ahead": _planned(findings, {AHEAD: "ahead of failure", BESIDE: "while a machine is open"}),
        "watched": [view for view in views if view.case.state != "open"],
        "careful_work": any(view.case.cautions for view in views),
        "saving": sum(savings) if savings else None,
        "saving_cases": len(savings),
        "expected": _total(findings.cost.cases, "expected_cost"),
        "custom": _total(findings.cost.cases, "custom_cost"),
        "spent": _total(findings.cost.spent, "cost") or 0.0,
        "spent_before": _total(findings.cost.spent_before, "cost") or 0.0,
        "group_notes": {one.by[0]: group_notes(one, findings.words) for one in lives},
        "life_notes": dict.fromkeys(life_notes),
        "pictures": pictures,
        "tables": {
            spec.name: page_table(spec, findings, frames[spec.name], "tables", wording)
            for spec in table_specs("month")
            if spec.columns and spec.name in frames
        },
        "section_methods": _section_methods(findings),
        "surprises": surprises(findings.verification) if findings.verification is not None else [],
    }


def wording_of(findings: ReportFindings, pages: Mapping[str, str]) -> CellWording:
    """How the tables of a month are worded."""
    figures = {
        "window": f"{findings.repeats.window_hours:,.0f} h",
        "custom": capital(findings.texts.custom),
        "custom_step": findings.texts.custom_step,
    }
    return CellWording(findings.words, findings.currency, figures, pages)


def _section_methods(findings: ReportFindings) -> dict[str, list[Any]]:
    known = {method.topic: method for method in findings.methods}
    return {
        section: [known[topic] for topic in topics if topic in known]
        for section, topics in SECTION_METHODS.items()
    }


def case_views(findings: ReportFindings, pages: Mapping[str, str]) -> list[CaseView]:
    """The cases in their order, with what the cost summary knows of each."""
    costs = {(row["machine_id"], row["side"]): row for row in findings.cost.cases.to_dicts()}
    views = []
    for place, case in enumerate(findings.suspects.cases, start=1):
        cost = costs.get((case.machine_id, case.side), {})
        ranked = sorted(case.reasons, key=lambda reason: (-abs(reason.weight), reason.evidence))
        rest = sorted(
            ((cause, share) for cause, share in case.causes.items() if cause != case.top_cause),
            key=lambda pair: -pair[1],
        )
        views.append(
            CaseView(
                case=case,
                page=pages.get(case.machine_id, ""),
                anchor=f"case-{place}",
                sure=how_sure(case.certainty),
                custom_cost=cost.get("custom_cost"),
                saving=cost.get("saving"),
                why=tuple((strength(reason.weight), reason) for reason in ranked),
                rest=tuple((cause, share) for cause, share in rest if share >= 0.03)[:3],
            )
        )
    return views


def jobs(views: Sequence[CaseView]) -> list[tuple[str, list[CaseView]]]:
    """The cases by what to do next, both in the order of the list."""
    return _grouped((view.case.next_step, view) for view in views)


def how_sure(certainty: float) -> str:
    """A probability in a word."""
    if certainty >= 0.9:
        return "nearly sure"
    if certainty >= 0.75:
        return "likely"
    if certainty >= 0.5:
        return "more likely than not"
    return "an open question"


def strength(weight: float) -> str:
    """How much a piece of evidence says, in a word: its weight is in natural-log odds."""
    size = abs(weight)
    word = "strong" if size >= 1.5 else "clear" if size >= 0.7 else "slight"
    return f"{word}, {'for' if weight >= 0 else 'against'}"


def surprises(verification: ForecastVerification) -> list[dict[str, Any]]:
    """Rows of a month's forecast that what came lies outside of: failures beyond the 80% range, or more parts
    used than were to be held. The row of all together stands only where no single one does."""
    rows = verification.frame.to_dicts()
    outside = [row for row in rows[:-1] if _outside(row)]
    return outside or [row for row in rows[-1:] if row["held"] is False]


def _outside(row: Mapping[str, Any]) -> bool:
    used, hold = row["parts_used"], row["parts_to_hold"]
    return row["held"] is False or (used is not None and hold is not None and used > hold)


def group_notes(finding: SurvivalFinding, words: Mapping[str, str]) -> list[tuple[str, str]]:
    """What a reader must know of single curves: the group and its note."""
    return [(capital(group_name(group.group, words)), group.note) for group in finding.groups if group.note]


def _grouped(pairs: Iterable[tuple[str, Any]]) -> list[tuple[str, list[Any]]]:
    """What belongs to each name, in the order in which names come first."""
    groups: dict[str, list[Any]] = {}
    for name, item in pairs:
        groups.setdefault(name, []).append(item)
    return list(groups.items())


def _planned(findings: ReportFindings, reasons: Mapping[str, str]) -> list[tuple[int, str]]:
    """How many jobs of the plan are done for each of these reasons that has any, and the reason in words."""
    if findings.plan is None:
        return []
    counts = [
        (int((findings.plan.frame["reason"] == reason).sum()), words) for reason, words in reasons.items()
    ]
    return [each for each in counts if each[0]]


def _total(frame: pl.DataFrame, column: str) -> float | None:
    values = frame[column].drop_nulls() if column in frame.columns else pl.Series([], dtype=pl.Float64)
    return float(values.sum()) if len(values) else None
