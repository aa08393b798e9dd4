"""What one statement says by itself: parts, actions, findings, sides, and what it denies."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from fleetlog.wording.dictionary import Dictionary
from fleetlog.wording.note import Clause, Element
from fleetlog.wording.suggestion import FOR_MISSPELT, Span

_CAN_BE_DENIED = ("component", "action", "finding", "result", "trouble")
SIDES_TOGETHER = 8
"""Characters between two sides that are told in one breath: "left to right"."""

_REACH = 4
"""Elements that a negation reaches; "without" reaches one."""


@dataclass
class NotedPart:
    """A part named in a statement, with the sides said there."""

    component: str
    sides: tuple[str, ...]
    spans: list[Span]
    doubt: float = 0.0
    weak: bool = False
    implied: bool = False
    piece: bool = False
    name: tuple[str, ...] = ()

    @property
    def place(self) -> int:
        """Where its name starts in the note."""
        return self.spans[0][0] if self.spans else 0


@dataclass
class Observation:
    """What one statement says, before it is put together with the others.

    Attributes:
        parts: the parts it is about.
        actions, findings, results: what was done and found.
        sides, side_elements: the sides said, without directions of travel.
        failed: actions that were tried and failed.
        earlier: it speaks of another time.
        planned: it speaks of what is planned, advised, wanted or suspected.
        undone: it denies an action.
        denied_parts: parts named only to rule them out.
        minor: it speaks of things that are no parts.
        opened: it tells of taking apart to get at what is inside.
    """

    parts: list[NotedPart]
    actions: list[Element]
    findings: list[Element]
    results: list[Element]
    sides: tuple[str, ...]
    side_elements: list[Element]
    failed: list[Element] = field(default_factory=list)
    earlier: bool = False
    planned: bool = False
    undone: bool = False
    denied_parts: list[NotedPart] = field(default_factory=list)
    minor: bool = False
    opened: bool = False

    @property
    def side_spans(self) -> list[Span]:
        """Where the sides stand."""
        return [(side.start, side.end) for side in self.side_elements]


def observe(statement: Clause, dictionary: Dictionary, swap_is_test: bool) -> Observation:
    """What a statement says.

    Args:
        statement: the statement.
        dictionary: the words in force.
        swap_is_test: whether the note swaps parts only to see whether the fault follows.
    """
    denied, failed = _denials(statement)
    side_elements = sides_in(statement, dictionary)
    statement = _put_in(statement, dictionary)
    actions = [
        element
        for i, element in statement.of("action")
        if i not in denied and _counts(i, statement, dictionary)
    ]
    undone = any(statement.elements[i].kind == "action" for i in denied)
    parts = [] if undone and not actions else _parts(statement, side_elements, denied, dictionary)
    ruled_out = [
        NotedPart(element.value, *_sides_of(element, 1, side_elements), name=element.words)
        for i, element in statement.of("component")
        if i in denied and not undone and not element.weak
    ]
    earlier = any(
        (element.words != ("before",) or i + 1 == len(statement.elements))
        and (i == 0 or statement.elements[i - 1].kind != "not_done")
        for i, element in statement.of("earlier")
    )
    earlier = earlier or any(_by_others(action, statement, dictionary) for action in actions)
    opened = statement.has("access") or _taken_apart(statement, parts, dictionary)
    if opened and not actions:
        parts = [part for part in parts if part.component != dictionary.tables["inside"]["of"]]
    planned = _planned_from(statement, actions, dictionary)
    told = [e for _, e in statement.of("finding", "result") if e.end < planned]
    if planned < 10**9 and told and any(e.end < planned for _, e in statement.of("component")) and actions:
        before = tuple(element for element in statement.elements if element.end <= planned)
        return observe(replace(statement, elements=before), dictionary, swap_is_test)
    actions = [action for action in actions if action.start < planned]
    return Observation(
        parts=parts,
        actions=[_intend(action, statement, dictionary, swap_is_test) for action in actions],
        findings=_findings(statement, denied, dictionary),
        results=_results(statement, denied, dictionary),
        sides=values_of(side_elements),
        side_elements=side_elements,
        failed=failed,
        earlier=earlier,
        planned=planned < statement.elements[-1].end and not actions,
        undone=undone,
        denied_parts=ruled_out,
        minor=statement.has("minor"),
        opened=opened,
    )


def _sets_bound(statement: Clause, i: int, dictionary: Dictionary) -> bool:
    """Whether "should be" tells what a number should be."""
    after = statement.elements[i + 1 : i + 4]
    stated = " ".join([*statement.elements[i].words, *(after[0].words if after else ())])
    ranges = dictionary.words("bound", "range")
    said = " ".join(statement.elements[i].words) in ranges or stated in ranges
    return said and any(element.kind == "number" for element in after)


def _by_others(action: Element, statement: Clause, dictionary: Dictionary) -> bool:
    """Whether somebody else is told right before a step, or that it had been done: "dealer replaced", "had fitted"."""
    places = [i for i, element in enumerate(statement.elements) if element.start == action.start]
    helping = dictionary.words("earlier", "helping")
    i = places[0] - 1 if places else -1
    had = False
    while i >= 0 and statement.elements[i].words[-1] in helping:
        had = had or statement.elements[i].words[-1] == "had"
        i -= 1
    if action.words[0] in dictionary.words("base_form"):
        return False
    return had or (i >= 0 and statement.elements[i].words[-1] in dictionary.words("earlier", "others"))


def _put_in(statement: Clause, dictionary: Dictionary) -> Clause:
    """With "put … in" around a part taken as renewing it."""
    verbs = dictionary.words("put_in")
    elements = list(statement.elements)
    for i, element in enumerate(elements):
        if element.kind != "action" and len(element.words) == 1 and element.words[0] in verbs:
            after = elements[i + 1 : i + 9]
            inside = next(
                (k for k, other in enumerate(after) if other.words[-1] in ("in", "on", "into", "onto")), None
            )
            if inside is not None and any(other.kind in ("component", "seal") for other in after[:inside]):
                elements[i] = replace(element, kind="action", value="replace")
    return replace(statement, elements=tuple(elements))


def _planned_from(statement: Clause, actions: Sequence[Element], dictionary: Dictionary) -> int:
    """From which character on a statement speaks of what is planned.

    What was done stands before it, in a form that tells so: "installed the sensor ordered last week".
    """
    first = next(
        (
            element.start
            for i, element in statement.of("not_done")
            if not _sets_bound(statement, i, dictionary)
        ),
        None,
    )
    if first is None:
        return 10**9
    to_do = dictionary.words("base_form") | dictionary.words("beside_part", "adjectives")
    of_before = dictionary.words("not_done", "of_before")
    if any(" ".join(element.words) in of_before for _, element in statement.of("not_done")):
        return -1
    done = any(action.start < first and " ".join(action.words) not in to_do for action in actions)
    return first if done else -1


def _taken_apart(statement: Clause, parts: Sequence[NotedPart], dictionary: Dictionary) -> bool:
    """Whether the pump was taken out or opened to get at what is inside."""
    verbs = dictionary.words("access", "verbs")
    told = [e.start for e in statement.elements if len(e.words) == 1 and e.words[0] in verbs]
    pumps = [part.place for part in parts if part.component == dictionary.tables["inside"]["of"]]
    return bool(told and pumps) and min(told) < max(pumps)


# Sides.


def sides_in(statement: Clause, dictionary: Dictionary) -> list[Element]:
    """The sides said, without directions of travel ("pulls to the left"); "neither" speaks of both."""
    found = []
    for i, element in statement.of("side", "negation"):
        if element.kind == "negation":
            if element.words[0] == "neither" and i + 1 < len(statement.elements):
                found.append(replace(element, kind="side", value="both"))
            continue
        before = {other.kind for other in statement.elements[max(0, i - 3) : i]}
        after = statement.elements[i + 1].kind if i + 1 < len(statement.elements) else ""
        if "direction" in before and "component" not in before and after not in ("component", "access"):
            continue
        landmark = i and " ".join(statement.elements[i - 1].words) in dictionary.words("place", "vicinity")
        if landmark and after == "word" and i + 2 < len(statement.elements):
            following = statement.elements[i + 1].words[0]
            if following.isalpha() and following not in dictionary.words("filler"):
                continue  # "along the right frame rail": the rail's side
        found.append(element)
    return found


def values_of(sides: Sequence[Element]) -> tuple[str, ...]:
    """Sides as words of the store: "both" is left and right."""
    values = {side.value for side in sides}
    return ("left", "right") if "both" in values else tuple(sorted(values))


# What is denied.


def _denials(statement: Clause) -> tuple[set[int], list[Element]]:
    """Places of what a negation reaches or what only tells when, and the actions that were tried in vain."""
    elements = statement.elements
    denied: set[int] = set()
    failed: list[Element] = []
    for i, element in enumerate(elements):
        if element.kind == "cannot":
            tried = _next(elements, i + 1, len(elements), ("action",))
            if tried is not None:
                denied.add(tried)
                if elements[tried].value in ("calibrate", "adjust"):
                    failed.append(elements[tried])
        elif element.kind == "after":
            when = _next(elements, i + 1, i + 4, ("action",))
            judged = when is not None and any(e.kind == "result" for e in elements[when + 1 :])
            if when is not None and not judged and elements[when].words[0][-2:] not in ("ed", "ng"):
                denied.add(when)  # but "after calibration was good" tells of it
        elif element.kind == "negation" or element.words[0] == "neither":
            denied |= _denied_by(elements, i)
    return denied, failed


def _next(elements: Sequence[Element], start: int, end: int, kinds: tuple[str, ...]) -> int | None:
    places = range(start, min(len(elements), end))
    return next((i for i in places if elements[i].kind in kinds), None)


def _denied_by(elements: Sequence[Element], i: int) -> set[int]:
    """What the negation at place i denies: the first thing after it.

    Where that is a part, and trouble or an action follows, it is those: in "no wiring problem found" the
    wiring is there and the problem is not; "instead of" rules out the part alone.
    """
    word = elements[i].words[0]
    reach = 1 if word in ("without", "w/o") else _REACH
    first = _next(elements, i + 1, i + 1 + reach, _CAN_BE_DENIED)
    if first is None:
        return set()
    if elements[first].kind != "component" or word == "instead":
        return {first}
    then = _next(elements, first + 1, first + 4, ("trouble", "finding", "action"))
    if then is None:
        return {first}
    part_is_there = elements[then].kind != "action" or word == "neither"
    return {then} if part_is_there else {first, then}


# Actions, findings, verdicts.


def _counts(i: int, statement: Clause, dictionary: Dictionary) -> bool:
    """Whether an action word is one here: some are only beside a part or a number, or only before a part."""
    elements = statement.elements
    word = " ".join(elements[i].words)
    if word in dictionary.words("beside_part", "adjectives"):
        if len(elements) == 1:
            return word not in dictionary.words("beside_part", "passed")
        if i and i + 1 == len(elements) and elements[i - 1].kind == "component":
            return word not in dictionary.words("beside_part", "passed")  # "diesel filter new"
        if elements[i].value == "overhaul" and any(other.kind == "component" for other in elements[:i]):
            return True  # "the pump was overhauled"
        after = elements[i + 1 : i + 5]
        stop = ("place", "with", "finding", "result", "action")
        place = next((k for k, other in enumerate(after) if other.kind in stop), len(after))
        if not any(other.kind in ("component", "seal", "pronoun") for other in after[:place]):
            return False
        return elements[i].value != "overhaul" or not statement.has_action("replace")
    if elements[i].value == "adjust" and i and elements[i - 1].kind == "action":
        return elements[i - 1].value not in ("test", "inspect")  # "measured the tension"
    if word == "done":
        return i > 0 and elements[i - 1].kind == "component"
    if word == "did":
        beside = next((other for other in elements[i + 1 :] if other.kind != "side"), None)
        return beside is not None and beside.kind == "component" and not beside.weak
    on_it = elements[i].value != "test"
    if word in dictionary.words("beside_part"):
        if elements[i].value == "test" and any(other.kind == "result" for other in elements[i + 1 : i + 3]):
            return True
        return any(
            other.kind in ("component", "number", "seal") or (on_it and other.kind == "pronoun")
            for other in elements[max(0, i - 3) : i + 6]
        )
    return True


def _intend(action: Element, statement: Clause, dictionary: Dictionary, swap_is_test: bool) -> Element:
    """The action that is meant: a part whose seal was replaced was repaired, a swap may be a test."""
    if action.value == "replace" and statement.has("seal") and not _both_renewed(action, statement):
        return replace(action, value="repair")
    if action.value == "overhaul" and _is_adjective(action, statement):
        return replace(action, value="replace")
    after = [element.words for element in statement.elements if element.start > action.start]
    if ("back",) in after and " ".join(action.words) in dictionary.words("swap"):
        return replace(action, value="repair")  # "swapped the plugs back"
    if swap_is_test and " ".join(action.words) in dictionary.words("swap"):
        return replace(action, value="test")
    return action


def _both_renewed(action: Element, statement: Clause) -> bool:
    """Whether the part itself stands right after the word, before its piece: "new thermostat and gasket"."""
    after = statement.elements[statement.elements.index(action) + 1 :]
    named = next((other for other in after if other.kind in ("component", "seal")), None)
    piece = next((i for i, other in enumerate(after) if other.kind == "seal"), None)
    return (
        named is not None
        and named.kind == "component"
        and piece is not None
        and any(other.kind == "with" for other in after[:piece])
    )


def _is_adjective(action: Element, statement: Clause) -> bool:
    """Whether a word such as "rebuilt" stands right before its part, as another's work."""
    place = statement.elements.index(action) + 1
    if not 1 < place < len(statement.elements):
        return False
    following = statement.elements[place]  # with an article between, it is no adjective: "rebuilt the pump"
    return following.kind in ("component", "seal") and following.start <= action.end + 1


