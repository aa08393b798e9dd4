"""A schema of its own for derived tables, and the restriction of tables to some machines.

The history's steps name their inputs plainly. While some machines are worked on, temporary views of the same
names show the steps only those machines' rows; a finished table then goes into the schema, in place of what
that held of them. So the same text builds a whole history, a part of it, or one machine's.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from fleetlog.store.connection import Store, quoted
from fleetlog.store.statements import Statement

CHOSEN = "chosen_machine"
"""The temporary table of the machines that are worked on: one column, machine_id."""

RESUMED = "resumed"
"""The temporary table of the machines that are taken up again from a reading on, as sql/refresh/resumable.sql
finds them."""

# Tables whose rows belong to a machine through their work order.
_BY_ORDER = ("work_lines", "suggestion")


class DerivedSchema:
    """A schema for derived tables.

    Args:
        store: an open store.
        materialised: whether it is in the store's own file; else it is in memory.
    """

    def __init__(self, store: Store, *, materialised: bool) -> None:
        self._store = store
        home = store.execute("SELECT current_database()")[0][0]
        self._main = f"{quoted(home)}.main"
        self._catalog = home if materialised else store.memory_catalog
        self._schema = f"{quoted(self._catalog)}.{quoted('history')}"
        self._known: set[str] | None = None  # the tables in it, once somebody asked

    def clear(self) -> None:
        """Makes the schema empty."""
        if self._catalog == self._store.memory_catalog and not self._attached():
            self._store.execute(f"ATTACH ':memory:' AS {self._catalog}")
        self._store.execute(f"DROP SCHEMA IF EXISTS {self._schema} CASCADE")
        self._store.execute(f"CREATE SCHEMA {self._schema}")
        self._known = set()

    def activate(self) -> None:
        """From here on the schema's tables answer to their plain names."""
        path = f"{self._main},{self._schema}"
        self._store.execute(f"SET search_path = '{path}'")

    def tables(self) -> tuple[str, ...]:
        """Names of the tables in the schema; only this object changes which there are."""
        return tuple(sorted(self._names()))

    def _names(self) -> set[str]:
        if self._known is None:
            self._known = {
                row[0]
                for row in self._store.execute(
                    "SELECT table_name FROM duckdb_tables() WHERE database_name = $catalog "
                    "AND schema_name = 'history'",
                    {"catalog": self._catalog},
                )
            }
        return self._known

    def create(self, table: str, query: Statement, parameters: Mapping[str, Any]) -> None:
        """Makes a table of the schema from a SELECT file, in place of all that stood there."""
        self._store.create(table, query, temporary=False, schema=self._schema, **parameters)
        self._names().add(table)

    def insert(
        self, table: str, *, per_machine: bool = True, fresh: bool = False, since: str | None = None
    ) -> None:
        """Moves a temporary table into the schema, in place of what it held of the chosen machines.

        Args:
            table: its name, the same here and there.
            per_machine: False replaces all that stood there.
            fresh: nothing stands there of the chosen machines.
            since: a column of seconds since 1970, or an expression of its columns, by which only what stood
                there from the reading of resuming on is replaced.
        """
        source, target = f"temp.main.{quoted(table)}", f"{self._schema}.{quoted(table)}"
        if per_machine and table in self._names():
            if since:
                self._store.execute(
                    f"DELETE FROM {target} AS part USING {RESUMED} "  # noqa: S608
                    f"WHERE part.machine_id = {RESUMED}.machine_id AND {since} >= {RESUMED}.from_seconds"
                )
            elif not fresh:
                self._store.execute(
                    f"DELETE FROM {target} WHERE machine_id IN (SELECT machine_id FROM {CHOSEN})"  # noqa: S608
                )
            self._store.execute(f"INSERT INTO {target} FROM {source}")
        else:
            self._store.execute(f"CREATE OR REPLACE TABLE {target} AS FROM {source}")
            self._names().add(table)
        self.drop_temporary([table])

    def extend(self, table: str, second: str) -> None:
        """Replaces what the schema's table has beyond the reading of resuming by a temporary table's rows.

        Most of the time there is nothing: then nothing is deleted, which spares much of the file a rewriting.

        Args:
            table: its name, the same here and there.
            second: its column of seconds since 1970.
        """
        source, target = f"temp.main.{quoted(table)}", f"{self._schema}.{quoted(table)}"
        beyond = f"part.machine_id = {RESUMED}.machine_id AND part.{second} > {RESUMED}.from_seconds"
        self._store.execute(
            f"DELETE FROM {target} AS part USING {RESUMED} "  # noqa: S608
            f"WHERE {beyond} AND {RESUMED}.curve_end > {RESUMED}.from_seconds"
        )
        self._store.execute(
            f"INSERT INTO {target} SELECT part.* FROM {source} AS part INNER JOIN {RESUMED} ON {beyond}"  # noqa: S608
        )
        self.drop_temporary([table])

    def drop_temporary(self, tables: Iterable[str]) -> None:
        """Drops temporary tables."""
        for table in tables:
            self._store.execute(f"DROP TABLE IF EXISTS temp.main.{quoted(table)}")

    def trim(self, table: str, second: str) -> None:
        """Takes out of a temporary table what lies before the reading of resuming.

        Args:
            table: a table with machine_id.
            second: its column of seconds since 1970, or an expression of its columns.
        """
        self._store.execute(
            f"DELETE FROM temp.main.{quoted(table)} AS part USING {RESUMED} "  # noqa: S608
            f"WHERE part.machine_id = {RESUMED}.machine_id AND {second} < {RESUMED}.from_seconds"
        )

    def restrict_temporary(self, tables: Iterable[str]) -> None:
        """Takes out of temporary tables what is not the chosen machines'."""
        for table in tables:
            self._store.execute(
                f"DELETE FROM temp.main.{quoted(table)} "  # noqa: S608
                f"WHERE machine_id NOT IN (SELECT machine_id FROM {CHOSEN})"
            )

    def copy_chosen(self, tables: Iterable[str]) -> None:
        """Takes the chosen machines' rows out of the schema's own tables, for steps that read them often."""
        for name in tables:
            self._store.execute(
                f"CREATE OR REPLACE TEMPORARY TABLE {quoted(name)} AS "  # noqa: S608
                f"FROM {self._schema}.{quoted(name)} WHERE machine_id IN (SELECT machine_id FROM {CHOSEN})"
            )

    def copy_ends(self, table: str, second: str) -> None:
        """Takes out of one of the schema's own tables what lies up to early_end, and from late_begin on.

        Args:
            second: its column of seconds since 1970.
        """
        self._store.execute(
            f"CREATE OR REPLACE TEMPORARY TABLE {quoted(table)} AS "  # noqa: S608
            f"SELECT part.* FROM {self._schema}.{quoted(table)} AS part "
            f"INNER JOIN {RESUMED} ON part.machine_id = {RESUMED}.machine_id "
            f"WHERE part.{second} <= {RESUMED}.early_end OR part.{second} >= {RESUMED}.late_begin"
        )

    def restrict_in_time(self, table: str, column: str) -> None:
        """Shows of one of the store's own tables only what lies beyond the day of resuming.

        Args:
            column: its column of instants.
        """
        whole = f"{self._main}.{quoted(table)}"
        self._store.execute(
            f"CREATE OR REPLACE TEMPORARY VIEW {quoted(table)} AS "  # noqa: S608
            f"SELECT part.* FROM {whole} AS part "
            f"INNER JOIN {RESUMED} ON part.machine_id = {RESUMED}.machine_id "
            f"WHERE EPOCH(part.{column}) >= {RESUMED}.from_day * 86400 "
            f"AND part.{column} >= (SELECT MAKE_TIMESTAMP(MIN(from_day) * 86400000000) FROM {RESUMED})"
        )

    def restrict(self, tables: Mapping[str, Sequence[str]]) -> None:
        """Shows of the store's own tables only the rows of the chosen machines.

        Args:
            tables: name -> columns, as `Store.tables` gives them; what no machine owns stays as it is.
        """
        for name, columns in tables.items():
            whole = f"{self._main}.{quoted(name)}"
            if "machine_id" in columns:
                owned = f"machine_id IN (SELECT machine_id FROM {CHOSEN})"  # noqa: S608
            elif name in _BY_ORDER:
                owned = (
                    f"work_order_id IN (SELECT work_order_id FROM {self._main}.work_orders "  # noqa: S608
                    f"WHERE machine_id IN (SELECT machine_id FROM {CHOSEN}))"
                )
            else:
                continue
            self._store.execute(
                f"CREATE OR REPLACE TEMPORARY VIEW {quoted(name)} AS FROM {whole} WHERE {owned}"
            )

    def lift_restriction(self, tables: Iterable[str]) -> None:
        """Shows the store's own tables whole again."""
        for name in tables:
            self._store.execute(f"DROP VIEW IF EXISTS temp.main.{quoted(name)}")

    def _attached(self) -> bool:
        return bool(
            self._store.execute(
                "SELECT 1 FROM duckdb_databases() WHERE database_name = $name", {"name": self._catalog}
            )
        )
