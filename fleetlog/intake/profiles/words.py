"""The words of a source as the words of the store, in SQL."""

from __future__ import annotations

from collections.abc import Mapping

from fleetlog.intake.names import squeeze
from fleetlog.intake.sqltext import Bound, compose


def translate(text: str, words: Mapping[str, str], bound: Bound) -> str:
    """The expression `text` with a profile's words put in; NULL where a word means "leave empty".

    Words are compared without case, spaces, dashes and underscores; other text stays as it is.
    """
    if not words:
        return text
    by_name = {squeeze(word): stored for word, stored in words.items()}
    return compose(
        "nullif(coalesce((«stored»)[list_position(«words», "
        "replace(replace(replace(lower(«t»), ' ', ''), '-', ''), '_', ''))], «t»), '')",
        stored=bound(list(by_name.values())),
        words=bound(list(by_name)),
        t=text,
    )
