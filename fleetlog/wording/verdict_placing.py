"""Findings and verdicts put onto the lines that they speak of."""

from __future__ import annotations

from dataclasses import replace

from fleetlog.wording.note import COMMA, SENTENCE, Clause, Element
from fleetlog.wording.numbers import Numbers
from fleetlog.wording.objects import distinct, with_sides
from fleetlog.wording.observations import NotedPart, Observation
from fleetlog.wording.suggested_line import EXAMINED, MENDED, TRIED, SuggestedLine
from fleetlog.wording.suggestion import FOR_LIST, FOR_MISSPELT
from fleetlog.wording.verdicts import (
    fails_by,
    hosts_of_finding,
    is_attempt,
    nearest_finding,
    speaks_of_nothing_else,
)


class VerdictPlacing(Numbers):
    """A note of which the findings and verdicts are placed."""

    def _comment(self, number: int, statement: Clause, seen: Observation) -> None:
        """A statement with neither: a finding, a verdict or a side that speaks of what came before."""
        self._say_no(statement, seen)
        self._turn_to_other_side(number, statement, seen)
        self._find_more(number, seen)
        told = [element for element in seen.results if not is_attempt(element, self.dictionary)]
        if (
            (seen.findings or told)
            and not self._last
            and self._focus
            and (seen.findings or speaks_of_nothing_else(statement, self.dictionary))
        ):
            lines = []
            for part in distinct(self._focus):
                lines += self._emit(number, with_sides(part, seen), "", [], FOR_LIST)
            self._pending = []
            self._last = lines
        counts = all(
            element.words == ("both",) for element in seen.side_elements
        )  # "both good": two of any kind
        tried = bool(told) and speaks_of_nothing_else(statement, self.dictionary)
        tried = tried and bool(self._last) and all(line.action in TRIED for line in self._last)
        beside = statement.link != SENTENCE or tried  # "calibrated; left passed"
        if seen.sides and beside and (seen.findings or seen.results) and not counts:
            self._side_comment(seen)
        if seen.findings or (
            seen.results
            and (
                speaks_of_nothing_else(statement, self.dictionary)
                or told != seen.results
                or self._answers(statement)
            )
        ):
            self._state(seen, self._last)
            self._narrow(seen)
        elif seen.sides and statement.link != SENTENCE and speaks_of_nothing_else(statement, self.dictionary):
            self._side_comment(seen)

    def _answers(self, statement: Clause) -> bool:
        """Whether a statement begins with the verdict on a test just told: "bench tested, failed channel 2"."""
        waits = any(line.action in TRIED and not line.result for line in self._last)
        return statement.link == COMMA and statement.elements[0].kind == "result" and waits

    def _narrow(self, seen: Observation) -> None:
        """After the fault of one side is told, what is done is done there: "right one dead, replaced"."""
        faulty = any(e.value not in ("passed", "no_fault_found") for e in (*seen.results, *seen.findings))
        if len(seen.sides) == 1 and faulty:
            self._focus = [
                replace(part, sides=seen.sides) if len(part.sides) > 1 and not part.implied else part
                for part in self._focus
            ]

    def _say_no(self, statement: Clause, seen: Observation) -> None:
        """A denial that ends what is said of the other side is a verdict: "left took, right didn't"."""
        last = statement.elements[-1]
        tried = any(line.action in TRIED and line.result == "passed" for line in self._last)
        if seen.sides and tried and not seen.results and last.kind in ("negation", "cannot"):
            seen.results = [replace(last, kind="result", value="failed")]

    def _find_more(self, number: int, seen: Observation) -> None:
        """A second finding on a part of which something else was told: a line of its own."""
        found = {finding.value for finding in seen.findings}
        worse = bool(self._last) and all(
            not line.action and line.finding not in ("", *found) for line in self._last
        )
        if worse and found and found != {"no_fault_found"}:
            self._last = [
                made
                for line in self._last
                for made in self._emit(
                    number, NotedPart(line.component, (line.side,), [*line.spans]), "", [], FOR_LIST
                )
            ]

    def _turn_to_other_side(self, number: int, statement: Clause, seen: Observation) -> None:
        """What is said of the other side alone is about the same part and step: "RH tested ok. LH low"."""
        if not (seen.findings or seen.results or statement.has("number")):
            return
        like = {
            (line.component, line.action): line
            for line in self._last
            if line.side and line.side not in seen.sides
        }
        if not seen.sides or any(line.side in seen.sides for line in self._last):
            return
        lines = []
        for component, action in like:
            part = NotedPart(component, seen.sides, seen.side_spans)
            again = action if action in (*EXAMINED, *TRIED) else ""
            lines += self._emit(number, part, again, [], FOR_LIST)
        self._last = lines or self._last

    def _side_comment(self, seen: Observation) -> None:
        """A side said after the part, in a statement of its own, where none was said before."""
        spans = seen.side_spans
        if self._pending and not self._pending[-1][1].sides:
            number, part = self._pending[-1]
            self._pending[-1] = (number, replace(part, sides=seen.sides, spans=[*part.spans, *spans]))
        listed = [line for line in self._lines if seen.parts and line.statement >= self._sentence]
        inner = [line for line in listed if line.component in self.inside and line not in self._last]
        for line in [*inner, *self._last]:
            if not line.side and line.component not in self.unsided:
                line.side = seen.sides[0]
                line.spans.extend(spans)
                more = [replace(line, side=side, spans=list(line.spans)) for side in seen.sides[1:]]
                self._lines.extend(more)
                self._last = [*self._last, *more]

    def _state(self, seen: Observation, lines: list[SuggestedLine]) -> None:
        """Findings and verdicts of a statement onto the suggestions that they speak of."""
        of_side = [line for line in lines if not line.side or line.side in seen.sides]
        lines = (of_side if seen.sides else lines) or lines
        for line in hosts_of_finding(lines, seen.findings, self.dictionary):
            if seen.findings and not line.finding:
                nearest = nearest_finding(seen.findings, line)
                if line.action == "calibrate":  # "without a problem"
                    line.result = line.result or ("passed" if nearest.value == "no_fault_found" else "")
                    continue
                if self.field == "complaint" and nearest.value == "leaking":
                    continue
                if nearest.value == "no_fault_found" and line.action in MENDED:
                    continue
                step = (
                    self.dictionary.tables["finding"]
                    .get(nearest.value, {})
                    .get("step_on", {})
                    .get(line.component)
                )
                if step and self.field != "complaint":
                    line.action = line.action or step
                elif line.component in fails_by(nearest.value, line.action, self.dictionary):
                    line.result = "failed"
                else:
                    line.finding = nearest.value
                line.spans.append((nearest.start, nearest.end))
                line.doubt += FOR_MISSPELT * nearest.guessed
        if not seen.results:
            return
        if any(" ".join(e.words) in self.dictionary.words("beside_part", "passed") for e in seen.results):
            for line in lines:
                line.action = line.action or ("" if self.field == "complaint" else "inspect")
        tried = [line for line in lines if line.action in TRIED]
        for element in seen.results:
            done = {line.place for line in lines if line.place and line.place < element.start}
            ahead = [
                line for line in lines if line.action != "calibrate"
            ] or lines  # "stuck, freed, calibrated"
            for line in [line for line in lines if line.place == max(done)] if done else ahead:
                self._judge(line, element, bool(tried))

    def _judge(self, line: SuggestedLine, verdict: Element, tried: bool) -> None:
        """A verdict onto one line: of an attempt its outcome; of a part that it failed, or had no fault."""
        if line.action in TRIED:
            if line.result and is_attempt(verdict, self.dictionary):
                if line.action == "adjust" and verdict.value == "failed":
                    line.result = "failed"
                return
            if line.result and line.result != verdict.value:
                other = replace(line, result=verdict.value, spans=[*line.spans], finding="")
                self._lines.append(other)
                self._last = [*(one for one in self._last if one is not line), other]
            line.result = line.result or verdict.value
            if line.action == "test" and verdict.value == "passed" and self._copula:
                line.finding = line.finding or "no_fault_found"
        elif is_attempt(verdict, self.dictionary) or tried:
            return
        elif verdict.value == "failed":
            line.result = "failed"
        elif line.action in ("", "inspect") and not line.finding:
            line.finding = "no_fault_found"
        else:
            return
        line.spans.append((verdict.start, verdict.end))
