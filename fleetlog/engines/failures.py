"""What Spark says when something fails, in the one line that helps."""

from __future__ import annotations

from typing import Any


def condition(error: Exception) -> str:
    """The name of Spark's error condition, e.g. PATH_NOT_FOUND; empty where it has none."""
    ask: Any = getattr(error, "getCondition", None)
    try:
        return str(ask() or "") if ask is not None else ""
    except Exception:  # asks Java, which may be gone
        return ""


def first_cause(error: Exception) -> str:
    """The first line that says what happened, without Spark's code for it."""
    lines = [line.strip() for line in str(error).splitlines() if line.strip()]
    cause = [line for line in lines if line.startswith("Caused by:")]
    said = (
        cause[-1].removeprefix("Caused by:") if cause else lines[0] if lines else type(error).__name__
    ).strip()
    return said.split("SQLSTATE")[0].strip().rstrip(".;:,")
