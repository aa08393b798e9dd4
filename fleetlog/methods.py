"""The texts of `fleetlog explain` and of the report's method appendix, read from reports/methods/.

One file a topic. It opens with `# Title`, then `Key: value` lines up to the first blank one (Summary, Used
by, See also), then the sections of SECTIONS in that order. The markup is so plain that it can be shown as it
is: paragraphs, items that begin with "- ", and lines indented by four spaces, which are formulas.
"""

from __future__ import annotations

from dataclasses import asdict, dataclass
from functools import cache
from pathlib import Path
from typing import Any

from fleetlog.errors import UsageError
from fleetlog.faults.reading import hint
from fleetlog.resources import folder

SECTIONS = ("What it answers", "Formula", "Assumptions", "When not to trust it", "Source")
KEYS = ("Summary", "Used by", "See also")
INDENT = "    "

#: The order in which a reader meets the methods: data first, then the questions asked of them.
ORDER = (
    "running-hours",
    "episodes",
    "spells",
    "delayed-entry",
    "survival",
    "cumulative-hazard",
    "competing-causes",
    "log-rank",
    "weibull",
    "few-failures",
    "cox",
    "life-regression",
    "small-groups",
    "design-changes",
    "mean-cumulative-count",
    "trend",
    "comeback-rate",
    "repeat-models",
    "suspects",
    "confirmation",
    "forecast",
    "replacement",
    "plan",
    "policies",
    "fleet-figures",
    "as-of",
    "costs",
    "data-quality",
)


@dataclass(frozen=True)
class Block:
    """A piece of a section.

    Attributes:
        kind: `paragraph` (one text), `items` (one text an item) or `formula` (lines as they stand).
        texts: without line breaks but for those of a formula, one line a text.
    """

    kind: str
    texts: tuple[str, ...]


@dataclass(frozen=True)
class MethodSection:
    """One of SECTIONS and what it says."""

    title: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Topic:
    """How one number is computed.

    Attributes:
        name: as typed after `fleetlog explain`.
        summary: one sentence.
        commands: commands whose output rests on it.
        see_also: names of related topics.
        sources: citations, one a text.
        text: the file as it stands.
    """

    name: str
    title: str
    summary: str
    commands: tuple[str, ...]
    see_also: tuple[str, ...]
    sections: tuple[MethodSection, ...]
    text: str

    @property
    def body(self) -> str:
        """The sections in Markdown, without title and keys."""
        return "## " + self.text.split("\n## ", 1)[1]

    @property
    def sources(self) -> tuple[str, ...]:
        """The citations of the section Source."""
        return tuple(text for block in self.sections[-1].blocks for text in block.texts)

    def to_dict(self) -> dict[str, Any]:
        """The topic for `--format json`."""
        return {
            "name": self.name,
            "title": self.title,
            "summary": self.summary,
            "commands": list(self.commands),
            "see_also": list(self.see_also),
            "sources": list(self.sources),
            "sections": [asdict(section) for section in self.sections],
        }


def topics() -> list[Topic]:
    """Every topic, in reading order."""
    return list(_all().values())


def topic(name: str) -> Topic:
    """The topic of that name.

    Raises:
        UsageError: there is none; the nearest name is proposed.
    """
    known = _all()
    wanted = name.strip().lower().replace(" ", "-").replace("_", "-")
    if wanted not in known:
        raise UsageError(f'there is no topic "{name}" to explain; {hint(wanted, known)}')
    return known[wanted]


@cache
def _all() -> dict[str, Topic]:
    files = {path.stem: path for path in (folder("reports") / "methods").glob("*.md")}
    names = [name for name in ORDER if name in files] + sorted(set(files) - set(ORDER))
    return {name: read_topic(files[name]) for name in names}


def read_topic(path: Path) -> Topic:
    """One topic from its file.

    Raises:
        ValueError: the file does not keep to the form (a mistake of ours, not of a user).
    """
    text = path.read_text(encoding="utf-8")
    head, *parts = text.split("\n## ")
    title, *keys = head.strip().split("\n")
    if not title.startswith("# "):
        raise ValueError(f'{path.name}: the first line must be "# Title"')
    values = dict.fromkeys(KEYS, "")
    for line in keys:
        key, colon, value = line.partition(": ")
        if not colon or key not in KEYS:
            raise ValueError(f"{path.name}: {line!r} is none of {', '.join(KEYS)}")
        values[key] = value.strip()
    sections = tuple(_section(part) for part in parts)
    if tuple(section.title for section in sections) != SECTIONS:
        raise ValueError(f"{path.name}: the sections must be {', '.join(SECTIONS)}, in that order")
    return Topic(
        name=path.stem,
        title=title.removeprefix("# "),
        summary=values["Summary"],
        commands=_listed(values["Used by"]),
        see_also=_listed(values["See also"]),
        sections=sections,
        text=text,
    )


def _listed(value: str) -> tuple[str, ...]:
    return tuple(word.strip() for word in value.split(",") if word.strip())


def _section(part: str) -> MethodSection:
    title, _, body = part.partition("\n")
    blocks: list[Block] = []
    for chunk in body.strip("\n").split("\n\n"):
        lines = [line.rstrip() for line in chunk.split("\n") if line.strip()]
        if not lines:
            continue
        if lines[0].startswith(INDENT):
            formula = tuple(line.removeprefix(INDENT) for line in lines)
            if blocks and blocks[-1].kind == "formula":
                formula = (*blocks.pop().texts, "", *formula)
            blocks.append(Block("formula", formula))
        elif lines[0].startswith("- "):
            items: list[str] = []
            for line in lines:
                if line.startswith("- "):
                    items.append(line.removeprefix("- "))
                else:
                    items[-1] += " " + line.strip()
            blocks.append(Block("items", tuple(items)))
        else:
            blocks.append(Block("paragraph", (" ".join(line.strip() for line in lines),)))
    return MethodSection(title.strip(), tuple(blocks))
