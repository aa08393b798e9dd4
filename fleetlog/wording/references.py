"""What a statement leaves out and those before it supply: sides, parts named in short."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

from fleetlog.wording.note import JOIN, SENTENCE, Clause
from fleetlog.wording.note_state import NoteState
from fleetlog.wording.objects import noun
from fleetlog.wording.observations import NotedPart, Observation, observe
from fleetlog.wording.suggestion import FOR_SIDE_FROM_ELSEWHERE

REMEMBERED = 40
"""Parts named before that a short name may stand for."""


class References(NoteState):
    """A note of which the parts and sides spoken of are known."""

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
