"""One command a question, made from its declaration: reads the options, asks, prints."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date
from inspect import Parameter, Signature
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from fleetlog.cli.completion import (
    columns_to_split_by,
    component_names,
    of_the_store,
    policy_names,
    proposing,
    split_columns,
)
from fleetlog.cli.options import (
    AsOfOption,
    BuildYearOption,
    Engine,
    EngineOption,
    FaultOption,
    Format,
    FormatOption,
    LakeOption,
    MachineOption,
    MasterOption,
    OutOption,
    SiteOption,
    choosing,
    fleet_of,
    out_option,
    scope,
)
from fleetlog.cli.output import emit, ending_for, show
from fleetlog.errors import UsageError
from fleetlog.outfile import write_file
from fleetlog.phrasing import NO_WORDS, Words
from fleetlog.questions import QUESTIONS, Frame, Option, Question, question
from fleetlog.session.scope import DEFAULT_FAULT

if TYPE_CHECKING:
    import polars as pl

    from fleetlog.session.finding import Finding

MachineArgument = Annotated[
    str,
    typer.Argument(
        help="The fleet's own unit number.", metavar="MACHINE", autocompletion=of_the_store("machine_id")
    ),
]


_PROPOSED: Mapping[str, Callable[..., list[str]]] = {
    "component": proposing(component_names),
    "by": split_columns(columns_to_split_by),
    "policies": split_columns(policy_names),
    "must": of_the_store("machine_id"),
}
"""Option -> what the Tab key proposes for its value."""


def command_of(asked: Question) -> Callable[..., None]:
    """The command that asks this question, with a signature that the command line reads."""

    def command(**given: Any) -> None:
        _run(asked, given)

    parameters = [Parameter("context", Parameter.KEYWORD_ONLY, annotation=typer.Context)]
    if asked.machine:
        parameters.append(Parameter("machine_id", Parameter.KEYWORD_ONLY, annotation=MachineArgument))
    parameters += [_parameter(option) for option in asked.options]
    parameters += [_switch(frame) for frame in asked.frames if frame.flag]
    parameters += _shared(asked)
    command.__name__ = asked.name
    command.__doc__ = f"{asked.summary}\n\nExample: {asked.example}\n"
    command.__signature__ = Signature(parameters)  # type: ignore[attr-defined]
    command.__annotations__ = {one.name: one.annotation for one in parameters}
    return command


def _parameter(option: Option) -> Parameter:
    how: dict[str, Any] = {"help": option.help, "metavar": option.metavar}
    if option.name in _PROPOSED:
        how["autocompletion"] = _PROPOSED[option.name]
    kinds: Mapping[str, Any] = {
        "text": str | None,
        "whole": int | None,
        "number": float | None,
        "flag": bool,
        "columns": str | None,
        "names": list[str] | None,
        "numbers": str | None,
        "plan": Path | None,
    }
    kind: Any = kinds[option.kind]
    if option.choices:
        kind = str
        how |= choosing(option.choices)
    if option.kind in ("whole", "number"):
        how |= {"min": option.minimum, "max": option.maximum}
    default = ",".join(option.default) if isinstance(option.default, tuple) else option.default
    typed = typer.Option(default, f"--{option.spelled}", **how)
    return Parameter(option.name, Parameter.KEYWORD_ONLY, default=typed, annotation=kind)


def _switch(frame: Frame) -> Parameter:
    annotation = Annotated[bool, typer.Option(f"--{frame.flag}", help=frame.help)]
    return Parameter(f"print_{frame.name}", Parameter.KEYWORD_ONLY, default=False, annotation=annotation)


def _shared(asked: Question) -> list[Parameter]:
    """The options that commands share: which part of the fleet, which engine, how to print."""
    rows: list[tuple[str, Any, Any]] = [("fault", FaultOption, DEFAULT_FAULT), ("as_of", AsOfOption, None)]
    if asked.filters:
        rows += [("site", SiteOption, None), ("build_year", BuildYearOption, None)]
        rows += [("machine", MachineOption, None)]
    rows += [("engine", EngineOption, Engine.DUCKDB), ("lake", LakeOption, None)]
    rows += [("master", MasterOption, None)]
    out: Any = out_option(*asked.files) if asked.files else OutOption
    rows += [("form", FormatOption, Format.TABLE), ("out", out, None)]
    return [
        Parameter(name, Parameter.KEYWORD_ONLY, default=default, annotation=annotation)
        for name, annotation, default in rows
    ]


def _run(asked: Question, given: Mapping[str, Any]) -> None:
    chosen = {
        option.name: value
        for option in asked.options
        if (value := option_value(option, given[option.name])) is not None
    }
    if asked.machine:
        chosen["machine_id"] = given["machine_id"]
    frame = next((frame for frame in asked.frames if frame.flag and given[f"print_{frame.name}"]), None)
    for option in asked.options:
        if option.name in chosen and option.leads_away(chosen[option.name]):
            other = question(option.instead)
            for name, value in chosen.items():
                if name not in other.by_name and name != option.name and value != asked.by_name[name].default:
                    raise UsageError(
                        f"--{option.spelled} does not take --{asked.by_name[name].spelled}; leave one of the two out."
                    )
            chosen = {name: value for name, value in chosen.items() if name in other.by_name}
            asked, frame = other, None
            break
    chosen = _for_function(asked, chosen)
    ending_for(given["form"], given["out"], tuple(asked.files))  # refused before anything is worked out
    day: date | None = given["as_of"]
    filters = [given.get(name) for name in ("site", "build_year", "machine")]
    with fleet_of(given["context"], given["engine"], given["lake"], given["master"]) as fleet:
        result = asked.ask.load()(fleet, scope(given["fault"], day, *filters), **chosen)
        words = fleet.family(given["fault"]).words
    show_answer(asked, result, frame or asked.frames[0], given["form"], given["out"], words)


def option_value(option: Option, given: Any) -> Any:
    """What was typed for an option as its function takes it; None where nothing was chosen.

    Raises:
        UsageError: it cannot be read.
    """
    if given is None or option.kind in ("text", "whole", "number", "flag"):
        return given
    if option.kind == "columns":
        return tuple(dict.fromkeys(word.strip() for word in given.split(",") if word.strip()))
    if option.kind == "names":
        return tuple(given)
    if option.kind == "plan":
        return _earlier_plan(given)
    try:
        numbers = tuple(float(part) for part in given.split(","))
    except ValueError as error:
        raise UsageError(
            f"--{option.spelled} cannot be {given!r}; write numbers such as 60 or 40,60,80."
        ) from error
    if any(not (option.minimum or 0) <= number < float("inf") for number in numbers):
        raise UsageError(f"--{option.spelled} cannot be {given!r}; hours are finite and not negative.")
    return numbers


def _for_function(asked: Question, chosen: Mapping[str, Any]) -> dict[str, Any]:
    """The options without those that only lead to another question; of numbers to compare the single one."""
    options = {}
    for name, value in chosen.items():
        option = asked.by_name.get(name)
        if option is None or not option.instead:
            options[name] = value
        elif option.kind == "numbers":
            options[name] = value[0]
    return options


def _earlier_plan(path: Path) -> pl.DataFrame:
    """The rows of a plan written with --format csv --out FILE."""
    import polars as pl

    needed = ["machine_id", "side", "week"]
    try:
        rows = pl.read_csv(path, infer_schema=False)
        return rows.select(pl.col(name).fill_null("") for name in needed)
    except (OSError, pl.exceptions.PolarsError) as error:
        raise UsageError(
            f"{path} is no plan to start from: it must be a CSV file with the columns {', '.join(needed)}."
        ) from error


def show_answer(
    asked: Question, result: Finding, frame: Frame, form: Format, out: Path | None, words: Words = NO_WORDS
) -> None:
    """An answer as it was asked for: its table, its story, or all of it as JSON."""
    ending = ending_for(form, out, tuple(asked.files))
    if out is not None and ending in asked.files:
        write_file(out, asked.files[ending].load()(result).encode("utf-8", "replace"))
        return
    if ending == ".txt" and asked.text is not None and not frame.flag:
        emit(asked.text.load()(result, words), out)
        return
    whole = frame.whole if frame.whole and ending not in (".txt", ".md") else frame.name
    table = f"{asked.name}.{frame.name}"
    show(result, getattr(result, whole), form, out, beneath=frame.beneath, table=table, words=words)


COMMANDS = tuple(command_of(one) for one in QUESTIONS.values() if one.example)
