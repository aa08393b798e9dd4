"""What stands beside a curve: how many parts were still watched at each age, and where they were last seen running."""

from __future__ import annotations

from fleetlog.stats.risk_table import RiskTable

#: Less than this of a part was not last seen running, but failed by its share.
_WHOLE = 1e-6


def watched_at(table: RiskTable, last_hours: float) -> tuple[tuple[float, int], ...]:
    """Parts still watched just after each thousand hours, up to the last age observed."""
    after = table.at_risk_after
    marks = []
    for thousand in range(int(last_hours // 1000) + 1):
        position = int((table.hours <= thousand * 1000 * table.per_hour).sum()) - 1
        marks.append((thousand * 1000.0, round(after[position]) if position >= 0 else 0))
    return tuple(marks)


def left_running(table: RiskTable) -> tuple[float, ...]:
    """Ages in hours at which a part left without having failed, rising."""
    left = table.leaving - table.failed > _WHOLE
    return tuple((table.hours[left] / table.per_hour).tolist())
