"""How the Python interface puts a question: checks the options, asks, and is typed like the function."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Sequence
from datetime import date, datetime
from functools import update_wrapper
from types import UnionType
from typing import (
    Annotated,
    Any,
    Concatenate,
    Generic,
    Literal,
    ParamSpec,
    Protocol,
    TypeVar,
    Union,
    get_args,
    get_origin,
    get_type_hints,
    overload,
)

from fleetlog.errors import UsageError
from fleetlog.questions import proposal
from fleetlog.session.fleet import Fleet
from fleetlog.session.scope import Scope

Options = ParamSpec("Options")
Answer = TypeVar("Answer", covariant=True)


class Asked(Protocol):
    """What a question is a method of: an open fleet, or a part of one."""

    def parts(self) -> tuple[Fleet, Scope]:
        """The fleet, which must be open, and the part of it that is asked about."""
        ...


class Ask(Generic[Options, Answer]):
    """A method that puts one question: the function's options are its own, fleet and scope are known."""

    def __init__(self, function: Callable[Concatenate[Fleet, Scope, Options], Answer]) -> None:
        self._function = function
        self.__doc__ = function.__doc__

    def __set_name__(self, owner: type, name: str) -> None:
        self._name = name

    @overload
    def __get__(self, asked: None, owner: type) -> Ask[Options, Answer]: ...

    @overload
    def __get__(self, asked: Asked, owner: type) -> Callable[Options, Answer]: ...

    def __get__(self, asked: Asked | None, owner: type) -> Ask[Options, Answer] | Callable[Options, Answer]:
        if asked is None:
            return self
        whom = asked

        def ask(*args: Options.args, **options: Options.kwargs) -> Answer:
            fleet, scope = whom.parts()
            check_call(self._name, self._function, args, options)
            return self._function(fleet, scope, *args, **options)

        update_wrapper(ask, self._function)
        ask.__signature__ = _without_fleet(self._function)  # type: ignore[attr-defined]
        return ask


def _without_fleet(function: Callable[..., Any]) -> inspect.Signature:
    whole = inspect.signature(function)
    return whole.replace(parameters=list(whole.parameters.values())[2:])


def check_call(
    name: str, function: Callable[..., Any], args: tuple[Any, ...], options: dict[str, Any]
) -> None:
    """Refuses a call whose options the function does not have, or whose values are of another type.

    Raises:
        UsageError: in one sentence.
    """
    signature = _without_fleet(function)
    for option in options:
        if option not in signature.parameters:
            known = [one for one in signature.parameters]
            hint = proposal(option, known) if known else "it takes none."
            raise UsageError(f"{name} has no option {option!r}; {hint}")
    try:
        bound = signature.bind(*args, **options)
    except TypeError as error:
        raise UsageError(f"{name} cannot be asked like that: {error}.") from error
    hints = get_type_hints(function, include_extras=True)
    for option, value in bound.arguments.items():
        if option in hints and not _fits(value, hints[option]):
            raise UsageError(f"{name}: {option} cannot be {value!r}; it takes {_words(hints[option])}.")


def _fits(value: Any, kind: Any) -> bool:
    """Whether a value is of a type as it is written in a signature; what cannot be judged passes."""
    origin = get_origin(kind)
    if origin is Annotated:
        return _fits(value, get_args(kind)[0])
    if origin in (Union, UnionType):
        return any(_fits(value, one) for one in get_args(kind))
    if origin is Literal:
        return value in get_args(kind)
    if origin is not None and isinstance(origin, type):
        if isinstance(value, str) and issubclass(origin, Sequence):
            return False
        inner = get_args(kind)
        if not isinstance(value, origin):
            return False
        if issubclass(origin, (Sequence, tuple)) and inner and inner[0] is not Ellipsis:
            members: Any = value
            return all(_fits(one, inner[0]) for one in members)
        return True
    if kind is float:
        return isinstance(value, (int, float)) and not isinstance(value, bool)
    if kind is int:
        return isinstance(value, int) and not isinstance(value, bool)
    if kind is None or kind is type(None):
        return value is None
    return not isinstance(kind, type) or isinstance(value, kind)


def _words(kind: Any) -> str:
    """A type as a reader would say it."""
    origin = get_origin(kind)
    if origin in (Union, UnionType):
        words = [_words(one) for one in get_args(kind) if one is not type(None)]
        return " or ".join(dict.fromkeys(words))
    if origin is Literal:
        return " or ".join(repr(one) for one in get_args(kind))
    if origin is not None:
        inner = get_args(kind)
        return f"several of: {_words(inner[0])}" if inner else origin.__name__
    plain = {int: "a whole number", float: "a number", str: "a text", bool: "True or False", date: "a day"}
    return plain.get(kind, getattr(kind, "__name__", str(kind)))


def day_of(value: date | str | None) -> date | None:
    """A day, also where it is written as text.

    Raises:
        UsageError: it is neither.
    """
    if isinstance(value, datetime):
        return value.date()
    if value is None or isinstance(value, date):
        return value
    try:
        return date.fromisoformat(value)
    except (TypeError, ValueError) as error:
        raise UsageError(f"as_of cannot be {value!r}; give a date, or write it as 2026-06-30.") from error


def names_of(name: str, values: Sequence[Any] | Any) -> tuple[Any, ...]:
    """One value or several of them as a tuple.

    Raises:
        UsageError: for values that are neither texts nor whole numbers.
    """
    many = (values,) if isinstance(values, (str, int)) else tuple(values)
    for value in many:
        if isinstance(value, bool) or not isinstance(value, (str, int)):
            raise UsageError(f"{name} cannot hold {value!r}; give names as text, years as whole numbers.")
    return many
