"""Prints findings and frames: data to standard output or a file, everything else to standard error."""

from __future__ import annotations

import json
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fleetlog.cli.options import Format
from fleetlog.cli.table import Wording, screen_table, wrapped
from fleetlog.cli.terminal import screen_width, shown
from fleetlog.errors import UsageError
from fleetlog.outfile import write_file
from fleetlog.phrasing import NO_WORDS, Words

if TYPE_CHECKING:
    import polars as pl

    from fleetlog.session.finding import Finding

_ENDINGS = {Format.TABLE: ".txt", Format.CSV: ".csv", Format.JSON: ".json", Format.MARKDOWN: ".md"}
_TEXTS = (".txt", ".md")


def ending_for(form: Format, out: Path | None, more: Sequence[str] = ()) -> str:
    """The ending that stands for the format asked for: that of the file, else what --format says.

    Args:
        form: what --format says.
        out: the file; None: the screen.
        more: endings that the answer knows beside those of a table.

    Raises:
        UsageError: where the file's ending is unknown, or --format says another.
    """
    from fleetlog.tables import ending_of

    if out is None or (out.exists() and not out.is_file() and not out.is_dir()):
        return _ENDINGS[form]  # the screen, a pipe, a device
    ending = ending_of(out, more)
    if form is not Format.TABLE and ending != _ENDINGS[form]:
        raise UsageError(f"--format {form} and {out.name} say different formats; leave out --format.")
    return ending


def with_safety(text: str, answer: Finding, width: int | None = None) -> str:
    """An answer's text with the holds before it and the cautions beneath it, their lines no longer than `width`."""
    if answer.safety is None:
        return text
    before = "".join(f"{wrapped(line, width)}\n" for line in answer.safety.first_lines())
    after = "".join(f"{wrapped(line, width)}\n" for line in answer.safety.last_lines())
    return f"{before}\n{text}" + (f"\n{after}" if after else "")


def show(
    finding: Finding,
    frame: pl.DataFrame,
    form: Format,
    out: Path | None,
    *,
    beneath: tuple[str, ...] = (),
    table: str = "",
    words: Words = NO_WORDS,
) -> None:
    """A finding: `frame` as a table, or the whole finding as JSON; notes and cautions beneath the table.

    Args:
        finding: whose table it is.
        frame: what is printed.
        form: how.
        out: where to; None: the screen.
        beneath: columns that the finding's remarks say as sentences, so that the table leaves them out.
        table: question and table, by which the report's words for the columns are found.
        words: stored value -> what a reader would say.
    """
    from fleetlog.tables import neat, text_table

    ending = ending_for(form, out)
    if ending == ".json":
        emit(json_text(finding.to_dict()), out)
    elif ending in _TEXTS:
        rows = frame.drop(beneath, strict=False)
        width = screen_width() if out is None and ending == ".txt" else None
        wording = Wording(table, words, getattr(finding, "currency", ""))
        text = text_table(rows, markdown=True) if ending == ".md" else screen_table(rows, wording, width)
        notes = (*finding.remarks, *finding.notes)
        text += "".join(f"\n{wrapped(f'Note: {note}', width)}" for note in notes) + ("\n" if notes else "")
        emit(with_safety(text, finding, width), out)
    else:
        _deliver(neat(frame), ending, out)


def show_frame(frame: pl.DataFrame, form: Format, out: Path | None) -> None:
    """A plain table."""
    _deliver(frame, ending_for(form, out), out)


def show_rows(
    rows: list[dict[str, Any]], form: Format, out: Path | None, columns: tuple[str, ...] = ()
) -> None:
    """A list of rows with the same keys; `columns` names them for where there is none."""
    import polars as pl

    show_frame(
        pl.DataFrame(rows, schema=None if rows else list(columns), infer_schema_length=None), form, out
    )


def _deliver(frame: pl.DataFrame, ending: str, out: Path | None) -> None:
    from fleetlog.tables import table_bytes

    if out is None and ending == ".txt":
        _to_screen(screen_table(frame, None, screen_width()))
        return
    content = table_bytes(frame, ending)
    if out is None:
        _to_screen(content.decode(), data=ending not in _TEXTS)
    else:
        write_file(out, content)


def json_text(value: Any) -> str:
    """A JSON object as text that the screen's code page can show."""
    return json.dumps(value, indent=2, ensure_ascii=False) + "\n"


def emit(text: str, out: Path | None) -> None:
    """Text to standard output or to a file.

    Raises:
        UsageError: where the file, or the output, cannot be written.
    """
    if out is None:
        _to_screen(text)
    else:
        write_file(out, text.encode("utf-8", "backslashreplace"))


def _to_screen(text: str, *, data: bool = False) -> None:
    """Text to standard output; a terminal gets no control characters, a pipe gets data as they are."""
    try:
        sys.stdout.write(text if data and not sys.stdout.isatty() else shown(text))
        sys.stdout.flush()
    except BrokenPipeError:
        raise
    except OSError as error:
        raise UsageError(f"The output cannot be written: {error.strerror or error}.") from error


def say(text: str) -> None:
    """A message for the person at the screen, not for a pipe."""
    print(shown(text), file=sys.stderr)


def render(frame: pl.DataFrame, form: Format) -> str:
    """A frame as text."""
    from fleetlog.tables import table_bytes

    return table_bytes(frame, _ENDINGS[form]).decode()
