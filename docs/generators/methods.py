"""The method texts as pages: what `fleetlog explain` says, in the order in which a reader meets them."""

from __future__ import annotations

from fleetlog.methods import Topic, topics
from generators.markdown import page, table

INTRODUCTION = """\
How each number is computed, what it assumes, when not to trust it, and where it was published. The texts
are those of `fleetlog explain TOPIC` and of the report's appendix.
"""


def pages() -> dict[str, str]:
    """The list of methods, and one page each."""
    rows = [[f"[{topic.title}]({topic.name}.md)", topic.summary] for topic in topics()]
    listed = page("Methods", INTRODUCTION, table(["method", "answers"], rows))
    return {"methods/index.md": listed, **{f"methods/{topic.name}.md": _page(topic) for topic in topics()}}


def navigation() -> list[dict[str, str]]:
    """The pages in the navigation."""
    listed = [{"All methods": "methods/index.md"}]
    return listed + [{_short(topic.title): f"methods/{topic.name}.md"} for topic in topics()]


def _short(title: str) -> str:
    return title.partition(":")[0]


def _page(topic: Topic) -> str:
    titles = {one.name: _short(one.title) for one in topics()}
    used = ", ".join(
        f"[`{name}`](../reference/commands.md#{name})" if name else "" for name in topic.commands
    )
    also = ", ".join(f"[{titles[name]}]({name}.md)" for name in topic.see_also)
    facts = [f"Used by {used}." if used else "", f"See also {also}." if also else ""]
    return page(topic.title, topic.summary, " ".join(fact for fact in facts if fact), topic.body)
