"""Comparing names as people write them."""

from __future__ import annotations

import re

REJECT_ID = "reject_id"
"""A column of a file of corrected rows: which rejected row this one stands for."""

REJECT_REASON = "reject_reason"

UTC_HEADING = re.compile(r"\s*\(UTC\)\s*$", re.IGNORECASE)
"""The end of a heading that says that the column's times are UTC."""

_BETWEEN_WORDS = re.compile(r"[\s_\-]+")


def squeeze(name: str) -> str:
    """A name for comparison: lower case, no spaces, dashes or underscores."""
    return _BETWEEN_WORDS.sub("", name.strip("\ufeff")).lower()
