"""From a note to suggestions: what was done to which part, on which side, and what was found.

The statements are taken in the order of reading; what one leaves out, those before it supply.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from fleetlog.wording.dictionary import Dictionary
from fleetlog.wording.note import (
    COMMA,
    JOIN,
    SENTENCE,
    Clause,
    Element,
    statements_of,
    voltages_of,
)
from fleetlog.wording.observations import NotedPart, Observation, observe, sides_in, values_of
from fleetlog.wording.recurrence import Recurrence, recurrence_in
from fleetlog.wording.suggested_line import SuggestedLine, drop_refits, fill_sides, unite
from fleetlog.wording.suggestion import (
    FIELDS,
    FOR_DOUBT,
    FOR_LIST,
    FOR_MISSPELT,
    FOR_PART_FROM_ELSEWHERE,
    FOR_PART_IMPLIED,
    LEAST,
    SURE,
    Suggestion,
    merge_spans,
    quote_words,
)


def read_note(text: str, field_name: str, dictionary: Dictionary) -> list[Suggestion]:
    """The suggestions that a text gives, steps first in the order of the text, then a recurrence.

    Args:
        text: the note as it stands.
        field_name: "complaint", "cause", "correction" or "note".
        dictionary: the words to read it by.

    Raises:
        ValueError: for another field.
    """
    if field_name not in FIELDS:
        raise ValueError(f"{field_name!r} is none of {', '.join(FIELDS)}")
    statements = statements_of(text, dictionary)
    found = [_suggestion(line, text) for line in _Reading(statements, field_name, dictionary).lines()]
    recurrence = recurrence_in(statements, dictionary)
    return found if recurrence is None else _with_recurrence(found, recurrence, text)


def _suggestion(line: SuggestedLine, text: str) -> Suggestion:
    spans = merge_spans(line.spans)
    return Suggestion(
        line.component,
        line.side,
        line.action,
        line.finding,
        line.result,
        spans=spans,
        words=quote_words(spans, text),
        confidence=round(max(LEAST, SURE - line.doubt), 2),
    )


def _with_recurrence(found: list[Suggestion], recurrence: Recurrence, text: str) -> list[Suggestion]:
    """A recurrence goes with a suggestion that names a side alone; otherwise it stands by itself."""
    goes_with = found[0] if len(found) == 1 and not found[0].component else Suggestion()
    spans = merge_spans([*goes_with.spans, *recurrence.spans])
    own = replace(
        goes_with,
        recurrence_hours=recurrence.hours,
        again=True,
        spans=spans,
        words=quote_words(spans, text),
    )
    return [own] if found and goes_with is found[0] else [*found, own]


class _Reading:
    """One note being read."""

    def __init__(self, statements: list[Clause], field_name: str, dictionary: Dictionary) -> None:
        self.statements = statements
        self.field = field_name
        self.dictionary = dictionary
        self.names_parts = field_name in ("complaint", "cause")
        self.unsided = dictionary.words("no_side", "components")
        self._lines: list[SuggestedLine] = []
        self._pending: list[tuple[int, NotedPart]] = []
        self._last_parts: list[NotedPart] = []
        self._last: list[SuggestedLine] = []
        self._listing: list[Element] = []  # actions that a following part in the list shares
        self._void_list = False
        self._swap_is_test = self._says_any(dictionary.words("swap", "test"))

    def _says_any(self, phrases: Iterable[str]) -> bool:
        said = " ".join(" ".join(e.words) for s in self.statements for e in s.elements)
        spoken = f" {said} "
        return any(f" {phrase} " in spoken for phrase in phrases)

    def lines(self) -> list[SuggestedLine]:
        """Reads all statements and puts together what belongs together."""
        for number, statement in enumerate(self.statements):
            self._take(number, statement)
        if self.names_parts:
            for number, part in self._pending:
                self._emit(number, part, "", [], bare=True)
        sides = [side for statement in self.statements for side in sides_in(statement)]
        fill_sides(self._lines, sides, self.unsided)
        inside = self.dictionary.tables["inside"]
        found = unite(drop_refits(self._lines, inside["of"], inside["components"]))
        if found or self.field != "complaint":
            return found
        # A complaint that names no part may still name a side.
        named = {value: side for side in reversed(sides) for value in values_of([side])}
        return [
            SuggestedLine("", "", value, [(side.start, side.end)]) for value, side in sorted(named.items())
        ]

    # One statement.

    def _take(self, number: int, statement: Clause) -> None:
        seen = observe(statement, self.dictionary, self._swap_is_test)
        if statement.link == SENTENCE:
            self._listing = []
            self._void_list = False
        if seen.void or (self._void_list and not seen.actions and statement.link in (COMMA, JOIN)):
            self._void_list = True
            self._listing = []
            if self.names_parts and seen.parts and not (seen.earlier and self.field == "complaint"):
                self._pending.extend((number, part) for part in seen.parts)
            elif seen.parts and not seen.earlier:
                self._last_parts, self._last = seen.parts, []
            self._measure(number, statement, seen)
            return
        self._void_list = False
        if self.field == "complaint":
            seen.actions, seen.failed = [], []
        before = len(self._lines)
        self._measure(number, statement, seen)
        measured = len(self._lines) > before
        if seen.actions or seen.failed:
            self._act(number, statement, seen)
        elif seen.parts:
            self._name(number, statement, seen, measured)
        elif not seen.undone:
            self._comment(number, statement, seen)
        if statement.doubtful:
            for line in self._lines[before:]:
                line.doubt += FOR_DOUBT
            for place, part in self._pending:
                if place == number:
                    part.doubt += FOR_DOUBT

    def _act(self, number: int, statement: Clause, seen: Observation) -> None:
        """A statement with an action."""
        done: list[SuggestedLine] = []
        parts_used: list[NotedPart] = []
        joined = (
            [part for place, part in self._pending if place >= number - 4] if statement.link == JOIN else []
        )
        for action in [*seen.actions, *seen.failed]:
            failed = any(action is one for one in seen.failed)
            parts, extra = self._parts_for(action, statement, seen, joined)
            for part in parts:
                value = self._action_on(part.component, action)
                for line in self._emit(number, part, value, [action], extra):
                    line.refit = " ".join(action.words) in self.dictionary.words("refit")
                    if failed:
                        line.result = "failed"
                    done.append(line)
            parts_used.extend(parts)
        if parts_used:
            self._pending = []
            self._last_parts = [part for part in parts_used if not part.implied] or self._last_parts
        self._state(seen, done)
        if done:
            self._last = done
        first = min((e.start for e in seen.actions), default=10**9)
        parts_follow = seen.parts and seen.parts[-1].spans[0][0] > first
        self._listing = list(seen.actions) if parts_follow or not seen.parts else []

    def _parts_for(
        self, action: Element, statement: Clause, seen: Observation, joined: list[NotedPart]
    ) -> tuple[list[NotedPart], float]:
        """The parts that an action was done to, and what is lost by not naming them beside it."""
        only = self._only(action)
        named = [part for part in seen.parts if not only or part.component in only]
        if joined and seen.parts and seen.parts[-1].sides == ("left", "right"):
            seen.parts[-1] = self._both_of_them(joined, seen.parts[-1], seen)
        joined = [part if part.sides else replace(part, sides=self._group_sides(seen)) for part in joined]
        if named and joined and not only:
            return [*joined, *named], 0.0
        if named:
            return named, 0.0
        implied = self.dictionary.implied_part(" ".join(action.words))
        implied = implied or self.dictionary.tables["action"].get(action.value, {}).get("implies")
        if implied:
            sides = seen.sides or tuple(side for part in seen.parts for side in part.sides)
            return [NotedPart(implied, sides, seen.side_spans, implied=True)], FOR_PART_IMPLIED
        if seen.parts or seen.minor:
            return [], 0.0

        def can_be(parts: list[NotedPart]) -> list[NotedPart]:
            return [part for part in parts if not only or part.component in only]

        if can_be(joined):
            return can_be(joined), 0.0
        waiting = can_be([part for _, part in self._pending[-1:]])
        if waiting and statement.link in (COMMA, JOIN):
            return [self._with_sides(waiting[0], seen)], FOR_LIST
        before = [self._with_sides(part, seen) for part in self._distinct(can_be(self._last_parts))]
        return before, FOR_PART_FROM_ELSEWHERE

    def _both_of_them(self, joined: list[NotedPart], part: NotedPart, seen: Observation) -> NotedPart:
        """In "RH sensor & harness both replaced" the word "both" counts the parts, not the sides."""
        if len(joined) == 1 and joined[0].sides and all(e.words == ("both",) for e in seen.side_elements):
            return replace(part, sides=joined[0].sides)
        return part

    @staticmethod
    def _group_sides(seen: Observation) -> tuple[str, ...]:
        """The side that a list of parts shares: the one said beside its last part."""
        return seen.parts[-1].sides if seen.parts else seen.sides

    def _with_sides(self, part: NotedPart, seen: Observation) -> NotedPart:
        if not seen.sides:
            return part
        return replace(part, sides=seen.sides, spans=[*part.spans, *seen.side_spans])

    @staticmethod
    def _distinct(parts: list[NotedPart]) -> list[NotedPart]:
        found: dict[tuple[str, tuple[str, ...]], NotedPart] = {}
        for part in parts:
            found.setdefault((part.component, part.sides), part)
        return list(found.values())

    def _action_on(self, component: str, action: Element) -> str:
        """What an action is on this part: tightening a connector repairs it."""
        table = self.dictionary.tables["action"].get(action.value, {})
        return str(table.get("on", {}).get(component, action.value))

    def _only(self, action: Element) -> tuple[str, ...]:
        return tuple(self.dictionary.tables["action"].get(action.value, {}).get("only", ()))

    def _name(self, number: int, statement: Clause, seen: Observation, measured: bool) -> None:
        """A statement with parts but no action."""
        if seen.denied_parts:
            self._listing = []
            return
        if seen.findings or seen.results:
            lines = []
            for part in seen.parts:
                found = self._finding_for(part, seen)
                passed = any(result.value == "passed" for result in seen.results)
                action = ""
                if self.field != "complaint" and not measured and (passed or found == "no_fault_found"):
                    action = "inspect"
                lines += self._emit(number, part, action, [])
            if measured:
                lines = [line for line in lines if line.action]
                self._lines = [d for d in self._lines if d.action or d.statement != number]
            self._state(seen, lines or self._lines[-1:])
            self._last, self._last_parts = lines or self._last, seen.parts
            self._listing = []
            return
        if measured:
            self._last_parts = seen.parts
            return
        if (
            statement.link != SENTENCE
            and all(part.weak for part in seen.parts)
            and seen.sides
            and (self._last_parts or self._last)
        ):
            self._comment(number, statement, seen)  # "pin pushed back, right pump"
            return
        shared_by = [
            (shared, part)
            for shared in self._listing
            for part in seen.parts
            if part.component in (self._only(shared) or (part.component,))
        ]
        if shared_by and statement.link in (COMMA, JOIN):
            done = []
            for shared, part in shared_by:
                value = self._action_on(part.component, shared)
                done += self._emit(number, part, value, [shared], FOR_LIST)
            self._last, self._last_parts = done, [*self._last_parts, *seen.parts]
            return
        self._pending.extend((number, part) for part in seen.parts)
        self._last_parts = seen.parts
        self._last = []

    def _comment(self, number: int, statement: Clause, seen: Observation) -> None:
        """A statement with neither: a finding, a verdict or a side that speaks of what came before."""
        if seen.results and not self._last and self._pending and self.field != "complaint":
            lines = []
            for place, part in self._pending:
                lines += self._emit(place, part, "inspect", [*seen.results], FOR_LIST)
            self._pending = []
            self._last = lines
        elif seen.findings and not self._last and self._pending:
            place, part = self._pending.pop()
            self._last = self._emit(place, part, "", [], FOR_LIST)
        if seen.findings or seen.results:
            self._state(seen, self._last)
        if seen.sides and statement.link != SENTENCE:
            self._side_comment(seen)
        if seen.sides and statement.link == JOIN and self._last and not (seen.findings or seen.results):
            for line in list(self._last):
                if line.side and line.component not in self.unsided:
                    for side in seen.sides:
                        other = replace(line, side=side, spans=[*line.spans, *seen.side_spans])
                        self._lines.append(other)

    def _side_comment(self, seen: Observation) -> None:
        """A side said after the part, in a statement of its own, where none was said before."""
        spans = seen.side_spans
        if self._pending and not self._pending[-1][1].sides:
            number, part = self._pending[-1]
            self._pending[-1] = (number, replace(part, sides=seen.sides, spans=[*part.spans, *spans]))
        for line in self._last:
            if not line.side and line.component not in self.unsided:
                line.side = seen.sides[0]
                line.spans.extend(spans)
                for side in seen.sides[1:]:
                    self._lines.append(replace(line, side=side, spans=list(line.spans)))

    def _state(self, seen: Observation, lines: list[SuggestedLine]) -> None:
        """Findings and verdicts of a statement onto the suggestions that they speak of."""
        for line in lines:
            if seen.findings and not line.finding:
                nearest = self._nearest(seen.findings, line)
                line.finding = nearest.value
                line.spans.append((nearest.start, nearest.end))
                line.doubt += FOR_MISSPELT * nearest.guessed
            if seen.results:
                last = seen.results[-1]
                line.result = last.value
                line.spans.append((last.start, last.end))

    @staticmethod
    def _nearest(findings: list[Element], line: SuggestedLine) -> Element:
        place = line.spans[0][0] if line.spans else 0
        return min(findings, key=lambda finding: abs(finding.start - place))

    def _finding_for(self, part: NotedPart, seen: Observation) -> str:
        if not seen.findings:
            return ""
        return min(seen.findings, key=lambda finding: abs(finding.start - part.spans[0][0])).value

    def _emit(
        self,
        number: int,
        part: NotedPart,
        action: str,
        elements: list[Element],
        extra: float = 0.0,
        bare: bool = False,
    ) -> list[SuggestedLine]:
        sides = ("",) if part.component in self.unsided else part.sides or ("",)
        made = []
        for side in sides:
            line = SuggestedLine(
                part.component,
                action,
                side,
                [*part.spans, *((e.start, e.end) for e in elements)],
                part.doubt + extra + FOR_MISSPELT * sum(e.guessed for e in elements),
                bare=bare,
                statement=number,
            )
            made.append(line)
        self._lines.extend(made)
        return made

    def _measure(self, number: int, statement: Clause, seen: Observation) -> None:
        """A voltage is a test of the sensor, unless it is what the sensor was set to."""
        if self.field == "complaint":
            return
        voltages = voltages_of(statement, self.dictionary)
        adjusts = [i for i, e in statement.of("action") if e.value == "adjust"]
        measured = [v for v in voltages if not any(i < v.place for i in adjusts)]
        target = [v for v in voltages if v not in measured]
        component = self.dictionary.tables["voltage"]["component"]
        if target and not any(part.component == component for part in seen.parts):
            seen.parts = [part for part in seen.parts if part.component != component]
            seen.parts.append(
                NotedPart(component, seen.sides, [(target[0].start, target[0].end)], FOR_PART_IMPLIED)
            )
        if not measured:
            return
        spans = [(v.start, v.end) for v in measured]
        spans += [span for part in seen.parts if part.component == component for span in part.spans]
        sides = seen.sides
        self._emit(number, NotedPart(component, sides, [*spans, *seen.side_spans]), "test", [])
        seen.actions = [a for a in seen.actions if a.value not in ("test", "inspect")]
        if not seen.actions:
            seen.parts = [part for part in seen.parts if part.component == component]
            if not (seen.findings or seen.results):
                seen.parts = []
