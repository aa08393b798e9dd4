"""A store's questions answered by Spark: history and risk tables on the cluster, the rest in memory.

Findings ask a store by the names of files in sql/. Here the files of sql/history/ and sql/risk/ run on the
cluster, over the Parquet files of a lake; any other file runs in memory, over the tables that its header
names, brought back once. The executors need neither Python nor fleetlog: all that reaches them is SQL.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import reduce
from typing import TYPE_CHECKING, Any, ClassVar

import polars as pl

from fleetlog.engines.dialect import tables_read, to_spark
from fleetlog.engines.failures import first_cause
from fleetlog.engines.lake import read_lake
from fleetlog.engines.session import Cluster, connect
from fleetlog.errors import EngineError
from fleetlog.store import Store, open_store
from fleetlog.store.lake import TABLES
from fleetlog.store.statements import Statement, statement

if TYPE_CHECKING:
    from pyspark.sql import DataFrame

_FEW = 1_000  # machines without an entry on the list

ON_SPARK = ("history", "risk")
"""The folders of sql/ that run on the cluster."""

LONG = frozenset({"meter_readings", "reading", "clock", "running_hours", "fault_codes", "rentals"})
"""Tables with many rows a machine: they stay on the cluster, and a file that reads one runs there."""


class SparkStore(Store):
    """A lake that can be asked like a store. Make one with `open_lake_store`.

    Attributes:
        lake: folder or URL of the Parquet files.
        master: where the cluster is.
    """

    local: ClassVar[bool] = False

    def __init__(self, cluster: Cluster, lake: str, time_zone: str) -> None:
        # An empty store knows the columns and types of every table, and takes what comes back.
        self._memory = open_store(None)
        super().__init__(self._memory._connection, None, False)
        self._cluster = cluster
        self.lake = lake
        self.master = cluster.master
        self._shapes = {name: self._shape(name) for name in TABLES}
        self._waiting: dict[str, pl.DataFrame] = {}
        self._brought: set[str] = set()
        self._lake = read_lake(cluster.session, lake, self._shapes, time_zone)
        self._there = set(self._lake)
        for name, frame in self._lake.items():
            frame.createOrReplaceTempView(name)

    def close(self) -> None:
        """Ends the session on the cluster, if it was begun here."""
        super().close()
        self._cluster.close()

    def discard(self) -> None:
        """As `close`: there is nothing to keep."""
        self.close()

    def select(self, sql: str, parameters: Mapping[str, Any] | None = None) -> pl.DataFrame:
        """Runs one SELECT: in memory when all its tables are in memory, else on the cluster, if all are there."""
        read = tables_read(sql)
        if not read <= self._brought and read <= self._there | set(self._waiting):
            shape = super().select(sql, parameters).schema
            return self._back(self._ask(sql, parameters), shape)
        return super().select(sql, parameters)

    def execute(self, sql: str, parameters: Mapping[str, Any] | None = None) -> list[tuple[Any, ...]]:
        """Runs one SQL text as a store does; a SELECT over tables of the cluster runs there."""
        if sql.lstrip().upper().startswith(("SELECT", "FROM", "WITH")) and tables_read(sql):
            return self.select(sql, parameters).rows()
        return super().execute(sql, parameters)

    def run(self, name: str, strata: Sequence[str] = (), **parameters: Any) -> pl.DataFrame:
        """Runs the file sql/`name`.sql: on the cluster if it lies in one of its folders or reads a long table there,
        else in memory."""
        query = statement(name)
        if not self._runs_there(query):
            self._bring(query)
            return super().run(name, strata, **parameters)
        text, bound = query.split_by(strata), self._bind(query, parameters)
        shape = Store.select(self, text, bound).schema
        return self._back(self._ask(text, bound), shape)

    def create(self, table: str, query: Statement, *, temporary: bool, **parameters: Any) -> None:
        """Makes the table `table` from a SELECT file, where the file runs."""
        if not self._runs_there(query):
            self._bring(query)
            super().create(table, query, temporary=temporary, **parameters)
            self._made_here(table, Store.select(self, f"FROM {table}"))
            return
        super().create(table, query, temporary=True, **parameters)
        frame = self._ask(query.split_by(()), self._bind(query, parameters))
        self._shapes[table] = self._shape(table)
        self._brought.discard(table)
        self._waiting.pop(table, None)
        (frame if query.is_view else self._materialise(frame)).createOrReplaceTempView(table)
        self._there.add(table)

    def register(self, name: str, frame: pl.DataFrame) -> None:
        """Hands a frame over, to memory now and to the cluster when something there reads it."""
        super().register(name, frame)
        self._made_here(name, frame)

    @contextmanager
    def restricted(self) -> Iterator[None]:
        """Inside, the lake's tables show only rows of listed machines, as a store's do to its history."""
        listed = self._lake["machines"].select("machine_id")
        owned = {
            name: frame
            for name, frame in self._lake.items()
            if "machine_id" in frame.columns and name != "machines"
        }
        owners = reduce(
            lambda one, other: one.union(other), (frame.select("machine_id") for frame in owned.values())
        )
        unlisted = self._rows(owners.distinct().join(listed, "machine_id", "left_anti").limit(_FEW + 1))
        for name, frame in owned.items():
            if (
                0 < len(unlisted) <= _FEW
            ):  # as a rule: a list is cheaper than a join wherever the table is read
                frame.filter(~frame["machine_id"].isin(unlisted)).createOrReplaceTempView(name)
            elif unlisted:
                frame.join(listed, "machine_id", "left_semi").createOrReplaceTempView(name)
        try:
            yield
        finally:
            for name, frame in self._lake.items():
                frame.createOrReplaceTempView(name)

    def tables(self) -> dict[str, list[str]]:
        """The tables of the lake and their columns."""
        return {name: frame.columns for name, frame in sorted(self._lake.items())}

    def fetch(self, table: str) -> pl.DataFrame:
        """The whole of a table of the cluster."""
        self._hand_over({table})
        return self._back(self._cluster.session.table(table), self._shapes[table])

    def _shape(self, table: str) -> pl.Schema:
        return Store.select(self, f"FROM {table} LIMIT 0").schema

    def _ask(self, sql: str, parameters: Mapping[str, Any] | None) -> DataFrame:
        self._hand_over(tables_read(sql))
        try:
            return self._cluster.session.sql(to_spark(sql, parameters))
        except Exception as error:
            raise _failed(error) from error

    def _hand_over(self, tables: set[str] | frozenset[str]) -> None:
        for name in tables & self._waiting.keys():
            frame = self._cluster.session.createDataFrame(self._waiting.pop(name).to_arrow())
            frame.createOrReplaceTempView(name)
            self._there.add(name)

    def _materialise(self, frame: DataFrame) -> DataFrame:
        """Works a table out now, once, and cuts it loose from what it was made of.

        Without the cut the plan of the last step would hold all others many times over. Where the cluster
        has a folder for it (spark.checkpoint.dir) the rows lie there, and outlive the machine that made them.
        """
        folder = self._cluster.session.conf.get("spark.checkpoint.dir", None)
        try:
            return frame.checkpoint() if folder else frame.localCheckpoint()
        except Exception as error:
            raise _failed(error) from error

    def _made_here(self, name: str, frame: pl.DataFrame) -> None:
        """Notes a table that lies in memory and goes to the cluster when something there reads it."""
        self._shapes[name] = frame.schema
        self._waiting[name] = frame
        self._there.discard(name)
        self._brought.add(name)

    def _runs_there(self, query: Statement) -> bool:
        long = tables_read(query.split_by(())) & LONG & self._there
        return _folder(query) in ON_SPARK or bool(long - self._brought)

    def _bring(self, query: Statement) -> None:
        """Brings the tables that a file reads into memory, those that are not there yet."""
        for table in sorted(tables_read(query.split_by(())) & self._there - self._brought):
            Store.register(self, table, self.fetch(table))
            self._brought.add(table)

    def _rows(self, frame: DataFrame) -> list[Any]:
        """The values of a frame of one column."""
        try:
            return [row[0] for row in frame.collect()]
        except Exception as error:
            raise _failed(error) from error

    def _back(self, frame: DataFrame, shape: pl.Schema) -> pl.DataFrame:
        """The rows, in the types that a store would give."""
        try:
            rows = pl.DataFrame(frame.toArrow())
        except Exception as error:
            raise _failed(error) from error
        if rows.columns != shape.names():
            raise EngineError(f"Spark answers {rows.columns}, a store {shape.names()}.")
        return rows.cast(shape)


def _folder(query: Statement) -> str:
    return query.name.split("/", 1)[0]


def _failed(error: Exception) -> EngineError:
    return EngineError(f"Spark gave up ({first_cause(error)}).")


def open_lake_store(lake: str, master: str | None = None, time_zone: str = "UTC") -> SparkStore:
    """A lake, open for questions.

    Args:
        lake: folder or URL of the Parquet files; the cluster's machines must reach it by the same name.
        master: see `fleetlog.engines.session.connect`.
        time_zone: of times that carry none.

    Raises:
        UsageError: when libraries are missing, or the URL is none.
        EngineError: when there is no Java, or the cluster cannot be reached.
        InputFileError: when the lake lacks a table or a column.
    """
    cluster = connect(master)
    try:
        return SparkStore(cluster, lake, time_zone)
    except BaseException:
        cluster.close()
        raise
