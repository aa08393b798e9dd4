"""What can go wrong for a user: one sentence each, and the exit code it ends with."""

from __future__ import annotations


class FleetlogError(Exception):
    """An error whose text is one sentence for the user: what is wrong, where, and what to do.

    Attributes:
        exit_code: what the command line ends with (2 usage or bad input, 3 store).
    """

    exit_code = 2


class UsageError(FleetlogError):
    """An argument or an option cannot be used as given."""


class SettingsError(FleetlogError):
    """A settings file or a fault family does not read as it should."""


class InputFileError(FleetlogError):
    """A file cannot be loaded at all; nothing of it was stored."""


class StoreError(FleetlogError):
    """The store is missing, busy, damaged, of another version, or no store at all."""

    exit_code = 3


class EngineError(FleetlogError):
    """Another engine than the store's own is missing, out of reach, or gave up."""

    exit_code = 3


class StoreBusyError(StoreError):
    """The store is held by another process; the same again may succeed later."""


def first_line(error: BaseException) -> str:
    """What a library says of an error, without the lines that follow and the full stop."""
    return (str(error) or type(error).__name__).splitlines()[0].rstrip(". ")
