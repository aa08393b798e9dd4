"""What a statement says was measured, and what it should have been."""

from __future__ import annotations

from dataclasses import dataclass

from fleetlog.wording.dictionary import Dictionary
from fleetlog.wording.note import Clause, Element


@dataclass(frozen=True)
class Measured:
    """A measured number: where it stands among the elements, its characters, and whether it is a voltage."""

    place: int
    start: int
    end: int
    voltage: bool


def measured_in(statement: Clause, dictionary: Dictionary) -> list[Measured]:
    """The numbers of a statement that were measured.

    With a unit beside it, any number; a sensor's voltage also without, where it has decimals and stands near a word
    such as "neutral".
    """
    elements = statement.elements
    volts = dictionary.words("voltage", "units")
    units = dictionary.words("measure", "units")
    near = dictionary.words("voltage", "near")
    most = float(dictionary.tables["voltage"]["most"])
    barred = dictionary.words("voltage", "not_beside")
    quantities = dictionary.words("measure", "quantities")
    quantity = any(e.kind == "component" and e.words[-1] in quantities for e in elements)
    of_sensor = not any(barred & set(element.words) for element in elements)
    found = []
    for i, element in enumerate(elements):
        if element.kind != "number":
            continue
        value = float(element.words[0].replace(",", "."))
        unit = elements[i + 1].words[0] if i + 1 < len(elements) else ""
        if unit not in units and i and elements[i - 1].words[-1] in units:
            unit = elements[i - 1].words[-1]  # "charge psi 290"
        stated = any(near & set(other.words) for other in elements[max(0, i - 3) : i]) or any(
            ">" in other.words for other in elements[max(0, i - 1) : i + 2]
        )
        decimals = "." in element.words[0] or "," in element.words[0]
        voltage = of_sensor and value <= most and (unit in volts or (stated and decimals))
        if voltage or unit in units or (quantity and value > most):
            has_unit = i + 1 < len(elements) and elements[i + 1].words[0] == unit
            end = elements[i + 1].end if has_unit else element.end
            found.append(Measured(i, element.start, end, voltage))
    return found


NEARLY = 0.1
"""How far from a single figure a measured one may be, as a share; from memory, default."""


def bounds_in(statement: Clause, dictionary: Dictionary) -> tuple[float, float, int] | None:
    """The least and the most that a number should be, and from which element on that is told: "spec 310-350"."""
    elements = statement.elements
    kinds = {key: dictionary.words("bound", key) for key in ("range", "least", "most")}
    said = [(i, key) for i, e in enumerate(elements) for key in kinds if " ".join(e.words) in kinds[key]]
    said += [
        (i, "range")
        for i in range(1, len(elements))
        if f"{elements[i - 1].words[-1]} {elements[i].words[0]}" in kinds["range"]
    ]
    said.sort()
    if not said:
        return None
    first = said[0][0]
    keys = {key for _, key in said}
    numbers = [(i, _value(e)) for i, e in enumerate(elements) if e.kind == "number"]
    beside = [value for i, value in numbers if i > first] or [value for i, value in numbers if i == first - 1]
    if "range" in keys and len(beside) >= 2:
        return min(beside[:2]), max(beside[:2]), first
    if keys == {"range"} and beside and elements[first].words[-1] not in ("book", "wants"):
        return beside[0] * (1 - NEARLY), beside[0] * (1 + NEARLY), first
    if beside and keys & {"least", "most"}:
        at = first if first < (numbers[-1][0] if numbers else 0) else first - 1
        return (beside[0], float("inf"), at) if "least" in keys else (float("-inf"), beside[0], at)
    return None


def _value(element: Element) -> float:
    return float(element.words[0].replace(",", "."))


def numbers_in(statement: Clause, until: int | None = None) -> list[float]:
    """The plain numbers of a statement, up to an element."""
    return [_value(element) for element in statement.elements[:until] if element.kind == "number"]