def _outranked(finding: str, dictionary: Dictionary) -> tuple[str, ...]:
    """Findings that say less of the same thing: green inside is more than wet inside."""
    return tuple(dictionary.tables["finding"].get(finding, {}).get("outranks", ()))


def _findings(statement: Clause, denied: set[int], dictionary: Dictionary) -> list[Element]:
    """What was found; a finding denied is that there was none, if no other was made."""
    made = [element for i, element in statement.of("finding") if i not in denied]
    none = [
        replace(element, kind="finding", value="no_fault_found")
        for i, element in statement.of("finding", "trouble")
        if i in denied
    ]
    found = [element for element in made if element.value != "no_fault_found"]
    less = {value for element in found for value in _outranked(element.value, dictionary)}
    found = [element for element in found if element.value not in less]
    return found or [*made, *none]


def _results(statement: Clause, denied: set[int], dictionary: Dictionary) -> list[Element]:
    results = [
        element if i not in denied else replace(element, value="failed")
        for i, element in statement.of("result")
        if (i not in denied or element.value == "passed")
        and not _takes_a_thing(statement, i)
        and not _says_how_much(statement, i)
    ]
    # "first time" passes alone; beside a verdict it only says when.
    results = [one for one in results if one.words[0] != "first" or len(results) == 1]
    verdicts = dictionary.words("beside_part", "passed")
    results += [
        replace(element, kind="result", value="passed")
        for i, element in statement.of("action")
        if " ".join(element.words) in verdicts and i not in denied and not _counts(i, statement, dictionary)
    ]
    return results


