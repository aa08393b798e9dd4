"""Shows Spark the yard's tables: one Parquet file or folder a kind, checked against the data dictionary."""

from __future__ import annotations

import re
from collections.abc import Mapping
from functools import reduce
from pathlib import Path
from typing import TYPE_CHECKING

import polars as pl

from fleetlog.engines.failures import condition, first_cause
from fleetlog.errors import EngineError, InputFileError
from fleetlog.store.dictionary import KINDS, Kind
from fleetlog.store.lake import (
    LISTED,
    MAY_LACK,
    ORIGIN,
    empty_key,
    key_twice,
    lacks_columns,
    no_parquet,
    no_table,
    other_type,
)

if TYPE_CHECKING:
    from pyspark.sql import Column, DataFrame, SparkSession

_DATABASE = re.compile(r"\w+(\.\w+)*")
_APART = "\x1f"  # between the parts of a key that is one text


def read_lake(
    session: SparkSession, lake: str, tables: Mapping[str, pl.Schema], time_zone: str
) -> dict[str, DataFrame]:
    """Every table of the lake, with the columns and types of a store's.

    Args:
        session: where to.
        lake: folder or URL that holds `<table>.parquet` (a file or a folder of files) or a folder
            `<table>`; the cluster's machines must reach it by the same name. Or a database of its catalog.
        tables: table -> its columns and types in a store.
        time_zone: of times that carry none.

    Raises:
        InputFileError: for a missing table or required column, a value of another type, a key that
            is not given or comes twice.
        EngineError: when the lake cannot be read.
    """
    views = {}
    for name, schema in tables.items():
        frame = _read(session, lake, name)
        if frame is None and name not in MAY_LACK:
            raise no_table(lake, name)
        views[name] = _cast_columns(session, lake, name, frame, schema, time_zone)
    _check(lake, views)
    return views


def _paths(lake: str, name: str) -> tuple[str, ...]:
    """Where a table may lie; local places that are not there are left out."""
    base = lake.rstrip("/") or "/"
    places = (f"{base}/{name}.parquet", f"{base}/{name}")
    if "://" in lake:
        return places
    return tuple(str(Path(place).resolve()) for place in places if Path(place).exists())


def _read(session: SparkSession, lake: str, name: str) -> DataFrame | None:
    if _is_database(session, lake):
        return session.table(f"{lake}.{name}") if session.catalog.tableExists(f"{lake}.{name}") else None
    for place in _paths(lake, name):
        form = _form(place)
        try:
            return session.read.format(form).load(place)
        except Exception as error:
            if condition(error) == "PATH_NOT_FOUND":
                continue
            if condition(error) == "DATA_SOURCE_NOT_FOUND":
                raise EngineError(
                    f"{place} is a table of the form {form}, whose package this Spark lacks; give it with "
                    "spark.jars.packages in Spark's own settings."
                ) from error
            if condition(error) == "UNABLE_TO_INFER_SCHEMA":
                raise no_parquet(place, name) from error
            unreadable = condition(error).startswith(("FAILED_READ_FILE", "CANNOT_READ_FILE_FOOTER"))
            if unreadable or "is not a Parquet file" in str(error):
                raise InputFileError(f"{place} does not read as Parquet; write it anew.") from error
            raise EngineError(f"Spark cannot read {place} ({first_cause(error)}).") from error
    return None


def _is_database(session: SparkSession, lake: str) -> bool:
    """Whether the lake is named as a database of the cluster's catalog, `yard` or `catalog.yard`."""
    if not _DATABASE.fullmatch(lake) or Path(lake).exists():
        return False
    try:
        return bool(session.catalog.databaseExists(lake))
    except Exception as error:
        raise EngineError(f"Spark cannot look {lake} up in its catalog ({first_cause(error)}).") from error


def _form(place: str) -> str:
    """In what form a table lies in a folder: its maker's list of the files that count tells."""
    for inside, form in LISTED.items():
        if "://" not in place and (Path(place) / inside).is_dir():
            return form.lower()
    return "parquet"


