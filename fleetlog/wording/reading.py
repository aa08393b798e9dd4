"""From a note to suggestions: what was done to which part, on which side, and what was found.

The statements are taken in the order of reading; what one leaves out, those before it supply.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from fleetlog.wording.dictionary import Dictionary
from fleetlog.wording.draft import Draft, fill_sides, united, without_refits
from fleetlog.wording.note import (
    COMMA,
    JOIN,
    SENTENCE,
    Element,
    Statement,
    statements_of,
    voltages_of,
)
from fleetlog.wording.recurrence import Recurrence, recurrence_in
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
    merged,
    quoted_words,
)
from fleetlog.wording.told import Part, Told, sides_in, told_by, values_of


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
    found = [_suggestion(draft, text) for draft in _Reading(statements, field_name, dictionary).drafts()]
    recurrence = recurrence_in(statements, dictionary)
    return found if recurrence is None else _with_recurrence(found, recurrence, text)


def _suggestion(draft: Draft, text: str) -> Suggestion:
    spans = merged(draft.spans)
    return Suggestion(
        draft.component,
        draft.side,
        draft.action,
        draft.finding,
        draft.result,
        spans=spans,
        words=quoted_words(spans, text),
        confidence=round(max(LEAST, SURE - draft.doubt), 2),
    )


def _with_recurrence(found: list[Suggestion], recurrence: Recurrence, text: str) -> list[Suggestion]:
    """A recurrence goes with a suggestion that names a side alone; otherwise it stands by itself."""
    goes_with = found[0] if len(found) == 1 and not found[0].component else Suggestion()
    spans = merged([*goes_with.spans, *recurrence.spans])
    own = replace(
        goes_with,
        recurrence_hours=recurrence.hours,
        again=True,
        spans=spans,
        words=quoted_words(spans, text),
    )
    return [own] if found and goes_with is found[0] else [*found, own]


class _Reading:
    """One note being read."""

    def __init__(self, statements: list[Statement], field_name: str, dictionary: Dictionary) -> None:
        self.statements = statements
        self.field = field_name
        self.dictionary = dictionary
        self.names_parts = field_name in ("complaint", "cause")
        self.unsided = dictionary.words("no_side", "components")
        self._drafts: list[Draft] = []
        self._pending: list[tuple[int, Part]] = []
        self._last_parts: list[Part] = []
        self._last: list[Draft] = []
        self._listing: list[Element] = []  # actions that a following part in the list shares
        self._void_list = False
        self._swap_is_test = self._says_any(dictionary.words("swap", "test"))

    def _says_any(self, phrases: Iterable[str]) -> bool:
        said = " ".join(" ".join(e.words) for s in self.statements for e in s.elements)
        spoken = f" {said} "
        return any(f" {phrase} " in spoken for phrase in phrases)

    def drafts(self) -> list[Draft]:
        """Reads all statements and puts together what belongs together."""
        for number, statement in enumerate(self.statements):
            self._take(number, statement)
        if self.names_parts:
            for number, part in self._pending:
                self._emit(number, part, "", [], bare=True)
        sides = [side for statement in self.statements for side in sides_in(statement)]
        fill_sides(self._drafts, sides, self.unsided)
        inside = self.dictionary.tables["inside"]
        found = united(without_refits(self._drafts, inside["of"], inside["components"]))
        if found or self.field != "complaint":
            return found
        # A complaint that names no part may still name a side.
        named = {value: side for side in reversed(sides) for value in values_of([side])}
        return [Draft("", "", value, [(side.start, side.end)]) for value, side in sorted(named.items())]

    # One statement.

    def _take(self, number: int, statement: Statement) -> None:
        told = told_by(statement, self.dictionary, self._swap_is_test)
        if statement.link == SENTENCE:
            self._listing = []
            self._void_list = False
        if told.void or (self._void_list and not told.actions and statement.link in (COMMA, JOIN)):
            self._void_list = True
            self._listing = []
            if self.names_parts and told.parts and not (told.earlier and self.field == "complaint"):
                self._pending.extend((number, part) for part in told.parts)
            elif told.parts and not told.earlier:
                self._last_parts, self._last = told.parts, []
            self._measure(number, statement, told)
            return
        self._void_list = False
        if self.field == "complaint":
            told.actions, told.failed = [], []
        before = len(self._drafts)
        self._measure(number, statement, told)
        measured = len(self._drafts) > before
        if told.actions or told.failed:
            self._act(number, statement, told)
        elif told.parts:
            self._name(number, statement, told, measured)
        elif not told.undone:
            self._comment(number, statement, told)
        if statement.doubtful:
            for draft in self._drafts[before:]:
                draft.doubt += FOR_DOUBT
            for place, part in self._pending:
                if place == number:
                    part.doubt += FOR_DOUBT

    def _act(self, number: int, statement: Statement, told: Told) -> None:
        """A statement with an action."""
        done: list[Draft] = []
        parts_used: list[Part] = []
        joined = (
            [part for place, part in self._pending if place >= number - 4] if statement.link == JOIN else []
        )
        for action in [*told.actions, *told.failed]:
            failed = any(action is one for one in told.failed)
            parts, extra = self._parts_for(action, statement, told, joined)
            for part in parts:
                value = self._action_on(part.component, action)
                for draft in self._emit(number, part, value, [action], extra):
                    draft.refit = " ".join(action.words) in self.dictionary.words("refit")
                    if failed:
                        draft.result = "failed"
                    done.append(draft)
            parts_used.extend(parts)
        if parts_used:
            self._pending = []
            self._last_parts = [part for part in parts_used if not part.implied] or self._last_parts
        self._state(told, done)
        if done:
            self._last = done
        first = min((e.start for e in told.actions), default=10**9)
        parts_follow = told.parts and told.parts[-1].spans[0][0] > first
        self._listing = list(told.actions) if parts_follow or not told.parts else []

    def _parts_for(
        self, action: Element, statement: Statement, told: Told, joined: list[Part]
    ) -> tuple[list[Part], float]:
        """The parts that an action was done to, and what is lost by not naming them beside it."""
        only = self._only(action)
        named = [part for part in told.parts if not only or part.component in only]
        if joined and told.parts and told.parts[-1].sides == ("left", "right"):
            told.parts[-1] = self._both_of_them(joined, told.parts[-1], told)
        joined = [part if part.sides else replace(part, sides=self._group_sides(told)) for part in joined]
        if named and joined and not only:
            return [*joined, *named], 0.0
        if named:
            return named, 0.0
        implied = self.dictionary.implied_by(" ".join(action.words))
        implied = implied or self.dictionary.tables["action"].get(action.value, {}).get("implies")
        if implied:
            sides = told.sides or tuple(side for part in told.parts for side in part.sides)
            return [Part(implied, sides, told.side_spans, implied=True)], FOR_PART_IMPLIED
        if told.parts or told.minor:
            return [], 0.0

        def can_be(parts: list[Part]) -> list[Part]:
            return [part for part in parts if not only or part.component in only]

        if can_be(joined):
            return can_be(joined), 0.0
        waiting = can_be([part for _, part in self._pending[-1:]])
        if waiting and statement.link in (COMMA, JOIN):
            return [self._with_sides(waiting[0], told)], FOR_LIST
        before = [self._with_sides(part, told) for part in self._unique(can_be(self._last_parts))]
        return before, FOR_PART_FROM_ELSEWHERE

    def _both_of_them(self, joined: list[Part], part: Part, told: Told) -> Part:
        """In "RH sensor & harness both replaced" the word "both" counts the parts, not the sides."""
        if len(joined) == 1 and joined[0].sides and all(e.words == ("both",) for e in told.side_elements):
            return replace(part, sides=joined[0].sides)
        return part

    @staticmethod
    def _group_sides(told: Told) -> tuple[str, ...]:
        """The side that a list of parts shares: the one said beside its last part."""
        return told.parts[-1].sides if told.parts else told.sides

    def _with_sides(self, part: Part, told: Told) -> Part:
        if not told.sides:
            return part
        return replace(part, sides=told.sides, spans=[*part.spans, *told.side_spans])

    @staticmethod
    def _unique(parts: list[Part]) -> list[Part]:
        found: dict[tuple[str, tuple[str, ...]], Part] = {}
        for part in parts:
            found.setdefault((part.component, part.sides), part)
        return list(found.values())

    def _action_on(self, component: str, action: Element) -> str:
        """What an action is on this part: tightening a connector repairs it."""
        table = self.dictionary.tables["action"].get(action.value, {})
        return str(table.get("on", {}).get(component, action.value))

    def _only(self, action: Element) -> tuple[str, ...]:
        return tuple(self.dictionary.tables["action"].get(action.value, {}).get("only", ()))

    def _name(self, number: int, statement: Statement, told: Told, measured: bool) -> None:
        """A statement with parts but no action."""
        if told.denied_parts:
            self._listing = []
            return
        if told.findings or told.results:
            drafts = []
            for part in told.parts:
                found = self._finding_for(part, told)
                passed = any(result.value == "passed" for result in told.results)
                action = ""
                if self.field != "complaint" and not measured and (passed or found == "no_fault_found"):
                    action = "inspect"
                drafts += self._emit(number, part, action, [])
            if measured:
                drafts = [draft for draft in drafts if draft.action]
                self._drafts = [d for d in self._drafts if d.action or d.statement != number]
            self._state(told, drafts or self._drafts[-1:])
            self._last, self._last_parts = drafts or self._last, told.parts
            self._listing = []
            return
        if measured:
            self._last_parts = told.parts
            return
        if (
            statement.link != SENTENCE
            and all(part.weak for part in told.parts)
            and told.sides
            and (self._last_parts or self._last)
        ):
            self._comment(number, statement, told)  # "pin pushed back, right pump"
            return
        shared_by = [
            (shared, part)
            for shared in self._listing
            for part in told.parts
            if part.component in (self._only(shared) or (part.component,))
        ]
        if shared_by and statement.link in (COMMA, JOIN):
            done = []
            for shared, part in shared_by:
                value = self._action_on(part.component, shared)
                done += self._emit(number, part, value, [shared], FOR_LIST)
            self._last, self._last_parts = done, [*self._last_parts, *told.parts]
            return
        self._pending.extend((number, part) for part in told.parts)
        self._last_parts = told.parts
        self._last = []

    def _comment(self, number: int, statement: Statement, told: Told) -> None:
        """A statement with neither: a finding, a verdict or a side that speaks of what came before."""
        if told.results and not self._last and self._pending and self.field != "complaint":
            drafts = []
            for place, part in self._pending:
                drafts += self._emit(place, part, "inspect", [*told.results], FOR_LIST)
            self._pending = []
            self._last = drafts
        elif told.findings and not self._last and self._pending:
            place, part = self._pending.pop()
            self._last = self._emit(place, part, "", [], FOR_LIST)
        if told.findings or told.results:
            self._state(told, self._last)
        if told.sides and statement.link != SENTENCE:
            self._side_comment(told)
        if told.sides and statement.link == JOIN and self._last and not (told.findings or told.results):
            for draft in list(self._last):
                if draft.side and draft.component not in self.unsided:
                    for side in told.sides:
                        other = replace(draft, side=side, spans=[*draft.spans, *told.side_spans])
                        self._drafts.append(other)

    def _side_comment(self, told: Told) -> None:
        """A side said after the part, in a statement of its own, where none was said before."""
        spans = told.side_spans
        if self._pending and not self._pending[-1][1].sides:
            number, part = self._pending[-1]
            self._pending[-1] = (number, replace(part, sides=told.sides, spans=[*part.spans, *spans]))
        for draft in self._last:
            if not draft.side and draft.component not in self.unsided:
                draft.side = told.sides[0]
                draft.spans.extend(spans)
                for side in told.sides[1:]:
                    self._drafts.append(replace(draft, side=side, spans=list(draft.spans)))

    def _state(self, told: Told, drafts: list[Draft]) -> None:
        """Findings and verdicts of a statement onto the suggestions that they speak of."""
        for draft in drafts:
            if told.findings and not draft.finding:
                nearest = self._nearest(told.findings, draft)
                draft.finding = nearest.value
                draft.spans.append((nearest.start, nearest.end))
                draft.doubt += FOR_MISSPELT * nearest.guessed
            if told.results:
                last = told.results[-1]
                draft.result = last.value
                draft.spans.append((last.start, last.end))

    @staticmethod
    def _nearest(findings: list[Element], draft: Draft) -> Element:
        place = draft.spans[0][0] if draft.spans else 0
        return min(findings, key=lambda finding: abs(finding.start - place))

    def _finding_for(self, part: Part, told: Told) -> str:
        if not told.findings:
            return ""
        return min(told.findings, key=lambda finding: abs(finding.start - part.spans[0][0])).value

    def _emit(
        self,
        number: int,
        part: Part,
        action: str,
        elements: list[Element],
        extra: float = 0.0,
        bare: bool = False,
    ) -> list[Draft]:
        sides = ("",) if part.component in self.unsided else part.sides or ("",)
        made = []
        for side in sides:
            draft = Draft(
                part.component,
                action,
                side,
                [*part.spans, *((e.start, e.end) for e in elements)],
                part.doubt + extra + FOR_MISSPELT * sum(e.guessed for e in elements),
                bare=bare,
                statement=number,
            )
            made.append(draft)
        self._drafts.extend(made)
        return made

    def _measure(self, number: int, statement: Statement, told: Told) -> None:
        """A voltage is a test of the sensor, unless it is what the sensor was set to."""
        if self.field == "complaint":
            return
        voltages = voltages_of(statement, self.dictionary)
        adjusts = [i for i, e in statement.of("action") if e.value == "adjust"]
        measured = [v for v in voltages if not any(i < v.place for i in adjusts)]
        target = [v for v in voltages if v not in measured]
        component = self.dictionary.tables["voltage"]["component"]
        if target and not any(part.component == component for part in told.parts):
            told.parts = [part for part in told.parts if part.component != component]
            told.parts.append(
                Part(component, told.sides, [(target[0].start, target[0].end)], FOR_PART_IMPLIED)
            )
        if not measured:
            return
        spans = [(v.start, v.end) for v in measured]
        spans += [span for part in told.parts if part.component == component for span in part.spans]
        sides = told.sides
        self._emit(number, Part(component, sides, [*spans, *told.side_spans]), "test", [])
        told.actions = [a for a in told.actions if a.value not in ("test", "inspect")]
        if not told.actions:
            told.parts = [part for part in told.parts if part.component == component]
            if not (told.findings or told.results):
                told.parts = []
