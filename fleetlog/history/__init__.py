"""Turns stored rows into running hours, fault episodes, component lives and repair attempts."""

from fleetlog.history.build import History, build_history, first_day, last_day, refresh_history

__all__ = ["History", "build_history", "first_day", "last_day", "refresh_history"]
