"""Which units need what: open cases and likely ones, the cause, how sure, why, what to do next."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING, Any

import polars as pl

from fleetlog.findings.base import Suspect, header

if TYPE_CHECKING:
    import altair as alt


@dataclass(frozen=True)
class SuspectsFinding:
    """Cases of one family, most certain and dearest first.

    Attributes:
        cases: open cases first, then the watch list.
        cautions: sentences to show wherever a step opens the pump.
        currency: ISO 4217 code of the costs.
    """

    as_of: date
    fault: str
    cases: tuple[Suspect, ...]
    cautions: tuple[str, ...]
    currency: str
    notes: tuple[str, ...] = ()

    @property
    def frame(self) -> pl.DataFrame:
        """One row a case; the probabilities of the causes in columns `p_<cause>`."""
        return pl.DataFrame(
            [
                {
                    "machine_id": case.machine_id,
                    "side": case.side,
                    "state": case.state,
                    "since": case.since,
                    "site": case.site,
                    "model": case.model,
                    "build_year": case.build_year,
                    "age_hours": case.age_hours,
                    "variant": case.variant,
                    "episodes": case.episodes,
                    "top_cause": case.top_cause,
                    "certainty": case.certainty,
                    "next_step": case.next_step,
                    "expected_cost": case.expected_cost,
                    "reasons": "; ".join(
                        f"{reason.evidence} ({reason.weight:+.2f})" for reason in case.reasons
                    ),
                    **{f"p_{cause}": share for cause, share in case.causes.items()},
                }
                for case in self.cases
            ],
            infer_schema_length=None,
        )

    def to_dict(self) -> dict[str, Any]:
        """See the interface: machine_id, side, state, since, age_hours, variant, causes, top_cause, ….."""
        rows = [
            {
                "machine_id": case.machine_id,
                "side": case.side,
                "state": case.state,
                "since": case.since,
                "site": case.site,
                "model": case.model,
                "build_year": case.build_year,
                "age_hours": case.age_hours,
                "variant": case.variant,
                "episodes": case.episodes,
                "causes": dict(case.causes),
                "top_cause": case.top_cause,
                "next_step": case.next_step,
                "expected_cost": case.expected_cost,
                "reasons": [
                    {"evidence": reason.evidence, "weight": reason.weight} for reason in case.reasons
                ],
                "note": case.note,
            }
            for case in self.cases
        ]
        opens_pump = any(case.cautions for case in self.cases)
        return header(self, rows, currency=self.currency, cautions=list(self.cautions) if opens_pump else [])

    def chart(self) -> alt.TopLevelMixin:
        """The probability of each cause, one bar a case."""
        from fleetlog.charts import suspects_chart

        return suspects_chart(self)
