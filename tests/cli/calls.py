"""What a call of the command line gives back."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass


@dataclass(frozen=True)
class Done:
    code: int
    out: str
    err: str


Command = Callable[..., Done]
