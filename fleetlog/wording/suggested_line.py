"""Lines suggested by a note while it is read, and what the whole note does to them."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass

from fleetlog.wording.suggestion import Span


@dataclass
class SuggestedLine:
    """A suggestion while its note is read.

    Attributes:
        component, action, side, finding, result: as in a suggestion.
        spans: the words it rests on so far.
        doubt: what it loses of its confidence.
        refit: the action may mean taking out and putting back.
        statement: number of the statement it comes from.
        earlier: it was done before this order.
        place: where the word for its action starts.
    """

    component: str
    action: str
    side: str
    spans: list[Span]
    doubt: float = 0.0
    finding: str = ""
    result: str = ""
    refit: bool = False
    statement: int = 0
    earlier: bool = False
    place: int = 0


def drop_refits(lines: Sequence[SuggestedLine], outer: str, inside: Collection[str]) -> list[SuggestedLine]:
    """Without the pump where it was taken out and put back for something inside it."""
    opened = any(line.component in inside and line.action for line in lines)
    return [line for line in lines if not (opened and line.refit and line.component == outer)]


def unite(
    lines: Sequence[SuggestedLine], findings: Mapping[str, Mapping[str, Sequence[str]]]
) -> list[SuggestedLine]:
    """One line for each part, action, side and outcome; a bare state joins the step on the same part.

    An outcome that was not told is any other's.

    Args:
        lines: in the order of reading.
        findings: of each finding which it outranks, and by which steps it is mended.
    """
    less = {
        (line.component, line.side, value)
        for line in lines
        for value in findings.get(line.finding, {}).get("outranks", ())
    }
    lines = [line for line in lines if line.action or (line.component, line.side, line.finding) not in less]
    found: list[SuggestedLine] = []
    for line in lines:
        first = next((other for other in found if _same_step(other, line)), None)
        if first is None:
            found.append(line)
            continue
        first.finding = first.finding or line.finding
        first.result = first.result or line.result
        first.spans.extend(line.spans)
        first.doubt = min(first.doubt, line.doubt)
    kept = []
    for line in found:
        hosts = (
            [] if line.action else _hosts(found, line, findings.get(line.finding, {}).get("mended_by", ()))
        )
        if not hosts:
            kept.append(line)
        for host in hosts:
            host.finding = host.finding or line.finding
            host.result = host.result or (line.result if line.result == "failed" else "")
            if line.finding == "no_fault_found" and host.action == "test":
                host.result = host.result or "passed"
            host.spans.extend(line.spans)
    for line in kept:  # "charge pressure low, 150 psi" is a test failed
        if line.action == "test" and line.component in findings.get(line.finding, {}).get(
            "failed_tested", ()
        ):
            line.finding, line.result = "", line.result or "failed"
    return kept


def _same_step(one: SuggestedLine, other: SuggestedLine) -> bool:
    return (
        (one.component, one.action, one.side, one.earlier)
        == (other.component, other.action, other.side, other.earlier)
        and (not one.result or not other.result or one.result == other.result)
        and (
            bool(one.action)
            or "no_fault_found" not in (one.finding, other.finding)
            or one.result == other.result
        )
        and (not one.finding or not other.finding or one.finding == other.finding or bool(one.action))
    )


def _hosts(
    lines: Sequence[SuggestedLine], bare: SuggestedLine, mended_by: Sequence[str]
) -> list[SuggestedLine]:
    """The step, or the step on either side, that a bare state speaks of."""
    sound = bare.finding == "no_fault_found"
    fitting = [
        line
        for line in lines
        if line.action
        and line.component == bare.component
        and line.earlier == bare.earlier
        and (not bare.side or not line.side or line.side == bare.side)
        and (line.action in EXAMINED or (not sound and line.action in MENDED))
    ]
    mended = min((line.statement for line in fitting if line.action in MENDED), default=10**9)
    fitting = [
        line
        for line in fitting
        if (not line.finding or line.finding == bare.finding)
        and (line.statement <= mended or line.action in MENDED)  # no test after it
    ]
    ranks = [_rank(line, bare, mended_by) for line in fitting]
    return [line for line, rank in zip(fitting, ranks, strict=True) if rank == min(ranks)]


def _rank(
    line: SuggestedLine, bare: SuggestedLine, mended_by: Sequence[str]
) -> tuple[bool, bool, int, int, int]:
    """Which step a state speaks of: a look at the part, else a mending told after it, that mends such a thing, soon."""
    if line.action in EXAMINED:
        return False, False, 0, 0, EXAMINED.index(line.action)
    return (
        True,
        line.statement < bare.statement,
        mended_by.index(line.action) if line.action in mended_by else len(mended_by),
        abs(line.statement - bare.statement),
        MENDED.index(line.action),
    )


EXAMINED = ("inspect", "test")
MENDED = ("replace", "repair", "clean", "adjust", "overhaul")
TRIED = ("calibrate", "test", "adjust")
"""Steps that pass or fail."""
