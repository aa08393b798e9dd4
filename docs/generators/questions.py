"""For the reference of Python: shows the questions of a fleet as the methods that they are for whoever asks.

In the code `survival = Ask(survival)` makes a method of a function of a fleet, a scope and options; read as
text, it is an attribute. Here each gets the function's own signature without fleet and scope, and its words.
"""

from __future__ import annotations

import re
from typing import Any

import griffe

OWNER = "api.FleetPart"
MAKER = "Ask"
KNOWN = 2
"""How many parameters the fleet gives by itself: fleet and scope."""

_SHARED = re.compile(r"^    (\w+(?:, \w+)+): (.*(?:\n      +.*)*)$", re.MULTILINE)
"""Parameters that a docstring describes together, "a, b: what both are", and what it says."""


class Questions(griffe.Extension):
    """Replaces each `Ask(function)` of a fleet by the method that it makes."""

    def on_function_instance(self, *, func: griffe.Function, **_: Any) -> None:
        """Called for each function read: gives parameters that share a line of the docstring one each."""
        if func.docstring is not None:
            func.docstring.value = _SHARED.sub(_one_each, func.docstring.value)

    def on_package(self, *, pkg: griffe.Module, loader: griffe.GriffeLoader, **_: Any) -> None:
        """Called when the package is read as a whole."""
        if pkg.name != "fleetlog":
            return
        owner = pkg[OWNER]
        for name, member in list(owner.members.items()):
            value = getattr(member, "value", None)
            if isinstance(value, griffe.ExprCall) and str(value.function) == MAKER:
                # Looked up from the module: within the class the method's own name would come first.
                path = owner.module.resolve(str(value.arguments[0]))
                owner.set_member(name, _method(name, member, pkg[path.removeprefix("fleetlog.")]))


def _method(name: str, member: Any, function: Any) -> griffe.Function:
    parameters = list(function.parameters)[KNOWN:]
    method = griffe.Function(
        name,
        lineno=member.lineno,
        endlineno=member.endlineno,
        parameters=griffe.Parameters(
            griffe.Parameter("self", kind=griffe.ParameterKind.positional_or_keyword), *parameters
        ),
        returns=function.returns,
    )
    if function.docstring is not None:
        method.docstring = griffe.Docstring(_without_fleet(function.docstring.value), parent=method)
    return method


def _one_each(shared: re.Match[str]) -> str:
    return "\n".join(f"    {name}: {shared[2]}" for name in shared[1].split(", "))


def _without_fleet(text: str) -> str:
    """A docstring without the lines about fleet and scope."""
    return re.sub(r"^    (fleet|scope): .*\n(?:      +.*\n)*", "", text, flags=re.MULTILINE)
