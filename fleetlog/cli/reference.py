"""Commands that show what is in force and how numbers come about: settings, faults, explain."""

from __future__ import annotations

from typing import Annotated

import typer

from fleetlog.cli.completion import family_names, proposing, topic_names
from fleetlog.cli.options import Format, FormatOption, OutOption, store_path
from fleetlog.cli.output import emit, json_text, show_rows

SchemaOption = Annotated[
    bool, typer.Option("--schema", help="Print the JSON Schema of the file instead, for an editor.")
]


def settings(
    context: typer.Context,
    schema: SchemaOption = False,
    form: FormatOption = Format.TABLE,
    out: OutOption = None,
) -> None:
    """Costs, windows and everything else in force, with where each value comes from.

    Values come from fleetlog.toml beside the store, else from defaults.

    Example: fleetlog settings
    """
    from fleetlog.session.fleet import settings_of
    from fleetlog.settings import settings_schema

    if schema:
        emit(json_text(settings_schema()), out)
        return
    show_rows(settings_of(store_path(context)).to_rows(), form, out)


def faults(
    context: typer.Context,
    family: Annotated[
        str | None,
        typer.Argument(
            help="Show every figure of this family.", metavar="FAMILY", autocompletion=proposing(family_names)
        ),
    ] = None,
    schema: SchemaOption = False,
    form: FormatOption = Format.TABLE,
    out: OutOption = None,
) -> None:
    """The fault families in force, or every figure of one with its source.

    Example: fleetlog faults neutral-return
    """
    from fleetlog.errors import UsageError
    from fleetlog.faults.loader import family_schema
    from fleetlog.questions import proposal
    from fleetlog.session.fleet import settings_of
    from fleetlog.settings import families_for

    if schema:
        emit(json_text(family_schema()), out)
        return
    known = families_for(settings_of(store_path(context)))
    if family is None:
        rows = [
            {
                "family": one.name,
                "title": one.title,
                "causes": ", ".join(cause.name for cause in one.causes),
                "source": one.source,
            }
            for one in known.values()
        ]
        show_rows(rows, form, out)
        return
    if family not in known:
        raise UsageError(f"There is no fault family {family!r}; {proposal(family, sorted(known))}")
    show_rows(known[family].to_rows(), form, out)


def explain(
    topic: Annotated[
        str | None,
        typer.Argument(
            help="The number or method; leave it out for the list.",
            metavar="TOPIC",
            autocompletion=proposing(topic_names),
        ),
    ] = None,
    form: FormatOption = Format.TABLE,
    out: OutOption = None,
) -> None:
    """How a number is computed: formula, assumptions, when not to trust it, source.

    Example: fleetlog explain survival
    """
    from fleetlog.cli.reading import topic_text
    from fleetlog.cli.terminal import screen_width
    from fleetlog.methods import topic as find
    from fleetlog.methods import topics

    if topic is None:
        show_rows([{"topic": one.name, "summary": one.summary} for one in topics()], form, out)
        return
    chosen = find(topic)
    if form is Format.JSON or (out is not None and out.suffix.lower() == ".json"):
        emit(json_text(chosen.to_dict()), out)
    else:
        width = screen_width() if out is None and form is Format.TABLE else None
        emit(topic_text(chosen, width), out)


COMMANDS = (settings, faults, explain)
