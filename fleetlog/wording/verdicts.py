"""Which of the lines told a finding or a verdict speaks of, and whether it speaks of any."""

from __future__ import annotations

from fleetlog.wording.dictionary import Dictionary
from fleetlog.wording.note import Clause, Element
from fleetlog.wording.suggested_line import EXAMINED, SuggestedLine


def hosts_of_finding(
    lines: list[SuggestedLine], findings: list[Element], dictionary: Dictionary
) -> list[SuggestedLine]:
    """Of several steps on one part in a statement, the first that looked, else mends such a thing."""
    tables = dictionary.tables["finding"]
    mends = {step for finding in findings for step in tables.get(finding.value, {}).get("mended_by", ())}
    found: dict[tuple[str, str], SuggestedLine] = {}
    for line in lines:
        key = line.component, line.side
        before = found.get(key)
        if before is None or (
            before.action not in EXAMINED
            and (line.action in EXAMINED or (line.action in mends and before.action not in mends))
        ):
            found[key] = line
    return list(found.values())


def fails_by(finding: str, action: str, dictionary: Dictionary) -> frozenset[str]:
    """Parts of which a finding says that they failed: a roller blocked is stuck, a pump tested low."""
    table = dictionary.tables["finding"].get(finding, {})
    tested = table.get("failed_tested", ()) if action == "test" else ()
    return frozenset([*table.get("failed_on", ()), *tested])


def nearest_finding(findings: list[Element], line: SuggestedLine) -> Element:
    """The finding told nearest to where a line\'s words begin."""
    place = line.spans[0][0] if line.spans else 0
    return min(findings, key=lambda finding: abs(finding.start - place))


def is_attempt(result: Element, dictionary: Dictionary) -> bool:
    """Whether a verdict is one on an attempt, not on a part: "no change"."""
    return " ".join(result.words) in dictionary.words("attempt")


def speaks_of_nothing_else(statement: Clause, dictionary: Dictionary) -> bool:
    """Whether no word of a statement names another thing: "temperature ok" is no verdict on what came before."""
    filler = dictionary.words("filler")
    return all(
        element.kind != "word" or element.words[0] in filler or element.words[0][-1].isdigit()  # a number
        for element in statement.elements
    )
