"""The statements of a note put together: what was done to which part, on which side, and what was found.

The statements are taken in the order of reading; what one leaves out, those before it supply.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from fleetlog.wording.note import BREAK, COMMA, JOIN, SENTENCE, Clause, Element
from fleetlog.wording.objects import (
    both_of_them,
    counted,
    distinct,
    done_to_another,
    element_after,
    group_sides,
    objects,
    with_sides,
)
from fleetlog.wording.observations import NotedPart, Observation, observe
from fleetlog.wording.suggested_line import EXAMINED, MENDED, TRIED, SuggestedLine, drop_refits, unite
from fleetlog.wording.suggestion import (
    FOR_DOUBT,
    FOR_LIST,
    FOR_PART_FROM_ELSEWHERE,
    FOR_PART_IMPLIED,
)
from fleetlog.wording.verdict_placing import VerdictPlacing

BEING = frozenset(
    {"is", "was", "it's", "its", "isn't", "isnt", "wasn't", "wasnt", "aren't", "weren't", "that's", "it"}
)


class NoteReading(VerdictPlacing):
    """One note being read."""

    def lines(self) -> list[SuggestedLine]:
        """Reads all statements and puts together what belongs together."""
        for number, statement in enumerate(self.statements):
            self._take(number, statement)
        found = unite(
            drop_refits(self._lines, self.container, self.inside), self.dictionary.tables["finding"]
        )
        for line in found:
            if (
                self._opened
                and not line.action
                and line.component in self.inside
                and self.field != "complaint"
            ):
                line.action = "inspect"
        return [line for line in found if line.action or line.finding or line.result]

    # One statement.

    def _take(self, number: int, statement: Clause) -> None:
        seen = observe(statement, self.dictionary, self._swap_is_test)
        if seen.planned or (self._planned and self._goes_on(statement, seen)):
            self._refer(statement, seen)
        words = [element.words[-1] for element in statement.elements]
        self._copula = any(
            word in ("is", "are") and following.kind == "result"
            for word, following in zip(words, statement.elements[1:], strict=False)
        )
        before = len(self._lines)
        if statement.link == SENTENCE:
            self._sentence = number
            self._listing = []
            self._planned = self._earlier = False
        self._open(seen)
        if len(seen.sides) == 1 and any(e.value == self.container for _, e in statement.of("component")):
            self._pump_sides = seen.sides
        self._head(statement, seen)
        if seen.planned or (self._planned and self._goes_on(statement, seen)):
            self._planned = True
            self._listing = []
            if seen.parts:
                self._focus, self._last, self._pending = seen.parts, [], []
            return
        self._planned = False
        said = seen.actions or seen.findings or seen.results
        goes_on = statement.link == JOIN or (statement.link == COMMA and not said)
        self._earlier = seen.earlier or (self._earlier and goes_on)
        self._point_back(statement, seen)
        self._share_next(number, statement, seen)
        self._refer(statement, seen)
        self._inherit_sides(seen)
        self._measure(statement, seen)
        for part in seen.denied_parts:
            if self.field == "cause" or (
                self.field != "complaint"
                and (self._says_being(statement) or (statement.link == BREAK and self._looked()))
            ):
                self._emit(number, part, "", [])[0].finding = "no_fault_found"
        if self._takes_back(statement):
            self._lines = [line for line in self._lines if line.statement != number - 1]
            before = min(before, len(self._lines))
        if seen.actions or seen.failed:
            self._act(number, statement, seen)
        elif seen.parts:
            self._name(number, statement, seen)
        elif not seen.undone:
            self._comment(number, statement, seen)
        for line in self._lines[before:]:
            line.earlier = line.earlier or self._earlier or (self.field == "complaint" and bool(line.action))
            line.doubt += FOR_DOUBT * statement.doubtful
        self._compare(statement, before)

    def _takes_back(self, statement: Clause) -> bool:
        said = " ".join(" ".join(element.words) for element in statement.elements)
        return any(f" {phrase} " in f" {said} " for phrase in self.dictionary.words("correction", "all"))

    def _looked(self) -> bool:
        return any(line.action in EXAMINED for line in self._last)

    @staticmethod
    def _says_being(statement: Clause) -> bool:
        """Whether it says what is or is not, and so rules a part out: "it's not the sensor"."""
        said = {word for element in statement.elements for word in element.words}
        return bool(said & BEING)

    def _goes_on(self, statement: Clause, seen: Observation) -> bool:
        """Whether a statement goes on with what is planned: a list of parts, or of things to do."""
        if statement.link not in (COMMA, JOIN):
            return False
        if self.field == "complaint" and statement.link == JOIN:
            return True
        to_do = self.dictionary.words("base_form")
        return all(" ".join(a.words) in to_do for a in seen.actions) and not (seen.findings or seen.results)

    # Steps.

    def _act(self, number: int, statement: Clause, seen: Observation) -> None:
        """A statement with an action."""
        quantities = self.dictionary.words("measure", "quantities")
        done: list[SuggestedLine] = []
        parts_used: list[NotedPart] = []
        actions = [*seen.actions, *seen.failed]
        if any(action.value == "test" for action in actions):
            actions = [action for action in actions if action.value != "inspect"]
        passive = not seen.findings and all(part.place < actions[0].start for part in seen.parts)
        joined = [part for place, part in self._pending if place >= number - 4]
        joined = joined if statement.link == JOIN and passive else []
        alone = statement.link == SENTENCE and len(statement.elements) == 1 and not seen.failed
        if self.field == "complaint":  # "fix it this time"
            actions = [
                action
                for action in actions
                if " ".join(action.words) not in self.dictionary.words("base_form")
            ]
            if not actions:
                return
        alone = alone or (len(statement.elements) == 1 and any(line.action in MENDED for line in self._last))
        renewed = any(line.action == "replace" for line in self._last)
        sealed = statement.has("seal") and all(action.value == "repair" for action in actions)
        if sealed and not seen.parts and self._seals_pump(statement):
            spans = [(e.start, e.end) for _, e in statement.of("seal")]
            sides = seen.sides or next((part.sides for part in self._focus), ())
            seen = replace(seen, parts=[NotedPart(self.container, sides, spans)])
        if sealed and not seen.parts and renewed and statement.link in (COMMA, JOIN):
            return  # a new part and its new seal are one step
        mended = any(line.action in ("repair", "clean", "overhaul") for line in self._last)
        if len(statement.elements) == 1 and actions[0].value == "replace" and mended:
            return  # "polished, mounted"
        if alone and actions[0].value == "repair" and any(line.action for line in self._last):
            return  # "Sorted."
        for action in actions:
            failed = any(action is one for one in seen.failed)
            parts, extra = self._parts_for(action, actions, statement, seen, joined)
            for part in parts:
                value = "repair" if part.piece and action.value == "replace" else action.value
                if value == "inspect" and part.name[-1:] and part.name[-1] in quantities:
                    value = "test"
                for line in self._emit(number, part, value, [action], extra):
                    if self._swap_is_test and value == "test" and " ".join(action.words) in self._swaps:
                        line.result = "passed" if self._fault_stayed else "failed"
                        if not line.side and self._swapped_across:
                            line.side = "left"
                            other = replace(line, side="right", spans=[*line.spans])
                            self._lines.append(other)
                            done.append(other)
                    line.refit = " ".join(action.words) in self.dictionary.words("refit")
                    if failed:
                        line.result = "failed"
                    done.append(line)
            parts_used.extend(parts)
        if parts_used:
            self._pending = []
            self._focus = [part for part in parts_used if not part.implied] or self._focus
        untouched = [
            part for part in seen.parts if all(part.component != used.component for used in parts_used)
        ]
        if untouched and (seen.findings or seen.results):
            self._name(number, statement, replace(seen, parts=untouched), keep=True)
            done = done if len(done) > 0 else self._last
        tried = [line for line in self._last if line.action in TRIED and not line.result]
        self._state(seen, done or (tried if not seen.parts else []))
        self._look_by_measuring(statement, done)
        if done:
            self._last = done
        first = min((e.start for e in seen.actions), default=10**9)
        parts_follow = seen.parts and seen.parts[-1].place > first
        refit = any(" ".join(e.words) in self.dictionary.words("refit") for e in seen.actions)
        self._listing = list(seen.actions) if parts_follow or refit or not seen.parts else []

    def _look_by_measuring(self, statement: Clause, done: Sequence[SuggestedLine]) -> None:
        """A look told with what was measured is that test: "checked the sensor, 2.5 V"."""
        measured = {(line.component, line.side) for line in done if line.action == "test"}
        for line in self._last:
            if (
                statement.link == COMMA
                and line.action == "inspect"
                and not line.finding
                and (line.component, line.side) in measured
            ):
                line.action = "test"

    def _seals_pump(self, statement: Clause) -> bool:
        """Whether a seal of the pump's case is told after work on what is inside: "bushing, new cover gasket"."""
        of_case = self.dictionary.words("seal", "of_case")
        named = any(" ".join(element.words) in of_case for _, element in statement.of("seal"))
        return named and any(part.component in self.inside for part in self._focus)

    def _parts_for(
        self,
        action: Element,
        actions: Sequence[Element],
        statement: Clause,
        seen: Observation,
        joined: list[NotedPart],
    ) -> tuple[list[NotedPart], float]:
        """The parts that an action was done to, and what is lost by not naming them beside it."""
        only = self._only(action)

        def can_be(parts: list[NotedPart]) -> list[NotedPart]:
            return [part for part in parts if not only or part.component in only]

        if joined and seen.parts and seen.parts[-1].sides == ("left", "right"):
            seen.parts[-1] = both_of_them(joined, seen.parts[-1], seen)
        outside = self.dictionary.words("elsewhere", "of")
        if (
            only
            and len(actions) == 1
            and seen.parts
            and all(part.component in outside for part in seen.parts)
        ):
            return seen.parts, 0.0  # a joystick's sensor calibrated
        named = objects(action, actions, [p for p in seen.parts if not only or p.component in only])
        joined = [part if part.sides else replace(part, sides=group_sides(seen)) for part in joined]
        if named and joined and not only and len(actions) == 1:
            return [*joined, *named], 0.0
        following = element_after(action, statement)
        if following is not None and following.kind == "pronoun" and action.value != "calibrate":
            own = [part for part in named if part.place < action.start]
            past = can_be(distinct(self._focus))
            if own or past:
                return own or [with_sides(part, seen) for part in past], FOR_LIST
        if named:
            return named, 0.0
        implied = self.dictionary.implied_part(" ".join(action.words))
        implied = implied or self.dictionary.tables["action"].get(action.value, {}).get("implies")
        spoken_of = [part for part in distinct(self._focus) if part.component == implied]
        if spoken_of and implied != self.container:
            return [with_sides(part, seen) for part in spoken_of], FOR_PART_IMPLIED
        if implied:
            beside = (seen.sides if len(actions) == 1 and not seen.parts else ()) or self._header
            return [
                NotedPart(implied, beside, seen.side_spans if beside else [], implied=True)
            ], FOR_PART_IMPLIED
        if seen.parts or seen.minor:
            return [], 0.0

        if can_be(joined):
            return can_be(joined), 0.0
        counted = bool(seen.side_elements) and all(e.words == ("both",) for e in seen.side_elements)
        listed = can_be([part for _, part in self._pending])
        if counted and len(listed) == 2 and any(part.sides for part in listed):
            sides = next(part.sides for part in listed if part.sides)
            return [part if part.sides else replace(part, sides=sides) for part in listed], FOR_LIST
        waiting = listed[-1:]
        if waiting and statement.link in (COMMA, JOIN):
            return [with_sides(waiting[0], seen)], FOR_LIST
        trial = " ".join(action.words) in self.dictionary.words("trial") and not statement.has("number")
        if done_to_another(action, statement, self.dictionary):
            return [], 0.0
        if trial and any(one.action in (*MENDED, "calibrate") for one in self._last):
            return [], 0.0  # after a repair the machine is tried
        before = [with_sides(part, seen) for part in distinct(can_be(self._focus))]
        return before, FOR_PART_FROM_ELSEWHERE

    # States.

    def _name(self, number: int, statement: Clause, seen: Observation, keep: bool = False) -> None:
        """A statement with parts but no action."""
        if seen.findings or seen.results:
            lines = []
            for part in seen.parts:
                lines += self._emit(number, part, "", [])
            self._state(seen, lines)
            self._last = lines
            if not keep:
                self._focus, self._listing, self._pending = seen.parts, [], []
            return
        if keep:
            return
        if (
            statement.link != SENTENCE
            and all(part.weak for part in seen.parts)
            and seen.sides
            and (self._focus or self._last)
        ):
            self._comment(number, statement, seen)  # "pin pushed back, right pump"
            return
        shared_by = [
            (shared, part)
            for shared in self._listing
            for part in seen.parts
            if part.component in (self._only(shared) or (part.component,)) and not part.weak
        ]
        if shared_by and statement.link in (COMMA, JOIN):
            done = []
            for shared, part in shared_by:
                self._last = self._without_unsided(part)
                done += self._emit(number, part, shared.value, [shared], FOR_LIST)
            self._last, self._focus = [*self._last, *done], [*self._focus, *seen.parts]
            return
        if self.field in ("correction", "note") and (
            all(self._is(part, "words") for part in seen.parts) or counted(statement)
        ):
            listed = [part for place, part in self._pending if self._is(part, "with") and place >= number - 3]
            if counted(statement) and statement.link == JOIN:
                listed = [part for _, part in self._pending]
            self._last = []
            for part in [*listed, *seen.parts]:
                self._last += self._emit(number, part, "replace", [], FOR_PART_FROM_ELSEWHERE)
            self._pending, self._focus = [], seen.parts
            return
        self._pending.extend((number, part) for part in seen.parts)
        self._focus = seen.parts
        if statement.link != JOIN:
            self._last = []

    def _without_unsided(self, part: NotedPart) -> list[SuggestedLine]:
        """The last lines without those of the same part that wait for its side: "connector and wire, left"."""
        waiting = [
            one for one in self._last if part.sides and one.component == part.component and not one.side
        ]
        self._lines = [line for line in self._lines if not any(line is one for one in waiting)]
        return [line for line in self._last if not any(line is one for one in waiting)]
