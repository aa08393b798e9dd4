"""Opens, locks and migrates a store, and runs the files of sql/ by name with bound parameters.

The only package that imports duckdb.
"""

from fleetlog.store.connection import DatabaseError, Store, open_store

__all__ = ["DatabaseError", "Store", "open_store"]