def _cast_columns(
    session: SparkSession,
    lake: str,
    name: str,
    frame: DataFrame | None,
    schema: pl.Schema,
    time_zone: str,
) -> DataFrame:
    """The columns of a store's table, in their types; optional ones that are missing are empty."""
    from pyspark.sql import functions as sf

    if frame is None:
        return session.createDataFrame(pl.DataFrame(schema=schema).to_arrow())
    there = {column.lower() for column in frame.columns}
    kind = KINDS.get(name)
    required = kind.required if kind else tuple(schema)
    missing = [column for column in required if column not in there]
    if missing:
        raise lacks_columns(lake, name, missing, frame.columns)
    # Without an origin rows are numbered in the order of their key, within a machine or an order: the history
    # compares no others.
    numbered = kind is not None and not all(column in there for column in ORIGIN)
    zoneless = {column.lower() for column, kind in frame.dtypes if kind in ("timestamp_ntz", "string")}
    columns = []
    for column, type_ in schema.items():
        as_type = SPARK_TYPES[type_.base_type()]
        if kind is not None and numbered and column in ORIGIN:
            made = _number(kind) if column == "row_no" else sf.lit(0)
            columns.append(made.cast(as_type).alias(column))
        elif column in zoneless and type_.base_type() is pl.Datetime and time_zone != "UTC":
            # A time without a zone is one of the fleet's clock.
            local = sf.to_utc_timestamp(sf.col(column).cast("timestamp"), time_zone)
            columns.append(local.cast(as_type).alias(column))
        elif column in there:
            columns.append(sf.col(column).cast(as_type).alias(column))
        else:
            columns.append(sf.lit(None).cast(as_type).alias(column))
    return frame.select(*columns)


def _number(kind: Kind) -> Column:
    from pyspark.sql import Window
    from pyspark.sql import functions as sf

    owned = any(column.name == "machine_id" for column in kind.columns)
    whose = "machine_id" if owned else kind.key[0]
    order = Window.partitionBy(whose).orderBy(*(sf.col(column) for column in kind.key))
    return sf.row_number().over(order)


def _check(lake: str, views: Mapping[str, DataFrame]) -> None:
    """Every row has what it must have, and no two the same key: what loading sees to in a store."""
    from pyspark.sql import functions as sf

    # One table of all keys, so that one pass finds them.
    keys = [_keys(name, views[name]) for name in KINDS]
    wrong = (
        reduce(lambda one, other: one.unionAll(other), keys)
        .groupBy("kind", "key")
        .agg(sf.count("*").alias("rows"), sf.max("empty").alias("empty"))
        .filter("rows > 1 OR empty")
        .groupBy("kind")
        .agg(sf.max("empty").alias("empty"), sf.min("key").alias("example"))
    )
    try:
        faults = sorted(tuple(row) for row in wrong.collect())
    except Exception as error:
        if condition(error).startswith("CAST") or "PARSE" in condition(error):
            raise other_type(lake, first_cause(error)) from error
        raise EngineError(f"Spark failed while it read the lake {lake} ({first_cause(error)}).") from error
    for name, empty, example in faults:
        kind = KINDS[name]
        if empty:
            raise empty_key(lake, name, kind.required)
        raise key_twice(lake, name, kind.key, example.split(_APART))


def _keys(name: str, view: DataFrame) -> DataFrame:
    """Of every row the kind, the key as one text, and whether something required is empty."""
    from pyspark.sql import functions as sf

    kind = KINDS[name]
    key = (sf.coalesce(sf.col(column).cast("string"), sf.lit("")) for column in kind.key)
    empty = reduce(lambda one, other: one | other, (sf.col(column).isNull() for column in kind.required))
    return view.select(
        sf.lit(name).alias("kind"), sf.concat_ws(_APART, *key).alias("key"), empty.alias("empty")
    )


SPARK_TYPES: Mapping[type[pl.DataType], str] = {
    pl.String: "string",
    pl.Date: "date",
    pl.Datetime: "timestamp_ntz",
    pl.Float64: "double",
    pl.Int64: "bigint",
    pl.Int32: "int",
    pl.Boolean: "boolean",
}
"""What Spark calls the types of a store."""
