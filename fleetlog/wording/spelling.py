"""Taking a misspelt word for the word that was meant, within so many changed letters."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from rapidfuzz.distance import OSA


@dataclass
class Speller:
    """Finds the nearest known word.

    Attributes:
        known: the words that may have been meant, with what they mean ("" where they are part of a phrase).
        leave_alone: words that are never taken for others.
        least_letters: shorter words are not corrected.
        two_from, three_from: from so many letters on, two or three changes are allowed.
    """

    known: Mapping[str, str]
    leave_alone: frozenset[str]
    least_letters: int
    two_from: int
    three_from: int
    _by_letter: dict[str, list[str]] = field(default_factory=dict, repr=False)
    _cache: dict[str, str | None] = field(default_factory=dict, repr=False)

    def __post_init__(self) -> None:
        for word in sorted(self.known):
            if len(word) >= self.least_letters - 1 and word.isalpha():
                self._by_letter.setdefault(word[0], []).append(word)

    def nearest(self, word: str) -> str | None:
        """The known word that was meant; None where none is near, or two of unlike meaning are equally near."""
        if word not in self._cache:
            self._cache[word] = self._search(word)
        return self._cache[word]

    def _search(self, word: str) -> str | None:
        if len(word) < self.least_letters or not word.isalpha() or word in self.leave_alone:
            return None
        allowed = 1 + (len(word) >= self.two_from) + (len(word) >= self.three_from)
        best: list[str] = []
        for candidate in self._by_letter.get(word[0], ()):
            changes = changed_letters(word, candidate, allowed)
            if changes < allowed:
                allowed, best = changes, [candidate]
            elif changes == allowed:
                best.append(candidate)
        as_long = [
            candidate for candidate in best if len(candidate) == len(word)
        ]  # letters swapped or mistaken
        best = as_long or best
        meanings = {self.known[candidate] for candidate in best}
        alike = len({_stem(candidate) for candidate in best}) == 1 or (
            len(meanings) == 1 and "" not in meanings
        )
        return best[0] if best and alike else None


def _stem(word: str) -> str:
    """Enough of a word to see that two candidates are forms of the same one."""
    return word[: max(4, len(word) - 3)]


def changed_letters(left: str, right: str, most: int) -> int:
    """Letters to insert, delete, replace or swap with the next one to make `left` into `right`.

    The optimal string alignment distance; `most` + 1 where it is greater than `most`.
    """
    return OSA.distance(left, right, score_cutoff=most)
