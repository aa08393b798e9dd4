"""Contrast and colour-blind safety of the palette, measured."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from fleetlog.charts import theme

# Simulation of full dichromacy, linear RGB: Machado, Oliveira & Fernandes 2009, table for severity 1.0.
VISIONS = {
    "full": np.eye(3),
    "protan": np.array(
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ]
    ),
    "deutan": np.array(
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ]
    ),
    "tritan": np.array(
        [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ]
    ),
}
# OKLab (Ottosson 2020): linear sRGB -> cone response -> lightness and two opponent axes.
TO_CONES = np.array(
    [
        [0.4122214708, 0.5363325363, 0.0514459929],
        [0.2119034982, 0.6806995451, 0.1073969566],
        [0.0883024619, 0.2817188376, 0.6299787005],
    ]
)
TO_LAB = np.array(
    [
        [0.2104542553, 0.7936177850, -0.0040720468],
        [1.9779984951, -2.4285922050, 0.4505937099],
        [0.0259040371, 0.7827717662, -0.8086757660],
    ]
)


def oklab(colour: str, vision: np.ndarray) -> np.ndarray:
    channels = np.array([int(colour[start : start + 2], 16) / 255 for start in (1, 3, 5)])
    linear = np.where(channels <= 0.04045, channels / 12.92, ((channels + 0.055) / 1.055) ** 2.4)
    return TO_LAB @ np.cbrt(TO_CONES @ np.clip(vision @ linear, 0, 1))


#: A page in the dark.
NIGHT = "#15191e"


def relative_luminance(colour: str) -> float:
    """Luminance of `#rrggbb`, 0 to 1 (WCAG 2.2)."""
    channels = [int(colour[start : start + 2], 16) / 255 for start in (1, 3, 5)]
    red, green, blue = (
        channel / 12.92 if channel <= 0.04045 else ((channel + 0.055) / 1.055) ** 2.4 for channel in channels
    )
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours, 1 to 21 (WCAG 2.2)."""
    lighter, darker = sorted((relative_luminance(one), relative_luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def test_contrast_of_known_pairs() -> None:
    # WCAG 2.2: black on white 21:1; #767676 is the lightest grey of 4.5:1 on white.
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#ffffff", "#767676") == pytest.approx(4.54, abs=0.01)
    assert contrast("#123456", "#123456") == 1.0


@pytest.mark.parametrize("colour", [*theme.SERIES, theme.NEUTRAL])
@pytest.mark.parametrize("ground", [theme.PAPER, NIGHT])
def test_every_hue_stands_out_on_paper_and_at_night(colour: str, ground: str) -> None:
    assert contrast(colour, ground) >= 3.0


@pytest.mark.parametrize("colour", [theme.INK, theme.MUTED])
def test_words_can_be_read_on_paper(colour: str) -> None:
    assert contrast(colour, theme.PAPER) >= 4.5


@pytest.mark.parametrize("vision", VISIONS)
def test_hues_stay_apart_for_every_reader(vision: str) -> None:
    seen = [oklab(colour, VISIONS[vision]) for colour in theme.SERIES]
    nearest = min(float(np.linalg.norm(one - other)) for one, other in combinations(seen, 2))
    assert nearest >= 0.1  # about five just noticeable differences of 0.02


def test_unknown_is_grey_and_so_is_what_has_no_hue_left() -> None:
    names = ["a", "unknown", "b", "c", "d", "e", "f", "g"]
    colours = theme.colour_of(names)
    assert colours["unknown"] == theme.NEUTRAL == colours["g"]
    assert [colours[name] for name in "abcdef"] == list(theme.SERIES)


def test_lines_fit_and_lose_no_word() -> None:
    text = "Internal bushings: half fail by 5,100\u00a0h as far as the record reaches in this yard"
    broken = theme.lines(text, 340, 16)
    assert " ".join(broken) == text
    assert max(len(line) for line in broken) * 16 * 0.53 <= 340