def _says_how_much(statement: Clause, i: int) -> bool:
    """Whether "bad" only tells how much, after what was found: "scored bad"."""
    elements = statement.elements
    return elements[i].words == ("bad",) and any(
        other.kind == "finding" for other in elements[max(0, i - 2) : i]
    )


def _takes_a_thing(statement: Clause, i: int) -> bool:
    """Whether "took" is no verdict but an act: "took the sensor off"."""
    if statement.elements[i].words == ("had", "it"):
        return i + 1 < len(statement.elements)  # "had it cleaned", where "has had it" ends what is said
    took = statement.elements[i].words[-1] in ("took", "takes")
    after = statement.elements[i + 1 : i + 3]
    return took and any(other.kind in ("component", "side", "pronoun", "access") for other in after)


# Parts.


def _parts(
    statement: Clause, sides: Sequence[Element], denied: set[int], dictionary: Dictionary
) -> list[NotedPart]:
    """The parts that the statement is about: the last word of a compound, not those that say where."""
    elements = statement.elements
    here = [(i, element) for i, element in statement.of("component") if i not in denied]
    elsewhere = dictionary.words("elsewhere", "pieces")
    short = dictionary.words("elsewhere", "short")
    outside = dictionary.words("elsewhere", "of")
    if any(not element.weak for _, element in here):
        here = [(i, element) for i, element in here if not element.weak]
    pronoun = next((i for i, _ in statement.of("pronoun") if not _one_of(elements, i)), None)
    kept: list[tuple[int, Element]] = []
    renewing = statement.has_action("replace")
    for i, element in here:
        about = i > 1 and elements[i - 2].kind in ("finding", "trouble")  # "no fault found with wiring"
        if i and elements[i - 1].kind == "with" and not about and not renewing and not kept:
            continue  # "load-tested it with a bulb"
        if not kept and _is_landmark(elements, i, dictionary):
            continue  # "chafed behind the tank"
        if kept and kept[-1][0] == i - 1:
            if kept[-1][1].value in outside and set(element.words) & (elsewhere | short):
                kept[-1] = (i, kept[-1][1])  # "bucket bushing" is no bushing of the pump
                continue
            kept[-1] = (i, element)  # "track sprocket": the last word is the thing
            continue
        since = kept[-1][0] if kept else pronoun
        if since is None or not _says_where(elements, since, i, bool(kept)):
            kept.append((i, element))
        elif (
            kept
            and element.value in outside
            and not any(other.kind == "with" for other in elements[kept[-1][0] : i])
            and set(kept[-1][1].words) & (elsewhere | short)
            and (kept[-1][0] == 0 or elements[kept[-1][0] - 1].kind != "component")
        ):
            kept[-1] = (kept[-1][0], replace(kept[-1][1], value=element.value))  # "bushing in the lift arm"
    return [
        NotedPart(
            element.value,
            *_sides_of(element, len(kept), sides),
            doubt=FOR_MISSPELT * element.guessed,
            weak=element.weak,
            piece=" ".join(element.words) in dictionary.words("seal", "parts"),
            name=element.words,
        )
        for _, element in kept
    ]


