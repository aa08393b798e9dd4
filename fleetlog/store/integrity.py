"""Whether a store is whole: every block readable, every invariant kept."""

from __future__ import annotations

from fleetlog.errors import StoreError
from fleetlog.store.connection import DatabaseError, Store, quoted
from fleetlog.store.statements import named


def broken_invariants(store: Store) -> list[tuple[str, int, str]]:
    """Every invariant of sql/invariants/ that does not hold: its name, how many rows break it, what it means.

    Raises:
        StoreError: when a table cannot be read to its end.
    """
    for table in store.tables():
        try:
            # Hashing every value reads every block, and each block carries a checksum.
            store.execute(f"SELECT SUM(HASH(one)) FROM {quoted(table)} AS one")  # noqa: S608
        except DatabaseError as error:
            raise StoreError(
                f"The table {table} of the store is damaged; restore the store from a copy."
            ) from error
    broken = []
    for invariant in named("invariants"):
        rows = store.run(invariant.name).height
        if rows:
            broken.append((invariant.name.removeprefix("invariants/"), rows, invariant.header["purpose"]))
    return broken
