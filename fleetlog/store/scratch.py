"""A place on the disk for tables that are long and short-lived.

What the engine keeps as a temporary table lies unpacked in memory, some 60 bytes a meter reading, and is
written out and read back with every pass over it once it does not fit. A table in a file of its own is packed
to a fifth of that and may leave memory at no cost.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path

from fleetlog.store.connection import DatabaseError, Store, literal, quoted
from fleetlog.temporary import temporary_folder

_CATALOG = "scratch"


@contextmanager
def scratch(store: Store) -> Iterator[Callable[[], str]]:
    """A function that says where to put such a table, as the start of its name; all are gone after the block.

    The file is made at the first call, in the folder where the engine puts what does not fit into memory;
    from then on the tables in it are found by their names alone. Not to be called within a transaction.
    """
    path = ""
    with ExitStack() as elsewhere:
        made: list[Path] = []

        def place() -> str:
            nonlocal path
            if not made:
                folder = Path(str(store.execute("SELECT current_setting('temp_directory')")[0][0]))
                if store.path is None or not folder.parent.is_dir():
                    folder = elsewhere.enter_context(temporary_folder())
                folder.mkdir(exist_ok=True)
                file = folder / "scratch.duckdb"
                store.execute(f"ATTACH {literal(file)} AS {_CATALOG}")
                made.append(file)
                path, database, schema = store.execute(
                    "SELECT current_setting('search_path'), current_database(), current_schema()"
                )[0]
                store.execute(f"SET search_path = '{quoted(database)}.{quoted(schema)},{_CATALOG}.main'")
            return f"{_CATALOG}.main."

        try:
            yield place
        finally:
            if made:
                # A connection that is broken lets the file go by itself.
                with suppress(DatabaseError):
                    store.execute(f"SET search_path = '{path}'")
                    store.execute(f"DETACH {_CATALOG}")
                for file in (made[0], made[0].with_name(made[0].name + ".wal")):
                    file.unlink(missing_ok=True)
