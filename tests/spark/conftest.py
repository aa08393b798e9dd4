"""A Spark cluster of several processes on this machine.

Where continuous integration runs (CI is set) a missing pyspark fails. On a machine of yours without the extra
these tests are passed over, and say how to get it: the README's test command does not install it.
"""

from __future__ import annotations

import importlib.util
import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

MASTER = "local-cluster[2,1,1024]"
"""A master, and two workers with an executor each: processes of their own, one core and 1024 MB each."""

# Short runs gain nothing from Java's second compiler, from plans that are mended while they run, nor from code
# made for each of them.
CONF = """
spark.driver.memory 1g
spark.driver.extraJavaOptions -XX:TieredStopAtLevel=1 -XX:+UseSerialGC
spark.executor.extraJavaOptions -XX:TieredStopAtLevel=1 -XX:+UseSerialGC
spark.sql.adaptive.enabled false
spark.sql.codegen.wholeStage false
spark.sql.codegen.factoryMode NO_CODEGEN
spark.sql.shuffle.partitions 2
"""


@pytest.fixture(scope="session", autouse=True)
def extra() -> None:
    """The extra fleetlog[spark]."""
    missing = [name for name in ("pyspark", "sqlglot", "pyarrow") if importlib.util.find_spec(name) is None]
    if missing:
        told = f"{', '.join(missing)} missing: .venv/bin/pip install -c requirements.lock -e '.[spark]'"
        if os.environ.get("CI"):
            pytest.fail(told, pytrace=False)
        pytest.skip(told)


@pytest.fixture(scope="session")
def spark_settings(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Path]:
    """Spark's own settings, found the way a user's are."""
    place = tmp_path_factory.mktemp("spark-conf")
    (place / "spark-defaults.conf").write_text(CONF, encoding="utf-8")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SPARK_CONF_DIR", str(place))
        patch.delenv("SPARK_REMOTE", raising=False)
        yield place


@pytest.fixture
def lake_of(tmp_path: Path) -> Callable[[Path], Path]:
    """`lake_of(store)`: the folder with all tables of a store as Parquet files."""
    from fleetlog.store import open_store
    from fleetlog.store.lake import write_lake

    def write(store: Path) -> Path:
        lake = tmp_path / f"lake-of-{store.parent.name}"
        with open_store(store, reach=[lake]) as opened:
            write_lake(opened, lake)
        return lake

    return write
