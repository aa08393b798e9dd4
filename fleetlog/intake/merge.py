"""From checked rows to the store: what is new, known, corrected, rejected or waiting.

Works on the temporary table that `checks.check` leaves. Every step is one statement over all rows; the store
is looked into only over the machines and times that the file covers: the cost follows the file and not the
store.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import polars as pl

from fleetlog.intake.checks import Checked
from fleetlog.intake.sqltext import Bound, all_of, any_of, commas, compose
from fleetlog.intake.tellings import Settled, Tellings, key_json, mark_of, order_files
from fleetlog.store import Store
from fleetlog.store.connection import quoted
from fleetlog.store.dictionary import STORED_AS, Kind

PARENT = {"work_lines": ("work_orders", "work_order_id")}
"""What a row waits for where it is not the machine."""

_HASHES_AT_ONCE = 1 << 25
"""Keys whose hashes are held at a time: a quarter of a gigabyte, and as much again to count them."""


@dataclass(frozen=True)
class Merged:
    """How many rows became what; `new` counts only those in effect, the rest is as in `tellings.Settled`."""

    new: int
    known: int
    corrected: int
    waiting: int
    older: int = 0
    overwritten: int = 0
    changes: tuple[tuple[str, int], ...] = ()


def parent_of(kind: Kind) -> tuple[str, str] | None:
    """The table and column that a row of this kind depends on; None for machines."""
    if kind.name == "machines":
        return None
    return PARENT.get(kind.name, ("machines", "machine_id"))


class Merge:
    """One file's checked rows on their way into the store; runs inside the file's transaction."""

    def __init__(
        self, store: Store, checked: Checked, file_id: int, stage: Callable[[str], None] | None = None
    ) -> None:
        self.store = store
        self._stage = stage or (lambda _: None)
        self.checked = checked
        self.kind = checked.source.kind
        self.table = checked.table
        self.file_id = file_id
        self.present = [c.name for c in self.kind.columns if checked.source.cell(c.name) is not None]
        self.compared = [name for name in self.present if name not in self.kind.key]

    def run(self) -> Merged:
        """Stores the good rows and returns what they were."""
        if not self.checked.good:
            return Merged(0, 0, 0, 0)
        self._stage("comparing")
        repeated = self._repeated_keys()
        if repeated.is_empty() and not self._overlaps():
            self._insert(self._good)
            waiting = self._waiting(self._good)
            return Merged(self.checked.good - waiting, 0, 0, waiting)
        return self._reconcile(repeated)

    # The usual case: new rows only.

    @property
    def _good(self) -> str:
        """The condition that a row `f` is good."""
        return "NOT f.bad" if self.checked.rejected or self.checked.blank else "true"

    def _repeated_keys(self) -> pl.DataFrame:
        """Hashes of the keys that more than one good row may have (a chance collision only costs time).

        Hashes taken out into an array and sorted there cost a third of what the engine's own count of
        different values does; very many go part by part, so that memory has a bound.

        Returns:
            h.
        """
        parts = self.checked.good // _HASHES_AT_ONCE + 1
        sql = compose(
            "SELECT «hash» AS h FROM «table» AS f WHERE «good» AND «part»",
            hash=self._hash(),
            table=quoted(self.table),
            good=self._good,
            # Of its own type: the engine would take numbers of twice the length, at ten times the cost.
            part="h % CAST($parts AS UBIGINT) = CAST($part AS UBIGINT)" if parts > 1 else "true",
        )
        found = [pl.Series("h", [], dtype=pl.UInt64)]
        for part in range(parts):
            hashes = self.store.select(sql, {"parts": parts, "part": part} if parts > 1 else None)["h"].sort()
            found.append(hashes.filter(hashes == hashes.shift()).unique())
        return pl.concat(found).to_frame()

    def _hash(self) -> str:
        return f"hash({commas(self._value(name, 'f') for name in self.kind.key)})"

    def _overlaps(self) -> bool:
        """Whether a good row's key is in the store already."""
        if not self.store.execute(compose("SELECT 1 FROM «target» LIMIT 1", target=quoted(self.kind.name))):
            return False
        sql, values = self._join(
            "SELECT 1 FROM «table» AS f JOIN «target» AS t ON «same_key» WHERE «span» LIMIT 1"
        )
        return bool(self.store.execute(sql, values))

    def _join(self, template: str, **parts: str) -> tuple[str, dict[str, object]]:
        bound = Bound()
        return (
            compose(
                template,
                table=quoted(self.table),
                target=quoted(self.kind.name),
                same_key=self.same_key("f", "t"),
                span=all_of(["NOT f.bad", *self.span(bound)]),
                **parts,
            ),
            bound.values,
        )

    def span(self, bound: Bound) -> list[str]:
        """Limits on the store's side of a join: the ranges of machines and times that the file covers.

        The store's blocks know their own ranges, so those that lie outside are not read.
        """
        names = [name for name in self.kind.key if self.kind.column(name).required]
        ranges = self.store.execute(
            compose(
                "SELECT «ranges» FROM «table» WHERE NOT bad",
                ranges=commas(f"min({quoted(name)}), max({quoted(name)})" for name in names),
                table=quoted(self.table),
            )
        )[0]
        return [
            f"t.{quoted(name)} BETWEEN {bound(low)} AND {bound(high)}"
            for name, low, high in zip(names, ranges[::2], ranges[1::2], strict=True)
        ]

    def _value(self, name: str, alias: str = "") -> str:
        """A column of the checked table, NULL of its type where the file does not have it."""
        if name in self.present:
            return f"{alias}.{quoted(name)}" if alias else quoted(name)
        return f"CAST(NULL AS {STORED_AS[self.kind.column(name).type]})"

    def same_key(self, left: str, right: str) -> str:
        """The condition that a checked row (`left`) and a stored one (`right`) have the same key."""
        parts = []
        for name in self.kind.key:
            sign = "=" if self.kind.column(name).required else "IS NOT DISTINCT FROM"
            parts.append(f"{self._value(name, left)} {sign} {right}.{quoted(name)}")
        return all_of(parts)

    def _insert(self, condition: str) -> None:
        self._stage("storing")
        self.store.execute(
            compose(
                "INSERT INTO «target» («columns», file_id, row_no) "
                "SELECT «columns», $file_id, «row_no» FROM «table» AS f WHERE «condition»",
                target=quoted(self.kind.name),
                columns=commas(quoted(name) for name in self.present),
                row_no=self.checked.row_no("f"),
                table=quoted(self.table),
                condition=condition,
            ),
            {"file_id": self.file_id},
        )

    def _waiting(self, among: str) -> int:
        """Rows whose machine or work order is not there."""
        parent = parent_of(self.kind)
        if parent is None:
            return 0
        table, column = parent
        return int(
            self.store.execute(
                compose(
                    "SELECT count(*) FROM «table» AS f ANTI JOIN «parent» AS p ON f.«column» = p.«column» "
                    "WHERE «among»",
                    table=quoted(self.table),
                    parent=quoted(table),
                    column=quoted(column),
                    among=among,
                )
            )[0][0]
        )

    # The careful case: keys that come twice, or that the store knows.

    def _reconcile(self, repeated: pl.DataFrame) -> Merged:
        """Rows of one key are compared each with the one before, the first of them with the store.

        Args:
            repeated: as `_repeated` gives them; any other row is the only one of its key.
        """
        self._chain(repeated)
        self._matches()
        again = self._count_pairs()
        settled = self._settle()
        self._log_pairs()
        # A key that the store does not have enters with the last of its rows.
        self.store.execute(
            "CREATE OR REPLACE TEMPORARY TABLE passed_over AS "
            "SELECT file_row FROM chain WHERE NOT ends OR first IN (SELECT file_row FROM matched) "
            "UNION SELECT file_row FROM matched"
        )
        entering = "NOT EXISTS (SELECT 1 FROM passed_over AS p WHERE p.file_row = f.rowid)"
        fresh = all_of([self._good, entering])
        self._insert(fresh)
        waiting = self._waiting(fresh)
        passed_over = int(self.store.execute("SELECT count(*) FROM passed_over")[0][0])
        for name in ("repeated", "chain", "chain_ends", "matched", "passed_over"):
            self.store.execute(compose("DROP TABLE «name»", name=quoted(name)))
        return Merged(
            new=self.checked.good - passed_over - waiting,
            known=again[0] + settled.known,
            corrected=again[1] + settled.corrected,
            waiting=waiting,
            older=settled.older,
            overwritten=settled.overwritten,
            changes=settled.changes,
        )

    def _settle(self) -> Settled:
        """What the file tells of rows that the store has: of what files tell differently, the latest holds."""
        source = self.checked.source
        if source.lists_only:
            return Settled(int(self.store.execute("SELECT count(*) FROM matched")[0][0]), 0, 0, 0)
        bound = Bound()
        key = key_json(self.kind, "t", bound)
        self.store.execute(
            compose(
                """
                CREATE OR REPLACE TEMPORARY TABLE again AS
                SELECT *, «mark» AS mark FROM (
                    SELECT m.file_row, m.store_row, coalesce(e.last, m.file_row) AS final_row,
                           m.differs AS first_differs, «differs» AS differs, t.file_id AS origin,
                           t.row_no AS origin_row, o.told IS NOT DISTINCT FROM «told» AS same_columns,
                           «key» AS row_key
                    FROM matched AS m LEFT JOIN chain_ends AS e ON e.first = m.file_row
                    JOIN «table» AS f ON f.rowid = coalesce(e.last, m.file_row)
                    JOIN «target» AS t ON t.rowid = m.store_row
                    LEFT JOIN file_telling AS o ON o.file_id = t.file_id)
                """,
                mark=mark_of("row_key"),
                differs=self._differs("f", "t"),
                told=bound(",".join(self.compared)),
                key=key,
                table=quoted(self.table),
                target=quoted(self.kind.name),
            ),
            bound.values,
        )
        order_files(self.store, self.file_id, source.time, source.content_hash)
        tellings = Tellings(
            self.store, self.kind, self.file_id, self.compared, self.table, self.checked.row_no("f")
        )
        settled = tellings.settle()
        self._log()
        tellings.drop()
        self.store.execute("DROP TABLE again")
        return settled

    def _chain(self, repeated: pl.DataFrame) -> None:
        self.store.register("repeated", repeated)
        self.store.execute(
            compose(
                """
                CREATE OR REPLACE TEMPORARY TABLE chain AS
                SELECT f.rowid AS file_row,
                       lag(f.rowid) OVER one_key AS before,
                       first_value(f.rowid) OVER one_key AS first,
                       lead(f.rowid) OVER one_key IS NULL AS ends
                FROM «table» AS f WHERE «good» AND «hash» IN (SELECT h FROM repeated)
                WINDOW one_key AS (PARTITION BY «key» ORDER BY f.rowid)
                """,
                table=quoted(self.table),
                good=self._good,
                hash=self._hash(),
                key=commas(self._value(name, "f") for name in self.kind.key),
            )
        )
        self.store.execute(
            "CREATE OR REPLACE TEMPORARY TABLE chain_ends AS "
            "SELECT first, file_row AS last FROM chain WHERE ends"
        )

    def _matches(self) -> None:
        sql, values = self._join(
            """
            CREATE OR REPLACE TEMPORARY TABLE matched AS
            SELECT f.rowid AS file_row, t.rowid AS store_row, «differs» AS differs
            FROM «table» AS f JOIN «target» AS t ON «same_key»
            WHERE «span»
                AND NOT EXISTS (SELECT 1 FROM chain AS c WHERE c.file_row = f.rowid AND c.first <> f.rowid)
            """,
            differs=self._differs("f", "t"),
        )
        self.store.execute(sql, values)

    def _differs(self, left: str, right: str) -> str:
        return any_of(f"{left}.{quoted(n)} IS DISTINCT FROM {right}.{quoted(n)}" for n in self.compared)

    def _count_pairs(self) -> tuple[int, int]:
        return self._two(
            compose(
                "SELECT count(*) FILTER (NOT («differs»)), count(*) FILTER («differs») FROM chain "
                "JOIN «table» AS f ON f.rowid = chain.file_row JOIN «table» AS b ON b.rowid = chain.before",
                differs=self._differs("f", "b"),
                table=quoted(self.table),
            )
        )

    def _two(self, sql: str) -> tuple[int, int]:
        same, other = self.store.execute(sql)[0]
        return int(same), int(other)

    def _log(self) -> None:
        """Old and new values of every row of the store that changed, in the order of the file."""
        every = [column.name for column in self.kind.columns]
        bound = Bound()

        def as_json(value: dict[str, str]) -> str:
            return f"CAST(json_object({commas(f'{bound(n)}, {value[n]}' for n in every)}) AS VARCHAR)"

        def side(word: str) -> dict[str, str]:
            return {
                n: f"t.{quoted(n)}" if n in self.kind.key else f"m.{quoted(f'{word} {n}')}" for n in every
            }

        if not self.store.execute("SELECT 1 FROM settled WHERE changed LIMIT 1"):
            return
        self.store.execute(
            compose(
                """
                INSERT INTO change_log
                SELECT «kind», m.row_key, «old», «new», m.origin, m.origin_row, «file_id», m.new_row
                FROM settled AS m JOIN «target» AS t ON t.rowid = m.store_row
                WHERE m.changed ORDER BY m.file_row
                """,
                kind=bound(self.kind.name),
                old=as_json(side("old")),
                new=as_json(side("new")),
                file_id=bound(self.file_id),
                target=quoted(self.kind.name),
            ),
            bound.values,
        )

    def _log_pairs(self) -> None:
        """Old and new values of what the file itself tells twice."""
        bound = Bound()

        def as_json(names: list[str], value: dict[str, str]) -> str:
            return f"CAST(json_object({commas(f'{bound(n)}, {value[n]}' for n in names)}) AS VARCHAR)"

        new = {n: self._value(n, "f") for n in self.present}
        old = {n: self._value(n, "b") for n in self.present}
        key = [name for name in self.kind.key if name in self.present]
        self.store.execute(
            compose(
                """
                INSERT INTO change_log
                SELECT «kind», «key», «old», «new», «file_id», «before», «file_id», «row_no»
                FROM chain
                JOIN «table» AS f ON f.rowid = chain.file_row
                JOIN «table» AS b ON b.rowid = chain.before
                WHERE «differs»
                ORDER BY f.rowid
                """,
                kind=bound(self.kind.name),
                key=as_json(key, old),
                old=as_json(self.present, old),
                new=as_json(self.present, new),
                file_id=bound(self.file_id),
                before=self.checked.row_no("b"),
                row_no=self.checked.row_no("f"),
                differs=self._differs("f", "b"),
                table=quoted(self.table),
            ),
            bound.values,
        )
