"""Opens, locks and migrates a store, and runs the files of sql/ by name with bound parameters.

The only package that imports duckdb. Readers read the published file; a writer works on a working copy of
it that takes its place when all is done (`fleetlog.store.working_copy`).
"""

from fleetlog.store.connection import DatabaseError, Store
from fleetlog.store.opening import open_store

__all__ = ["DatabaseError", "Store", "open_store"]