def _one_of(elements: Sequence[Element], i: int) -> bool:
    """Whether a pronoun only counts what follows: "one of the wires"."""
    return i + 1 < len(elements) and elements[i + 1].words == ("of",)


def _is_landmark(elements: Sequence[Element], i: int, dictionary: Dictionary) -> bool:
    """Whether a part only tells near what something is."""
    while i and elements[i - 1].kind == "side":
        i -= 1
    return i > 0 and " ".join(elements[i - 1].words) in dictionary.words("place", "vicinity")


def _says_where(elements: Sequence[Element], since: int, i: int, after_part: bool) -> bool:
    """Whether a part only says where another is: "plug at sensor", "connector LH sensor"."""
    between = elements[since + 1 : i]
    told = max(
        (k for k, other in enumerate(between) if other.kind in ("action", "finding", "result")), default=-1
    )
    if any(other.kind in ("place", "with") for other in between[told + 1 :]):
        return True
    side_first = since > 0 and elements[since - 1].kind == "side"
    return after_part and bool(between) and all(other.kind == "side" for other in between) and not side_first


def _sides_of(part: Element, parts: int, sides: Sequence[Element]) -> tuple[tuple[str, ...], list[Span]]:
    """The sides of one part and its spans: all said; with as many sides as parts, the nearest."""
    own = [(part.start, part.end)]
    single = {side.value for side in sides} - {"both"}
    beside = [side for side in sides if side.end + 1 == part.start or part.end + 1 == side.start]
    apart = len(sides) > 1 and sides[-1].start - sides[0].end > SIDES_TOGETHER
    if len(single) > 1 and apart and beside and beside[0].value != "both":
        sides = beside[:1]
    if parts > 1 and len(single) > 1 and len(sides) >= parts:
        sides = [min(sides, key=lambda side: abs(side.start - part.start))]
    return values_of(sides), [*own, *((side.start, side.end) for side in sides)]
