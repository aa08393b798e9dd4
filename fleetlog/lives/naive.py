"""What a careless reading of the same lives would say, told where it would mislead.

Two mistakes are common. Lives that came under observation late are counted as if watched from new: what
failed before records began is then missing, and old parts look immortal. And a part replaced without a word
on its condition is counted as sound: some of them had failed. The first is avoided here; the second cannot
be, so the other extreme is computed too.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import polars as pl

from fleetlog.phrasing import plural
from fleetlog.stats.product_limit import ProductLimit, product_limit
from fleetlog.stats.risk_table import RiskTable

MATERIAL = 0.1
"""Ages that differ by less than this share of the right one are not worth a note."""

_SHARES = ((0.5, "half"), (0.1, "a tenth"))


@dataclass(frozen=True)
class Reading:
    """One age by the analysis as given and by another reading of the same lives.

    Attributes:
        lives: how many lives are read otherwise.
        share: the share failed (0.5: median, 0.1: B10) whose age is compared.
        hours: that age by the analysis as given; None = not reached.
        naive_hours: by the other reading; None = not reached.
        material: whether they differ by MATERIAL or more, or only one is reached.
    """

    lives: int
    share: float
    hours: float | None
    naive_hours: float | None
    material: bool


def ignoring_late_entry(curve: ProductLimit) -> Reading | None:
    """The same lives counted as if watched from new; None where they were."""
    table = curve.table
    late = int(table.entering[table.hours > 0].sum())
    if late == 0:
        return None
    hours = table.hours if table.hours[0] == 0 else np.concatenate(([0], table.hours))
    padding = [0] * (hours.size - table.hours.size)
    from_new = RiskTable(
        hours=hours,
        entering=np.concatenate(([int(table.spells)], np.zeros(hours.size - 1, dtype=np.int64))),
        failed=np.concatenate((padding, table.failed)).astype(np.int64),
        leaving=np.concatenate((padding, table.leaving)).astype(np.int64),
        per_hour=table.per_hour,
    )
    return _reading(curve, from_new, late)


def unknown_as_failed(curve: ProductLimit, unknown: pl.DataFrame) -> Reading | None:
    """The same lives with those replaced without a stated finding counted as failures; None without such.

    Args:
        curve: the analysis as given, which counts them as sound.
        unknown: columns hours (ticks) and lives, the lives that ended so.
    """
    table = curve.table
    lives = int(unknown["lives"].sum())
    if lives == 0:
        return None
    failed = table.failed.copy()
    np.add.at(failed, np.searchsorted(table.hours, unknown["hours"].to_numpy()), unknown["lives"].to_numpy())
    other = RiskTable(table.hours, table.entering, failed, table.leaving, table.per_hour)
    return _reading(curve, other, lives)


def _reading(curve: ProductLimit, other: RiskTable, lives: int) -> Reading:
    return reading(curve, product_limit(other, minimum_at_risk=0, from_hours=curve.from_hours), lives)


def reading(curve: ProductLimit, naive: ProductLimit, lives: int) -> Reading:
    """The median (or B10, where no curve reaches it) by the analysis as given and by another reading."""
    for share, _ in _SHARES:
        right, wrong = curve.quantile(share).estimate, naive.quantile(share).estimate
        if right is not None or wrong is not None:
            break
    return Reading(lives, share, right, wrong, _differ(right, wrong))


def _differ(right: float | None, wrong: float | None) -> bool:
    if right is None or wrong is None:
        return right is not wrong
    return abs(wrong - right) >= MATERIAL * right


def naive_notes(late: Reading | None, unknown: Reading | None) -> list[str]:
    """A sentence for each reading that would mislead, with both ages."""
    notes = []
    if late is not None and late.material:
        notes.append(
            f"counted as if watched from new ({late.lives} lives were watched from later on), {_both(late)}"
        )
    if unknown is not None and unknown.material:
        notes.append(
            f"{unknown.lives} parts replaced without a finding count as sound; "
            f"had they all failed, {_both(unknown)}"
        )
    return notes


def doubt_note(failures: float, found: int, worst: Reading, best: Reading) -> list[str]:
    """A sentence on the endings in doubt and how much hangs on them; none without such."""
    if not worst.lives:
        return []
    said = (
        f"{failures:,.1f} failures are believed, of which {found} were found; {plural(worst.lives, 'ending')} in doubt "
        f"{'counts' if worst.lives == 1 else 'count'} by chance"
    )
    ages = [_age(one.naive_hours) for one in (worst, best)]
    words = dict(_SHARES)[worst.share]
    same = worst.share == best.share and (worst.material or best.material)
    return [
        f"{said}; {words} would fail {ages[0]} if all of these were failures, {ages[1]} if none"
        if same
        else said
    ]


def _age(hours: float | None) -> str:
    return "later than the record reaches" if hours is None else f"by {hours:,.0f} h"


def _both(reading: Reading) -> str:
    words = dict(_SHARES)[reading.share]
    if reading.naive_hours is None:
        return f"not even {words} would seem to fail, where {words} fail by {reading.hours:,.0f} h"
    if reading.hours is None:
        return f"{words} would fail by {reading.naive_hours:,.0f} h, where so many are not reached"
    return f"{words} would fail by {reading.naive_hours:,.0f} h instead of {reading.hours:,.0f} h"


def as_json(
    late: Reading | None, unknown: Reading | None, none_failed: Reading | None = None
) -> Mapping[str, Any]:
    """The readings, null where they do not arise: the endings in doubt all failed, or none of them."""
    return {
        "ignoring_delayed_entry": asdict(late) if late else None,
        "unknown_as_failed": asdict(unknown) if unknown else None,
        "unknown_as_sound": asdict(none_failed) if none_failed else None,
    }
