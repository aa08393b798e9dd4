"""Numbers that a note tells: each a test of its part, passed or failed by what it should be."""

from __future__ import annotations

from dataclasses import replace

from fleetlog.wording.measuring import bounds_in, measured_in, numbers_in
from fleetlog.wording.note import Clause, Element
from fleetlog.wording.observations import NotedPart, Observation
from fleetlog.wording.references import References
from fleetlog.wording.suggested_line import TRIED
from fleetlog.wording.suggestion import FOR_PART_IMPLIED


class Numbers(References):
    """A note of which the numbers are compared."""

    def _measure(self, statement: Clause, seen: Observation) -> None:
        """A number measured is a test of its part, unless it is what something was set to, or told of a step."""
        if self.field == "complaint":
            return
        numbers = measured_in(statement, self.dictionary)
        if not numbers:
            return
        if seen.results and not seen.parts and any(line.action == "calibrate" for line in self._last):
            return  # "calibrated, all good at 2.5 V"
        component = str(self.dictionary.tables["voltage"]["component"])
        voltage = next((number for number in numbers if number.voltage), None)
        if voltage:  # "neutral 2.1 V" is what the sensor says
            near = self.dictionary.words("voltage", "near")
            seen.parts = [
                replace(part, component=component) if set(part.name) <= near and part.name else part
                for part in seen.parts
            ]
            spoken = self._focus[-1] if self._focus else None
            if spoken and spoken.name and set(spoken.name) <= near:
                for line in self._last:
                    line.component = component if line.component == spoken.component else line.component
                self._focus = [replace(spoken, component=component)]
        set_to = any(">" in e.words for e in statement.elements) or any(
            e.value == "adjust" and i < numbers[0].place for i, e in statement.of("action")
        )
        spoken_of = any(part.component == component for part in [*seen.parts, *self._focus])
        calibrated = any(action.value == "calibrate" for action in seen.actions)  # "cal passed 2.50 V"
        if (
            voltage
            and not spoken_of
            and not calibrated
            and (set_to or not (seen.parts or self._about_wires()))
        ):
            spans = [(voltage.start, voltage.end), *seen.side_spans]
            seen.parts.append(NotedPart(component, seen.sides, spans, FOR_PART_IMPLIED))
        seen.actions = [replace(a, value="test") if a.value == "inspect" else a for a in seen.actions]
        if any(a.value in (*TRIED, "replace") for a in seen.actions):
            return
        first = numbers[0]
        set_to = set_to or (first.place > 0 and statement.elements[first.place - 1].words == ("to",))
        step = "adjust" if set_to else "test"  # "2.9 > 2.5", "sensor to 2.5 V"
        set_on = self.dictionary.words("measure", "set_on")
        if any(part.component in set_on for part in seen.parts or self._focus):
            step = "adjust"
        seen.actions = [Element("action", step, ("measured",), first.start, first.end), *seen.actions]

    def _about_wires(self) -> bool:
        return any(part.component in ("wiring", "battery") for part in self._focus)

    def _compare(self, statement: Clause, before: int) -> None:
        """A number measured against what it should be: passed or failed."""
        if self.field == "complaint":
            return
        bounds = bounds_in(statement, self.dictionary)
        tests = [line for line in self._lines[before:] if line.action == "test"]
        values = numbers_in(statement, bounds[2] if bounds else None)
        if not tests and values and self._bounds and not bounds:
            again = self.dictionary.words("bound", "now")
            if any(element.words[0] in again for element in statement.elements):
                tests = [replace(line, result="") for line in self._measured]
                self._lines.extend(tests)
        if tests:
            self._measured, self._values = tests, values
        if bounds:
            self._bounds = bounds
            self._values = values or self._values
        if self._bounds and self._values and (tests or bounds):
            low, high, _ = self._bounds
            right = all(low <= value <= high for value in self._values)
            for line in self._measured:
                line.result = line.result or ("passed" if right else "failed")
