"""What a terminal gets: no control characters that came with the data, and only letters that it has."""

from __future__ import annotations

import codecs
import os
import re
import shutil
import sys
import unicodedata
from contextlib import suppress

# All that could move the cursor, change colours or titles, or turn the direction of writing.
_CONTROL = re.compile("[\x00-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u202a-\u202e\u2066-\u2069]")

_GREEK = "alpha beta gamma delta epsilon eta theta kappa lambda mu nu pi rho sigma tau phi chi psi omega"

_PLAIN = {
    **{"–": "-", "—": "-", "−": "-", "⁻": "^-", "‑": "-", "…": "...", "·": ".", "•": "*", "×": "x", "÷": "/"},
    **{"’": "'", "‘": "'", "“": '"', "”": '"', "′": "'", "→": "->", "≤": "<=", "≥": ">=", "≈": "~"},
    **{"¦": "|", "√": "sqrt", "∑": "sum", "Σ": "sum", "∏": "prod", "∫": "int", "∞": "inf", "≠": "!="},
    **{"∈": "in", "█": "#", "▇": "#", "░": ".", "─": "-", "│": "|", "└": "`", "├": "|", "\u202f": " "},
    **dict(zip("αβγδεηθκλμνπρστφχψω", _GREEK.split(), strict=True)),
    **{"Γ": "Gamma", "Δ": "Delta", "Λ": "Lambda", "Φ": "Phi", "Ω": "Omega"},
}


def screen_width() -> int | None:
    """Letters that a line of the screen has; None where nobody looks on and COLUMNS does not say."""
    if not (sys.stdout.isatty() or os.environ.get("COLUMNS", "").isdigit()):
        return None
    return max(shutil.get_terminal_size().columns, _LEAST_WIDTH)


_LEAST_WIDTH = 40


def shown(text: str) -> str:
    """Text whose control characters are shown (as \\x1b) and not sent; line ends and tabs stay."""
    return _CONTROL.sub(
        lambda found: f"\\x{ord(found[0]):02x}" if ord(found[0]) < 256 else f"\\u{ord(found[0]):04x}",
        text.replace("\r\n", "\n"),
    )


def fit_code_pages() -> None:
    """Lets a terminal of an old code page show the nearest that it has, in place of an error."""
    codecs.register_error("fleetlog.nearest", _nearest)
    for stream in (sys.stdout, sys.stderr):
        reconfigure = getattr(stream, "reconfigure", None)
        if reconfigure and stream.errors != "fleetlog.nearest":
            with suppress(OSError):  # one that was opened as something else
                reconfigure(errors="fleetlog.nearest")


def _nearest(error: UnicodeError) -> tuple[str, int]:
    if not isinstance(error, UnicodeEncodeError):
        raise error
    return "".join(map(_letter, error.object[error.start : error.end])), error.end


def _letter(letter: str) -> str:
    plain = _PLAIN.get(letter) or unicodedata.normalize("NFKD", letter).encode("ascii", "ignore").decode()
    return plain or f"\\u{ord(letter):04x}"
