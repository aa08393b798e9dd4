"""Reaches a Spark cluster: a session of our own, quiet, or one sentence on why there is none."""

from __future__ import annotations

import importlib.util
import os
import re
import shutil
import socket
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import urlsplit

from fleetlog.engines.failures import first_cause
from fleetlog.errors import EngineError, UsageError

if TYPE_CHECKING:
    from pyspark.sql import SparkSession

INSTALL = "pip install 'fleetlog[spark]'"
JAVA = "install one (Debian: apt-get install default-jre-headless) or set JAVA_HOME"
NEEDED = ("pyspark", "sqlglot", "pyarrow")
PATIENCE = 10.0
"""Seconds that a cluster has to take up a connection."""

# Spark's own forms of a master.
_MASTER = re.compile(r"(local(-cluster)?(\[[^\]]*\])?|yarn|(spark|sc|k8s)://\S+)")

# What decides the meaning of our statements; everything else is the cluster's own business.
MEANING = {
    "spark.sql.session.timeZone": "UTC",
    "spark.sql.ansi.enabled": "true",
    "spark.sql.caseSensitive": "false",
    "spark.sql.parquet.inferTimestampNTZ.enabled": "true",
    # A folder machine_id=007 is text, whatever it looks like.
    "spark.sql.sources.partitionColumnTypeInference.enabled": "false",
}


@dataclass(frozen=True)
class Cluster:
    """A session on a cluster.

    Attributes:
        session: the Spark session.
        master: where it runs, in Spark's own words.
        ours: whether we began it, and so end it.
    """

    session: SparkSession
    master: str
    ours: bool

    def close(self) -> None:
        """Ends the session if it is ours."""
        if self.ours:
            with _java_output_aside():
                self.session.stop()


def require() -> None:
    """Whether the libraries are installed that a user does without until Spark is asked for.

    Raises:
        UsageError: when they are not, with the command that installs them.
    """
    missing = [name for name in NEEDED if importlib.util.find_spec(name) is None]
    if missing:
        raise UsageError(f"The engine spark needs {' and '.join(missing)}; install with: {INSTALL}")


def connect(master: str | None = None) -> Cluster:
    """A session on the cluster at `master`.

    Args:
        master: a URL in Spark's own words (spark://, k8s://, yarn, local[4]; sc:// for Spark Connect); None
            takes SPARK_REMOTE, else what Spark's own settings (SPARK_CONF_DIR, spark-defaults.conf) say, else
            this machine.

    Raises:
        UsageError: when the libraries are not installed, or the URL is none that Spark knows.
        EngineError: when there is no Java, or the cluster cannot be reached.
    """
    require()
    remote = master or os.environ.get("SPARK_REMOTE", "")
    if remote and not _MASTER.fullmatch(remote):
        raise UsageError(
            f"Spark knows no master {remote!r}; give one like spark://host:7077, sc://host:15002 or local[4]."
        )
    by_connect = remote.startswith("sc://")
    if not by_connect:
        _find_java()
    _check_reachable(remote)
    from pyspark.sql import SparkSession

    running = SparkSession.getActiveSession()
    builder: Any = SparkSession.builder.appName("fleetlog")
    for name, value in _settings(remote).items():
        builder = builder.config(name, value)
    if by_connect:
        builder = builder.remote(remote)
    elif master:
        builder = builder.master(master)
    with _java_output_aside() as heard:
        try:
            session: SparkSession = builder.getOrCreate()
            for name, value in MEANING.items():
                session.conf.set(name, value)
            if not by_connect:
                session.sparkContext.setLogLevel("OFF")
        except Exception as error:
            said = _explain(error, heard)
            raise EngineError(
                f"Spark cannot be started on {remote or 'this machine'} ({said}); look whether the cluster "
                "runs and has room, then try again."
            ) from error
    return Cluster(session, remote or "this machine", running is None)


def _settings(master: str) -> dict[str, str]:
    """What a session is begun with."""
    settings = {**MEANING, "spark.ui.showConsoleProgress": "false"}
    host = urlsplit(master).hostname or ""
    if not master or master.startswith("local") or host in ("localhost", "127.0.0.1"):
        # All is on this machine, so nothing of it needs to be seen from outside, nor by name.
        settings |= {
            "spark.driver.host": "127.0.0.1",
            "spark.driver.bindAddress": "127.0.0.1",
            "spark.ui.enabled": "false",
            # Spark's own 200 pieces are meant for many machines.
            "spark.sql.shuffle.partitions": str(os.cpu_count() or 2),
        }
    return settings


def _find_java() -> None:
    home = os.environ.get("JAVA_HOME", "")
    if home and not (Path(home) / "bin" / "java").is_file():
        raise EngineError(f"Spark needs Java, and JAVA_HOME names {home}, where there is none; {JAVA}.")
    if not home and shutil.which("java") is None:
        raise EngineError(f"Spark needs Java 17 or newer, which is not on this machine; {JAVA}.")


def _check_reachable(master: str) -> None:
    """Whether somebody listens there; Spark itself would try for minutes."""
    if urlsplit(master).scheme not in ("spark", "sc"):
        return
    failed = ""
    # A standalone cluster may have masters in reserve: spark://one:7077,two:7077.
    for place in master.split("://", 1)[1].split("/")[0].split(";")[0].split(","):
        parts = urlsplit(f"//{place}")
        try:
            port = parts.port or (15002 if master.startswith("sc:") else 7077)
            with socket.create_connection((parts.hostname or "", port), timeout=PATIENCE):
                return
        except ValueError as error:
            raise UsageError(f"{master!r} is no address of a cluster: {error}.") from error
        except OSError as error:
            failed = error.strerror or str(error)
    raise EngineError(
        f"The Spark cluster at {master} cannot be reached ({failed}); look whether it runs and whether "
        "the address is right."
    )


@contextmanager
def _java_output_aside() -> Iterator[Path]:
    """Sends what Java writes on the screen into a file that is then thrown away.

    Java takes over our outlets when it starts and writes to them as long as it lives, so they are exchanged
    by their number; ours come back afterwards.
    """
    sys.stdout.flush()
    sys.stderr.flush()
    with tempfile.NamedTemporaryFile(prefix="fleetlog-spark-", suffix=".log") as log:
        saved = {number: os.dup(number) for number in (1, 2)}
        for number in saved:
            os.dup2(log.fileno(), number)
        try:
            yield Path(log.name)
        finally:
            for number, copy in saved.items():
                os.dup2(copy, number)
                os.close(copy)


def _explain(error: Exception, log: Path) -> str:
    """The one line that says most: Spark's own, or where Java ended at once, Java's."""
    if "JAVA_GATEWAY_EXITED" not in str(error):
        return first_cause(error)
    lines = [line.strip() for line in log.read_text(errors="replace").splitlines() if line.strip()]
    telling = [line for line in lines if "Exception" in line or "rror" in line]
    return (telling or lines or ["Java ended at once"])[0].rstrip(".")
