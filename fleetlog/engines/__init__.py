"""The engine room: runs the files of sql/history/ and sql/risk/ on another engine than the store's own.

Spark is the only one so far. The files stay as they are; `dialect` says them in Spark's words, `session`
reaches the cluster, `lake` shows it the yard's tables, `spark` answers like a store. The only package that
imports pyspark and sqlglot; nothing imports it before another engine is asked for.
"""
