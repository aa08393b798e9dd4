"""When a machine is kept from use for a fault, and what a qualified person checks before its release."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from pydantic import Field

from fleetlog.faults.reading import Patterns, Text


@dataclass(frozen=True)
class ReleaseItem:
    """One point of a release check.

    Attributes:
        item: the stored name, as a row of the table `release_checks` gives it.
        title: what is checked, in words.
    """

    item: Text
    title: Text


@dataclass(frozen=True)
class HoldRules:
    """Why the fault keeps a machine from use, and how that ends.

    Attributes:
        danger: what may happen, in one sentence.
        instruction: what to do, in half a sentence that begins with a verb.
        words: patterns (lower case, % = anything) of texts that tell of the danger without a code.
        unless: patterns of texts that deny it.
        release: what a qualified person checks before the machine goes back to use.
        words_days: for so many days a closed order's words count without a repair on record.
        source: where this comes from.
    """

    danger: Text
    instruction: Text
    words: Patterns = ()
    unless: Patterns = ()
    release: tuple[ReleaseItem, ...] = ()
    words_days: Annotated[int, Field(strict=True)] = 180
    source: str = "common practice, no source"
