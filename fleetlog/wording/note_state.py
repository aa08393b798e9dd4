"""What is remembered of a note while its statements are read in order."""

from __future__ import annotations

from collections.abc import Iterable

from fleetlog.wording.dictionary import Dictionary
from fleetlog.wording.note import Clause, Element
from fleetlog.wording.observations import NotedPart
from fleetlog.wording.suggested_line import SuggestedLine
from fleetlog.wording.suggestion import FOR_MISSPELT


class NoteState:
    """One note being read, as far as it has been read."""

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

    def _only(self, action: Element) -> tuple[str, ...]:
        return tuple(self.dictionary.tables["action"].get(action.value, {}).get("only", ()))

    def _is(self, part: NotedPart, key: str) -> bool:
        return part.name[-1] in self.dictionary.words("consumable", key) if part.name else False

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
