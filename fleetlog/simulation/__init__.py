"""Invented fleets with a known truth, written as the files that a yard would hand over.

`options` says what can be asked for; `law`, `machines`, `faults`, `shop` and `scripted` are the
world; `routine`, `records`, `wording` and `untidy` are what is written down of it, and change
nothing of what happens.
"""

from fleetlog.simulation.files import DAY, FileForm, TableFiles, Window

__all__ = ["DAY", "FileForm", "TableFiles", "Window"]
