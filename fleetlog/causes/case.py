"""A case: a machine (and side) whose fault stands, or may stand, unsolved."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Any

from fleetlog.belief.reason import Reason


@dataclass(frozen=True)
class Suspect:
    """A machine (and side) with an open case, or one to keep an eye on.

    Attributes:
        state: "open" (the fault stands unsolved) or "watch" (no open case, but reasons to look).
        since: first report of the open case.
        age_hours: running hours of the part that the family follows, on that side, at the last report; on a side
            without a case today's.
        causes: cause -> probability; sums to 1.
        next_step: what to do next, in words.
        step: name of the family's step or opening that it begins with; "" where it is none of them.
        expected_cost: expected cost of the next step and what follows it, in the fleet's currency.
        reasons: the evidence; the weights add up to the log-odds of `top_cause`.
        cautions: whether the next step calls for the family's cautions beside it.
        standing: chance that the fault stands now, after all repairs, silence and gaps in the books; None for a
            side without a case.
        repaired: whether a repair came after its last report.
        on_hold: whether the machine is kept from use for it: an open case, or a repair that probably failed.
        first_sign, last_report: first and last report of the case.
        waiting_per_day: what a day of waiting is expected to cost: the day rate, as surely as the fault stands.
        labour_hours: expected labour until cured, by the proposed steps.
        opens: whether the next step takes the machine apart (an opening of the family); never of a case in doubt.
        ask: the one missing record that would change the advice most, in words; "" where none would.
        ask_saving: what knowing it is expected to save.
        custom_cost: expected cost if the shop went through its customary order instead.
    """

    machine_id: str
    side: str
    state: str
    since: date | None
    age_hours: float | None
    variant: str
    causes: Mapping[str, float]
    top_cause: str
    next_step: str
    expected_cost: float | None
    reasons: tuple[Reason, ...]
    site: str = ""
    model: str = ""
    build_year: int | None = None
    episodes: int = 0
    last_report: datetime | None = None
    cautions: bool = False
    custom_cost: float | None = None
    note: str = field(default="")
    on_hold: bool = False
    first_sign: datetime | None = None
    standing: float | None = None
    repaired: bool = False
    waiting_per_day: float = 0.0
    labour_hours: float | None = None
    opens: bool = False
    ask: str = ""
    ask_saving: float = 0.0
    step: str = ""

    @property
    def certainty(self) -> float:
        """Probability of the top cause."""
        return self.causes[self.top_cause]

    @property
    def faulty(self) -> bool:
        """Whether a fault is on record, of which there can be a cause: not on a side that is only watched."""
        return self.standing is not None

    def told(self, names: Sequence[str]) -> dict[str, Any]:
        """Attributes as tables and JSON tell them: a side without a fault has no cause."""
        row = {name: getattr(self, name) for name in names}
        none: dict[str, Any] = {"top_cause": None, "certainty": None, "causes": {}}
        return row if self.faulty else row | {name: none[name] for name in none if name in row}
