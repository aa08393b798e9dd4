"""A method's text for a screen: its paragraphs, items and formulas, each set as wide as the window is."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterator

from fleetlog.methods import INDENT, Block, Topic

#: A line of prose is no longer than this however wide the window is: as long as those of the files, which read well.
MOST = 118


def topic_text(topic: Topic, width: int | None) -> str:
    """A topic as it is read, in the markup of its file.

    Args:
        topic: what is explained.
        width: letters of the window's lines; None: the file's own lines, for a pipe or a file.
    """
    if width is None:
        return f"# {topic.title}\n\n{topic.summary}\n\n{topic.body}\n"
    blocks = [_broken(f"# {topic.title}", width), _broken(topic.summary, width)]
    for section in topic.sections:
        blocks += [_broken(f"## {section.title}", width), *_set(section.blocks, width)]
    return "\n\n".join(blocks) + "\n"


def _set(blocks: tuple[Block, ...], width: int) -> Iterator[str]:
    for block in blocks:
        match block.kind:
            case "formula":
                yield "\n".join(line for text in block.texts for line in _formula(text, width))
            case "items":
                yield "\n".join(_broken(f"- {text}", width, "  ") for text in block.texts)
            case _:
                yield "\n\n".join(_broken(text, width) for text in block.texts)


def _formula(text: str, width: int) -> Iterator[str]:
    """A formula as it is written; where it does not fit, what stands apart in it gets lines of its own."""
    line = f"{INDENT}{text}".rstrip()
    if len(line) <= width:
        yield line
        return
    deep = len(INDENT) + len(text) - len(text.lstrip())
    most = max(width // 5, len(INDENT))  # a narrow window has no room for deep insets
    own, inset = (" " * min(letters, most) for letters in (deep, deep + len(INDENT)))
    for piece in re.split(" {4,}", text.strip()):
        yield _broken(own + piece, width, inset)


def _broken(text: str, width: int, inset: str = "") -> str:
    return textwrap.fill(
        text, min(width, MOST), subsequent_indent=inset, break_on_hyphens=False, break_long_words=False
    )
