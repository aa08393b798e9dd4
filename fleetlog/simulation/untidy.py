"""Untidy records: what people, meters and feeds do to a yard's files.

Every kind of table has its list of mishaps and of how many of the untidy records suffer each; the lists are
invented. What happened to the machines stays as it was; only what is written down of it changes.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import polars as pl

from fleetlog.simulation.arrays import Flags, Floats, Ints
from fleetlog.simulation.files import DAY

#: Meter changes a machine-year for each unit of mess, and the share of them that somebody recorded.
CHANGES_A_YEAR = 2.0
CHANGES_RECORDED = 2 / 3
#: Rows by which a row out of order comes later at most, and the mean delay in days of a late code.
MOST_ROWS_LATE = 200
DAYS_LATE = 5.0

# Shares of the untidy records of each kind that suffer a mishap; one with the name of a column empties it.
_SHARES: dict[str, dict[str, float]] = {
    "readings": {"gap": 0.30, "rounded": 0.20, "out_of_order": 0.15, "duplicate": 0.10, "typo": 0.10,
                 "outlier": 0.10, "source": 0.04, "no_hours": 0.01},
    "codes": {"late": 0.25, "side": 0.25, "out_of_order": 0.15, "duplicate": 0.15, "hours": 0.10,
              "typo": 0.05, "status": 0.04, "fmi": 0.01},
    "orders": {"hours": 0.25, "disagree": 0.25, "typo": 0.15, "closed_at": 0.10, "complaint": 0.10,
               "status": 0.09, "duplicate": 0.05, "closed_before": 0.01},
    "lines": {"side": 0.30, "finding": 0.20, "result": 0.15, "done_at": 0.14, "labour_hours": 0.10,
              "component": 0.05, "duplicate": 0.05, "order_unknown": 0.01},
    "measurements": {"side": 0.4, "hours": 0.3, "duplicate": 0.3},
    "machines": {"year_only": 0.3, "month_only": 0.3, "site": 0.2, "hours_at_acquisition": 0.2},
    "components": {"fitted_hours": 0.6, "variant": 0.4},
}  # fmt: skip
#: Mean length of a run of outliers and of a gap, in readings.
_RUNS = {"outlier": 2.0, "gap": 12.0}


# --------------------------------------------------------------------------------------- meters


@dataclass(frozen=True, eq=False)
class Meters:
    """The meter changes of some machines, at most one each.

    Attributes:
        changed: day since 1970 of the change; infinite where there was none.
        old, new: running hours on the old meter at its end, on the new one at its beginning.
        recorded: whether anybody wrote it down.
    """

    changed: Floats
    old: Floats
    new: Floats
    recorded: Flags

    def shown(self, machine: Ints, day: Floats, hours: Floats) -> Floats:
        """What the meter showed on those days at which a machine had run so many hours since new."""
        carried = np.where(day >= self.changed[machine], (self.old - self.new)[machine], 0.0)
        return np.maximum(hours - carried, 0.0)


def tidy_meters(machines: int) -> Meters:
    """Meters that are never changed."""
    never = np.full(machines, np.inf)
    return Meters(never, np.zeros(machines), np.zeros(machines), np.zeros(machines, dtype=bool))


def untidy_meters(
    rng: np.random.Generator, mess: float, begin: Floats, end: Floats, built: Floats, pace: Floats
) -> Meters:
    """Meters of which some are changed.

    Args:
        rng: the source of random numbers.
        mess: share of untidy records.
        begin, end: days between which each machine is on record.
        built: day on which each was built.
        pace: running hours a day.
    """
    span = np.maximum(end - begin, 0.0)
    changed = rng.random(span.size) < 1.0 - np.exp(-CHANGES_A_YEAR * mess * span / 365.25)
    day = begin + span * rng.random(span.size)
    old = np.round((day - built) * pace, 1)
    new = np.where(rng.random(span.size) < 0.8, 0.0, np.round(20.0 * rng.random(span.size), 1))
    recorded = rng.random(span.size) < CHANGES_RECORDED
    changed &= old > new
    return Meters(np.where(changed, day, np.inf), old, new, changed & recorded)


# --------------------------------------------------------------------------------------- tables


class Untidy:
    """Makes the tables of some machines untidy; each kind of table has random numbers of its own.

    Args:
        mess: share of records that are untidy, 0 to 1.
        seed: of the machines; the same tables come out of the same tables.
        only: mishaps that may happen; none named is all, changed meters among them.
        spared: machines whose records stay as they are.
    """

    def __init__(
        self,
        mess: float,
        seed: np.random.SeedSequence,
        only: frozenset[str] = frozenset(),
        spared: tuple[str, ...] = (),
    ) -> None:
        self._mess, self._only, self._spared = mess, only, spared
        self.changes_meters = not only
        self._rng = dict(zip(_SHARES, map(np.random.default_rng, seed.spawn(len(_SHARES))), strict=True))

    def readings(self, frame: pl.DataFrame, machine: Ints) -> pl.DataFrame:
        """Meter readings; `machine` numbers the machine of each row, whose rows lie together."""
        rng, hit = self._hits("readings", frame)
        hours = frame["hours"].to_numpy().copy()
        in_run, start = self._runs(rng, machine, "outlier")
        step = np.where(rng.random(hours.size) < 0.5, -1.0, 1.0) * np.exp(rng.normal(6.0, 1.0, hours.size))
        hours[in_run] = np.maximum(np.round(hours[in_run] + step[start[in_run]], 1), 0.0)
        half = rng.random(hours.size) < 0.3
        hours = np.where(hit["rounded"], np.where(half, np.round(2 * hours) / 2, np.round(hours)), hours)
        typo = np.flatnonzero(hit["typo"])
        hours[typo] = mistyped(rng, hours[typo])
        gap, _ = self._runs(rng, machine, "gap")
        by_hand = pl.Series(hit["typo"] | hit["rounded"])
        untidy = _blank(frame, hit).with_columns(
            hours=pl.when(~pl.Series(hit["no_hours"])).then(pl.Series(hours)),
            source=pl.when(by_hand).then(pl.lit("manual")).otherwise("source"),
        )
        return _in_order(rng, untidy, hit, there=~gap | self._spares(frame))

    def codes(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Fault codes: some come days late, some lose their side or their hours."""
        rng, hit = self._hits("codes", frame)
        late = np.where(hit["late"], rng.exponential(DAYS_LATE, frame.height), 0.0)
        frame = _blank(frame, hit)
        frame = frame.with_columns(_mistyped(rng, frame, hit), (pl.col(DAY) + pl.Series(late)))
        return _in_order(rng, frame, hit)

    def orders(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Work orders: hours that the meter does not bear out, cells left empty, closed before opened."""
        rng, hit = self._hits("orders", frame)
        off = pl.Series(np.round(rng.normal(0.0, 25.0, frame.height), 0))
        frame = _blank(frame, hit).with_columns(
            hours=pl.when(pl.Series(hit["disagree"]))
            .then((pl.col("hours") + off).clip(lower_bound=0.0).round(0))
            .otherwise("hours"),
            closed_at=pl.when(pl.Series(hit["closed_before"]))
            .then(pl.col("opened_at") - pl.duration(days=30))
            .otherwise("closed_at"),
        )
        return _in_order(rng, frame.with_columns(_mistyped(rng, frame, hit)), hit)

    def lines(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Lines of work orders: cells left empty, lines of an order that nobody knows."""
        rng, hit = self._hits("lines", frame)
        unknown = pl.Series(hit["order_unknown"])
        order = pl.when(unknown).then(pl.format("{}?", "work_order_id")).otherwise("work_order_id")
        return _in_order(rng, _blank(frame, hit).with_columns(work_order_id=order), hit)

    def measurements(self, frame: pl.DataFrame) -> pl.DataFrame:
        """Measurements: side or hours left empty, rows twice."""
        rng, hit = self._hits("measurements", frame)
        return _in_order(rng, _blank(frame, hit), hit)

    def machines(self, frame: pl.DataFrame) -> pl.DataFrame:
        """The list of machines: built in a year or a month, nobody knows on which day."""
        _, hit = self._hits("machines", frame)
        length = np.select([hit["year_only"], hit["month_only"]], [4, 7], 10)
        return _blank(frame, hit).with_columns(pl.col("build_date").str.head(pl.Series(length)))

    def components(self, frame: pl.DataFrame) -> pl.DataFrame:
        """The list of parts, less sure of itself."""
        return _blank(frame, self._hits("components", frame)[1])

    def _spares(self, frame: pl.DataFrame) -> Flags:
        spared: Flags = frame["machine_id"].is_in(list(self._spared)).to_numpy()
        return spared

    def _hits(self, kind: str, frame: pl.DataFrame) -> tuple[np.random.Generator, dict[str, Flags]]:
        """Which rows suffer which mishap: one at most, so that the shares add up to the mess."""
        rng, shares = self._rng[kind], _SHARES[kind]
        mark = np.where(self._spares(frame), 2.0, rng.random(frame.height) / self._mess)
        edges = np.cumsum([0.0, *shares.values()])
        pairs = zip(shares, edges[:-1], edges[1:], strict=True)
        allowed = self._only or frozenset(shares)
        return rng, {name: (mark >= low) & (mark < high) & (name in allowed) for name, low, high in pairs}

    def _runs(self, rng: np.random.Generator, machine: Ints, kind: str) -> tuple[Flags, Ints]:
        """Which rows lie in a run of readings, and the row at which each one's run began."""
        mean, size = _RUNS[kind], machine.size
        share = self._mess * _SHARES["readings"][kind] / mean if not self._only or kind in self._only else 0.0
        begins = rng.random(size) < share
        length = rng.geometric(1.0 / mean, size)
        start = np.maximum.accumulate(np.where(begins, np.arange(size), -1))
        inside = (start >= 0) & (np.arange(size) < start + length[start])
        inside &= machine == machine[start]
        return inside, start


def mistyped(rng: np.random.Generator, hours: Floats) -> Floats:
    """Hours as a hasty hand enters them: two digits swapped, a digit twice, or the decimal point lost."""
    tenths = np.round(hours * 10.0).astype(np.int64)
    digits = np.char.str_len(tenths.astype(np.str_)).astype(np.int64)
    place = 10 ** np.floor(rng.random(hours.size) * np.maximum(digits - 1, 1)).astype(np.int64)
    low, here, above = tenths % place, (tenths // place) % 10, (tenths // (10 * place)) % 10
    swapped = tenths + (above - here) * place + (here - above) * 10 * place
    doubled = (tenths // place) * 10 * place + here * place + low
    kind = rng.integers(0, 3, hours.size)
    return np.select([kind == 0, kind == 1], [swapped / 10.0, doubled / 10.0], 10.0 * hours)


def _mistyped(rng: np.random.Generator, frame: pl.DataFrame, hit: dict[str, Flags]) -> pl.Series:
    hours = frame["hours"].to_numpy().copy()
    rows = np.flatnonzero(hit["typo"] & np.isfinite(hours))
    hours[rows] = mistyped(rng, hours[rows])
    return pl.Series("hours", hours).fill_nan(None)


def _blank(frame: pl.DataFrame, hit: dict[str, Flags]) -> pl.DataFrame:
    """Empties cells: the mishap has the name of the column."""
    return frame.with_columns(
        pl.when(~pl.Series(lost, dtype=pl.Boolean)).then(pl.col(name)).alias(name)
        for name, lost in hit.items()
        if name in frame.columns
    )


def _in_order(
    rng: np.random.Generator, frame: pl.DataFrame, hit: dict[str, Flags], there: Flags | None = None
) -> pl.DataFrame:
    """The rows as they stand in the file: some twice, some later than their turn, some not at all."""
    rows = np.arange(frame.height) if there is None else np.flatnonzero(there)
    later = rng.integers(1, MOST_ROWS_LATE + 1, frame.height)
    place = rows + np.where(hit["out_of_order"][rows], later[rows], 0) if "out_of_order" in hit else rows
    again = rows[hit["duplicate"][rows]]
    rows = np.concatenate((rows, again))
    place = np.concatenate((place, again + later[again]))
    return frame[rows[np.argsort(place, kind="stable")]]
