"""Suggestions from free text, kept in the store: read after a load, judged by a person, never typed over.

What a line says in its own columns stays as it is; a suggestion lies beside it. Analyses count it once it is
accepted, or where the settings count unjudged ones (sql/wording/).
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, datetime
from difflib import get_close_matches
from typing import Any

import polars as pl

from fleetlog.errors import UsageError
from fleetlog.store import Store
from fleetlog.wording import Dictionary, load_dictionary, read_note

STATES = ("open", "accepted", "declined")

_SCHEMA: dict[str, Any] = {
    "field": pl.String,
    "text": pl.String,
    "place": pl.Int64,
    "spans": pl.String,
    "words": pl.String,
    "component": pl.String,
    "side": pl.String,
    "action": pl.String,
    "finding": pl.String,
    "result": pl.String,
    "recurrence_hours": pl.Float64,
    "again": pl.Boolean,
    "confidence": pl.Float64,
}

# Every text that can be read, with the row it stands in.
_TEXTS = """
    CREATE OR REPLACE TEMPORARY TABLE text_to_read AS
    SELECT work_order_id, CAST(NULL AS BIGINT) AS line_no, field, text, md5(text) AS text_hash, file_id,
           row_no
    FROM (
        SELECT work_order_id, 'complaint' AS field, complaint AS text, file_id, row_no FROM work_orders
        UNION ALL
        SELECT work_order_id, 'cause', cause, file_id, row_no FROM work_orders
        UNION ALL
        SELECT work_order_id, 'correction', correction, file_id, row_no FROM work_orders
    ) AS order_text
    WHERE text IS NOT NULL AND file_id > $after
    UNION ALL
    SELECT work_order_id, line_no, 'note', note, md5(note), file_id, row_no
    FROM work_lines
    WHERE note IS NOT NULL AND file_id > $after
"""

# Suggestions of rows that were loaded again: kept where the text is the same and somebody judged it.
_FORGET_CHANGED = """
    DELETE FROM suggestion
    WHERE EXISTS (SELECT 1 FROM (
                      SELECT work_order_id, CAST(NULL AS BIGINT) AS line_no, file_id FROM work_orders
                      UNION ALL SELECT work_order_id, line_no, file_id FROM work_lines) AS r
                  WHERE r.work_order_id = suggestion.work_order_id
                    AND r.line_no IS NOT DISTINCT FROM suggestion.line_no AND r.file_id > $after)
      AND (accepted IS NULL
           OR NOT EXISTS (SELECT 1 FROM text_to_read AS t
                          WHERE t.work_order_id = suggestion.work_order_id
                            AND t.line_no IS NOT DISTINCT FROM suggestion.line_no
                            AND t.field = suggestion.field AND t.text_hash = suggestion.text_hash))
"""

_INSERT = """
    INSERT INTO suggestion
    SELECT (SELECT coalesce(max(suggestion_id), 0) FROM suggestion)
               + row_number() OVER (ORDER BY t.file_id, t.row_no, t.field, r.place),
           t.work_order_id, t.line_no, t.field, t.text_hash, r.spans, r.words, r.component, r.side, r.action,
           r.finding, r.result, r.recurrence_hours, r.again, r.confidence, $version, NULL, t.file_id
    FROM text_to_read AS t
    INNER JOIN text_read AS r ON r.field = t.field AND r.text = t.text
    WHERE NOT EXISTS (SELECT 1 FROM suggestion AS s
                      WHERE s.work_order_id = t.work_order_id AND s.line_no IS NOT DISTINCT FROM t.line_no
                        AND s.field = t.field AND s.component IS NOT DISTINCT FROM r.component
                        AND s.side IS NOT DISTINCT FROM r.side AND s.action IS NOT DISTINCT FROM r.action
                        AND s.again = r.again)
"""

# What was judged before and is read again by this dictionary is its own from now on.
_CONFIRM = """
    UPDATE suggestion SET dictionary_version = $version
    FROM text_to_read AS t, text_read AS r
    WHERE suggestion.accepted IS NOT NULL AND t.work_order_id = suggestion.work_order_id
      AND t.line_no IS NOT DISTINCT FROM suggestion.line_no AND t.field = suggestion.field
      AND r.field = t.field AND r.text = t.text AND r.again = suggestion.again
      AND r.component IS NOT DISTINCT FROM suggestion.component
      AND r.side IS NOT DISTINCT FROM suggestion.side AND r.action IS NOT DISTINCT FROM suggestion.action
"""


# Of rows that are gone, or say something else since, whoever judged them.
_FORGET_GONE = """
    DELETE FROM suggestion
    WHERE NOT EXISTS (SELECT 1 FROM text_to_read AS t
                      WHERE t.work_order_id = suggestion.work_order_id
                        AND t.line_no IS NOT DISTINCT FROM suggestion.line_no
                        AND t.field = suggestion.field AND t.text_hash = suggestion.text_hash)
