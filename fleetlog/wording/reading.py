"""The statements of a note put together: what was done to which part, on which side, and what was found.

The statements are taken in the order of reading; what one leaves out, those before it supply.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from itertools import pairwise

from fleetlog.wording.dictionary import Dictionary
from fleetlog.wording.measuring import bounds_in, measured_in, numbers_in
from fleetlog.wording.note import BREAK, COMMA, JOIN, SENTENCE, Clause, Element
from fleetlog.wording.objects import (
    both_of_them,
    counted,
    distinct,
    done_to_another,
    element_after,
    group_sides,
    noun,
    objects,
    with_sides,
)
from fleetlog.wording.observations import NotedPart, Observation, observe
from fleetlog.wording.suggested_line import EXAMINED, MENDED, SuggestedLine, drop_refits, unite
from fleetlog.wording.suggestion import (
    FOR_DOUBT,
    FOR_LIST,
    FOR_MISSPELT,
    FOR_PART_FROM_ELSEWHERE,
    FOR_PART_IMPLIED,
    FOR_SIDE_FROM_ELSEWHERE,
)
from fleetlog.wording.verdicts import (
    fails_by,
    hosts_of_finding,
    is_attempt,
    nearest_finding,
    speaks_of_nothing_else,
)

TRIED = ("calibrate", "test", "adjust")
"""Steps that pass or fail."""

REMEMBERED = 40
"""Parts named before that a short name may stand for."""

BEING = frozenset(
    {"is", "was", "it's", "its", "isn't", "isnt", "wasn't", "wasnt", "aren't", "weren't", "that's", "it"}
)


class Reading:
    """One note being read."""

    def __init__(self, statements: list[Clause], field_name: str, dictionary: Dictionary) -> None:
        self.statements = statements
        self.field = field_name
        self.dictionary = dictionary
        self.unsided = dictionary.words("no_side", "components")
        self.inside = frozenset(dictionary.tables["inside"]["components"])
        self.container = str(dictionary.tables["inside"]["of"])
        self._lines: list[SuggestedLine] = []
        self._pending: list[tuple[int, NotedPart]] = []
        self._focus: list[NotedPart] = []  # the parts last spoken of
        self._last: list[SuggestedLine] = []  # the lines last made
        self._copula = False  # a verdict is said of the part: "is good"
        self._listing: list[Element] = []  # actions that a following part in the list shares
        self._planned = False  # what follows in the list is planned too
        self._earlier = False  # and so for what was done before
        self._named: list[NotedPart] = []  # all parts named so far
        self._measured: list[SuggestedLine] = []  # the tests whose numbers were told last
        self._values: list[float] = []  # and those numbers
        self._bounds: tuple[float, float, int] | None = None  # what they should be
        self._header: tuple[str, ...] = ()  # the side that a heading names
        self._headed: NotedPart | None = None  # and its part
        self._opened = False
        self._opened_sides: tuple[str, ...] = ()
        self._sentence = 0  # the statement with which the sentence began
        self._pump_sides: tuple[str, ...] = ()  # the side of the pump last named, for what is inside
        self._swaps = dictionary.words("swap")
        self._swapped_across = self._says_any(dictionary.words("swap", "across"))
        self._fault_stayed = self._says_any(dictionary.words("swap", "stayed"))
        self._swap_is_test = self._says_any(dictionary.words("swap", "test"))

    def _says_any(self, phrases: Iterable[str]) -> bool:
        said = " ".join(" ".join(e.words) for s in self.statements for e in s.elements)
        spoken = f" {said} "
        return any(f" {phrase} " in spoken for phrase in phrases)

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

    def _looked(self) -> bool:
        return any(line.action in EXAMINED for line in self._last)

    @staticmethod
    def _says_being(statement: Clause) -> bool:
        """Whether it says what is or is not, and so rules a part out: "it's not the sensor"."""
        said = {word for element in statement.elements for word in element.words}
        return bool(said & BEING)

    def _head(self, statement: Clause, seen: Observation) -> None:
        """Takes note of a side that stands over what follows: "Left pump: new sensor, calibrated"."""
        if statement.link == SENTENCE:
            told = seen.actions or seen.findings or seen.results or seen.failed or seen.opened
            over = all(element.kind in ("side", "component") for element in statement.elements)
            over = over and not told
            self._header = (
                seen.sides if over and (statement.heading or all(p.weak for p in seen.parts)) else ()
            )
            self._headed = seen.parts[0] if over and statement.heading and seen.parts else None
        elif self._headed and not seen.parts and statement.has("seal"):
            seen.parts = [replace(self._headed, piece=True)]

    def _open(self, seen: Observation) -> None:
        """Takes note of a pump taken apart, and on which side."""
        if not seen.opened:
            return
        self._opened = True
        self._opened_sides = seen.sides or self._opened_sides

    def _goes_on(self, statement: Clause, seen: Observation) -> bool:
        """Whether a statement goes on with what is planned: a list of parts, or of things to do."""
        if statement.link not in (COMMA, JOIN):
            return False
        if self.field == "complaint" and statement.link == JOIN:
            return True
        to_do = self.dictionary.words("base_form")
        return all(" ".join(a.words) in to_do for a in seen.actions) and not (seen.findings or seen.results)

    def _inherit_sides(self, seen: Observation) -> None:
        """The side of an opened pump for what is inside it; of a part, where it was named with one before."""
        read = self.dictionary.words("voltage", "near")
        for k, part in enumerate(seen.parts):
            if part.sides or part.component in self.unsided:
                continue
            sides = self._header or (self._inner_sides(part))
            if not sides:
                same = {
                    one.sides
                    for one in self._named[: len(self._named) - len(seen.parts)]
                    if one.component == part.component
                    and (noun(one) == noun(part) or read & set(part.name[1:]))
                }
                sides = same.pop() if len(same) == 1 else ()
            if sides:
                seen.parts[k] = replace(part, sides=sides, doubt=part.doubt + FOR_SIDE_FROM_ELSEWHERE)

    def _inner_sides(self, part: NotedPart) -> tuple[str, ...]:
        """Of what is inside a pump, the side of the pump opened, else of the one last named."""
        return (self._opened_sides or self._pump_sides) if part.component in self.inside else ()

    def _share_next(self, number: int, statement: Clause, seen: Observation) -> None:
        """Of a verb alone, the part of the verb joined to it: "cleaned and tightened the terminals"."""
        alone = all(element.kind == "action" for element in statement.elements)
        new = statement.link == SENTENCE or not self._focus
        if not (alone and new and number + 1 < len(self.statements)):
            return
        following = self.statements[number + 1]
        if following.link == JOIN and following.elements[0].kind == "action" and len(seen.actions) == 1:
            then = observe(following, self.dictionary, self._swap_is_test)
            if then.parts and len(then.actions) == 1 and then.actions[0].start < then.parts[0].place:
                seen.parts, seen.sides = then.parts, then.sides

    def _point_back(self, statement: Clause, seen: Observation) -> None:
        """ "On that side": the side last said of a part."""
        words = [element.words[-1] for element in statement.elements]
        pointing = any(pair in (("that", "side"), ("same", "side")) for pair in pairwise(words))
        sides = next((part.sides for part in reversed(self._named) if part.sides), ())
        if pointing and not seen.sides and sides:
            seen.sides = sides
            seen.parts = [replace(part, sides=part.sides or sides) for part in seen.parts]

    def _refer(self, statement: Clause, seen: Observation) -> None:
        """What a short name stands for after a longer one: a hose after the coolant hose, pins after the bucket."""
        pieces = self.dictionary.words("elsewhere", "short")
        foreign = self.dictionary.words("elsewhere", "pieces")
        companions = self.dictionary.words("companion"), self.dictionary.words("companion", "of")
        for k, part in enumerate(seen.parts):
            name = " ".join(part.name)
            full = next((one for one in reversed(self._named) if noun(one) == noun(part)), None)
            focused = {one.component for one in self._focus}
            headed = self._headed.component if self._headed else self.container
            of_heading = name in foreign and headed not in (self.container, part.component)
            if full is not None and len(part.name) == 1 and full.component != part.component:
                seen.parts[k] = replace(part, component=full.component, weak=False, piece=False)
            elif of_heading or (statement.link != SENTENCE and name in pieces and focused == {"other"}):
                seen.parts[k] = replace(part, component="other", piece=False)
            elif name in companions[0] and self._focus and self._focus[-1].component in companions[1]:
                seen.parts[k] = replace(part, component=self._focus[-1].component, weak=False)
        self._named = [*self._named, *seen.parts][-REMEMBERED:]

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

    def _only(self, action: Element) -> tuple[str, ...]:
        return tuple(self.dictionary.tables["action"].get(action.value, {}).get("only", ()))

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

    def _is(self, part: NotedPart, key: str) -> bool:
        return part.name[-1] in self.dictionary.words("consumable", key) if part.name else False

    def _without_unsided(self, part: NotedPart) -> list[SuggestedLine]:
        """The last lines without those of the same part that wait for its side: "connector and wire, left"."""
        waiting = [
            one for one in self._last if part.sides and one.component == part.component and not one.side
        ]
        self._lines = [line for line in self._lines if not any(line is one for one in waiting)]
        return [line for line in self._last if not any(line is one for one in waiting)]

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

    def _emit(
        self, number: int, part: NotedPart, action: str, elements: list[Element], extra: float = 0.0
    ) -> list[SuggestedLine]:
        sides = ("",) if part.component in self.unsided else part.sides or ("",)
        made = [
            SuggestedLine(
                part.component,
                action,
                side,
                [*part.spans, *((e.start, e.end) for e in elements)],
                part.doubt + extra + FOR_MISSPELT * sum(e.guessed for e in elements),
                statement=number,
                place=min((e.start for e in elements), default=0),
            )
            for side in sides
        ]
        self._lines.extend(made)
        return made

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
