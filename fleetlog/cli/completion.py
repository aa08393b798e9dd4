"""What a shell proposes for a value when the Tab key is pressed; each list is made only then."""

from __future__ import annotations

from collections.abc import Callable, Iterable


def proposing(values: Callable[[], Iterable[str]]) -> Callable[[str], list[str]]:
    """A completion that proposes those of `values()` that begin with what is typed."""

    def complete(incomplete: str) -> list[str]:
        return [value for value in values() if value.startswith(incomplete)]

    return complete


def chart_names() -> list[str]:
    """The pictures that `fleetlog chart` draws."""
    from fleetlog.questions import charts

    return ["list", *charts()]


def export_names() -> list[str]:
    """Answers and loaded tables that `fleetlog export` writes."""
    from fleetlog.questions import exports

    return [*exports(), *table_kinds(), "tables"]


def table_kinds() -> list[str]:
    """The kinds of table that a yard loads."""
    from fleetlog.store.dictionary import KINDS

    return list(KINDS)


def topic_names() -> list[str]:
    """The topics of `fleetlog explain`."""
    from fleetlog.methods import topics

    return [topic.name for topic in topics()]


def family_names() -> list[str]:
    """The fault families that come with the program."""
    from fleetlog.faults import load_families

    return list(load_families())


def component_names() -> list[str]:
    """The components of those families."""
    from fleetlog.faults import load_families

    families = load_families().values()
    return sorted({part.component for family in families for part in family.parts})