"""


def refresh_suggestions(
    store: Store, dictionary: Dictionary | None = None, *, all_texts: bool = False
) -> int:
    """Reads the texts that came since the last time, all of them where the dictionary has changed.

    Each different text is read once. What somebody has judged stays, as long as its text does. Runs in one
    transaction: all or nothing.

    Args:
        store: a store open for writing.
        dictionary: the words in force; those that ship where left out.
        all_texts: read every text, and forget what was read from rows that are gone.

    Returns:
        How many suggestions are new.
    """
    dictionary = dictionary or load_dictionary()
    with store.transaction():
        after = -1 if all_texts else _read_up_to(store, dictionary)
        store.execute(_TEXTS, {"after": after})
        if all_texts:
            store.execute(_FORGET_GONE)
        store.execute(_FORGET_CHANGED, {"after": after})
        texts = store.execute("SELECT DISTINCT field, text FROM text_to_read ORDER BY field, text")
        store.register("text_read", _read(texts, dictionary))
        before = _count(store)
        store.execute(
            "DELETE FROM judgement WHERE suggestion_id NOT IN (SELECT suggestion_id FROM suggestion)"
        )
        store.execute(_INSERT, {"version": dictionary.version})
        new = _count(store) - before
        store.execute(_CONFIRM, {"version": dictionary.version})
        store.execute("DROP TABLE text_read")
        store.execute("DROP TABLE text_to_read")
    return new


def _read_up_to(store: Store, dictionary: Dictionary) -> int:
    """The last file whose texts were read by this dictionary; -1 where all are to be read."""
    last, own, other = store.execute(
        "SELECT coalesce(max(file_id), -1), count(*) FILTER (dictionary_version = $version), "
        "count(*) FILTER (dictionary_version <> $version AND accepted IS NULL) FROM suggestion",
        {"version": dictionary.version},
    )[0]
    return int(last) if own and not other else -1


def _count(store: Store) -> int:
    return int(store.execute("SELECT count(*) FROM suggestion")[0][0])


def _read(texts: Sequence[tuple[str, str]], dictionary: Dictionary) -> pl.DataFrame:
    """The suggestions of each different text."""
    rows = [
        (
            field,
            text,
            place,
            json.dumps(found.spans),
            found.words,
            found.component or None,
            found.side or None,
            found.action or None,
            found.finding or None,
            found.result or None,
            found.recurrence_hours,
            found.again,
            found.confidence,
        )
        for field, text in texts
        for place, found in enumerate(read_note(text, field, dictionary))
    ]
    return pl.DataFrame(rows, schema=_SCHEMA, orient="row")


def suggestions_frame(
    store: Store,
    state: str | None = None,
    *,
    work_order_id: str | None = None,
    machine_id: str | None = None,
    confidence: float = 0.0,
    parts: Sequence[str] = (),
    causes: Sequence[str] = (),
) -> pl.DataFrame:
    """The suggestions with the text that each was read from, those that would change an answer first.

    Args:
        state: "open" (nobody has judged it), "accepted" or "declined"; None = all.
        work_order_id: only those of this order.
        machine_id: only those of this machine.
        confidence: only those at least so sure.
        parts: the components whose lives the fault families follow; suggestions about them come first.
        causes: components that are at fault in one of their causes; suggestions about them come next.

    Returns:
        suggestion_id, work_order_id, line_no, machine_id, opened_at, field, component, side, action, finding,
        result, recurrence_hours, again, confidence, changes (what an acceptance would bring: a step of work, or the
        side, finding or result of a typed line; null = nothing that is not typed), words, text, spans (JSON:
        characters of the text), state, judged_by, judged_at (UTC), dictionary_version.

    Raises:
        UsageError: for another state, or a machine or order that is not on record.
    """
    if state not in (None, *STATES):
        raise UsageError(f"'{state}' is no state of a suggestion; write one of {', '.join(STATES)}.")
    _must_be_known(store, "machine", "SELECT machine_id FROM machines ORDER BY 1", machine_id)
    _must_be_known(store, "work order", "SELECT work_order_id FROM work_orders ORDER BY 1", work_order_id)
    return store.run(
        "wording/list",
        state=state,
        work_order_id=work_order_id,
        machine_id=machine_id,
        confidence=confidence,
        parts=list(parts),
        causes=list(causes),
    )


def _must_be_known(store: Store, thing: str, listing: str, wanted: str | None) -> None:
    if wanted is None:
        return
    known = [str(row[0]) for row in store.execute(listing)]
    if wanted not in known:
        near = get_close_matches(str(wanted), known, n=3)
        hint = f" Nearest: {', '.join(near)}." if near else ""
        raise UsageError(f"There is no {thing} {wanted!r} on record.{hint}")


def judge(store: Store, suggestion_ids: Sequence[int], *, accepted: bool, by: str = "") -> int:
    """Marks suggestions as right (analyses count them from then on) or as wrong (none does, whatever is set).

    Args:
        store: a store open for writing.
        suggestion_ids: their numbers.
        accepted: whether they are right.
        by: who says so; it is kept with the time.

    Returns:
        How many were not judged so before.

    Raises:
        UsageError: when one of them does not exist; then none is marked.
    """
    ids = sorted(set(suggestion_ids))
    with store.transaction():
        known = {
            row[0]
            for row in store.execute(
                "SELECT suggestion_id FROM suggestion WHERE suggestion_id IN (SELECT unnest($ids))",
                {"ids": ids},
            )
        }
        unknown = [one for one in ids if one not in known]
        if unknown:
            raise UsageError(f"There is no suggestion {unknown[0]}; list them to see their numbers.")
        store.execute(
            "CREATE OR REPLACE TEMPORARY TABLE judged AS SELECT suggestion_id FROM suggestion "
            "WHERE suggestion_id IN (SELECT unnest($ids)) AND accepted IS DISTINCT FROM $accepted",
            {"ids": ids, "accepted": accepted},
        )
        store.execute("DELETE FROM judgement WHERE suggestion_id IN (FROM judged)")
        store.execute(
            "INSERT INTO judgement SELECT suggestion_id, $by, $now FROM judged",
            {"by": by, "now": datetime.now(UTC).replace(tzinfo=None)},
        )
        store.execute("DROP TABLE judged")
        changed = store.execute(
            "UPDATE suggestion SET accepted = $accepted "
            "WHERE suggestion_id IN (SELECT unnest($ids)) AND accepted IS DISTINCT FROM $accepted",
            {"ids": ids, "accepted": accepted},
        )
    return int(changed[0][0])
