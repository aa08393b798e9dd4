"""Opens, locks and migrates a store, and runs the files of sql/ by name with bound parameters.

The only package that imports duckdb. Readers read the published file; a writer works on a draft of it that
takes its place when all is done (`fleetlog.store.draft`).
"""

from fleetlog.store.connection import DatabaseError, Store
from fleetlog.store.opening import open_store

__all__ = ["DatabaseError", "Store", "open_store"]
