"""The files of sql/: looked up by name, with a header that says grain, inputs, parameters and output.

Python never writes a query of its own where a file can stand: a file is named, its parameters are bound, and
the only text ever put into it is a list of stratum columns that the file's own header allows. What several
files read alike stands once in sql/shared/: a file that names it among its inputs gets it as a CTE.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from pathlib import Path

from fleetlog.resources import folder

_FIELD = re.compile(r"^-- (purpose|grain|inputs|parameters|strata|output|unit|materialised): ?(.*)$")
_PARAMETER = re.compile(r"\$([a-z_][a-z0-9_]*)")
_QUIET = re.compile(r"'[^']*'|--[^\n]*")  # string literals and comments
_REMARK = re.compile(r"\([^)]*\)")
_SHARED_MARK = re.compile(r"/\*with (\w+)\*/")
_STRATA_MARK = re.compile(r"/\*strata(?: of (\w+))?\*/")


@dataclass(frozen=True)
class Statement:
    """One SQL file.

    Attributes:
        name: its path below sql/, without the ending.
        header: what its header says, by field.
        body: its own SELECT.
        text: the body with the relations of sql/shared/ that it reads.
    """

    name: str
    header: dict[str, str]
    body: str
    text: str

    @property
    def inputs(self) -> tuple[str, ...]:
        """Names of the tables and shared relations that the body reads."""
        return _inputs(self.header)

    @property
    def parameters(self) -> tuple[str, ...]:
        """Names of the parameters the text binds, in order of first use."""
        return tuple(dict.fromkeys(_PARAMETER.findall(_QUIET.sub("", self.text))))

    @property
    def is_view(self) -> bool:
        """Whether the header asks for a view in place of a table: rows too many to hold, cheap to make."""
        return self.header.get("materialised") == "as a view"

    @property
    def strata(self) -> tuple[str, ...]:
        """The columns that the statement may be split by."""
        return tuple(word.strip() for word in self.header.get("strata", "").split(",") if word.strip())

    def split_by(self, columns: Sequence[str]) -> str:
        """The text with its strata marks filled: `/*strata*/` or, for a table alias, `/*strata of x*/`.

        Raises:
            ValueError: for a column that the header does not allow.
        """
        unknown = [column for column in columns if column not in self.strata]
        if unknown:
            raise ValueError(
                f"{self.name} cannot be split by {', '.join(unknown)}; it allows {self.header.get('strata')}"
            )

        def fill(mark: re.Match[str]) -> str:
            alias = f"{mark[1]}." if mark[1] else ""
            return "".join(f"{alias}{column}, " for column in columns)

        return _STRATA_MARK.sub(fill, self.text)


def _parse(name: str, text: str) -> Statement:
    header: dict[str, str] = {}
    field = ""
    body_starts = 0
    for line in text.splitlines(keepends=True):
        if not line.startswith("--"):
            break
        body_starts += len(line)
        match = _FIELD.match(line.rstrip())
        if match:
            field = match[1]
            header[field] = match[2].strip()
        elif field:
            header[field] += " " + line[2:].strip()
    body = text[body_starts:].strip().rstrip(";")
    for needed in ("purpose", "grain", "inputs", "output"):
        if needed not in header:
            raise ValueError(f"sql/{name}.sql: its header lacks the line '-- {needed}: …'")
    if ";" in _QUIET.sub("", body):
        raise ValueError(f"sql/{name}.sql holds more than one statement; keep one a file")
    return Statement(name, header, body, _with_shared(body, header))


def _inputs(header: dict[str, str]) -> tuple[str, ...]:
    names = (name.strip() for name in _REMARK.sub("", header["inputs"]).split(","))
    return tuple(name for name in names if name not in ("", "none"))


def _with_shared(body: str, header: dict[str, str]) -> str:
    """The body with the shared relations that it reads, and those that they read, as CTEs before its own.

    One that reads the body's own CTEs goes where the body says `/*with NAME*/`, after them.
    """
    ahead: dict[str, str] = {}

    def add(names: tuple[str, ...]) -> None:
        for name in names:
            if f"/*with {name}*/" not in body and (folder("sql") / f"shared/{name}.sql").exists():
                shared = statement(f"shared/{name}")
                add(shared.inputs)
                ahead[name] = f"{name} AS (\n{shared.body}\n)"

    add(_inputs(header))
    text = _SHARED_MARK.sub(lambda mark: f",\n{mark[1]} AS (\n{statement(f'shared/{mark[1]}').body}\n)", body)
    if not ahead:
        return text
    own = ",\n" + text.removeprefix("WITH ") if text.startswith("WITH ") else "\n" + text
    return "WITH " + ",\n".join(ahead.values()) + own


@cache
def statement(name: str) -> Statement:
    """The file sql/`name`.sql, for instance `statement("risk/survival")`.

    Raises:
        FileNotFoundError: when there is no such file.
        ValueError: when its header is incomplete or it holds several statements.
    """
    path = folder("sql") / f"{name}.sql"
    return _parse(name, path.read_text(encoding="utf-8"))


@cache
def numbered(folder_name: str) -> tuple[Statement, ...]:
    """All statements of a folder (`schema`, `history`) in the order of their numbers."""
    paths: list[Path] = sorted((folder("sql") / folder_name).glob("[0-9]*.sql"))
    return tuple(statement(f"{folder_name}/{path.stem}") for path in paths)


@cache
def named(folder_name: str) -> tuple[Statement, ...]:
    """All statements of a folder (`checks`) by name."""
    paths: list[Path] = sorted((folder("sql") / folder_name).glob("*.sql"))
    return tuple(statement(f"{folder_name}/{path.stem}") for path in paths)
