"""Colours are legible for everyone: contrast by the rule, colour blindness by simulation."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from trimkeep.reports.palette import (
    DARK,
    LIGHT,
    PRINT,
    Palette,
    contrast,
    css_variables,
    follow_the_page,
    linear_rgb,
)

# Machado, Oliveira, Fernandes, "A Physiologically-based Model for Simulation of Color Vision Deficiency",
# IEEE TVCG 15(6), 2009, severity 1.0; from memory. Each row sums to one, so that grey stays grey.
BLINDNESS = {
    "protanopia": [
        [0.152286, 1.052583, -0.204868],
        [0.114503, 0.786281, 0.099216],
        [-0.003882, -0.048116, 1.051998],
    ],
    "deuteranopia": [
        [0.367322, 0.860646, -0.227968],
        [0.280085, 0.672501, 0.047413],
        [-0.011820, 0.042940, 0.968881],
    ],
    "tritanopia": [
        [1.255528, -0.076749, -0.178779],
        [-0.078411, 0.930809, 0.147602],
        [0.004733, 0.691367, 0.303900],
    ],
}
# sRGB to XYZ (IEC 61966-2-1) and the D65 white.
TO_XYZ = np.array([[0.4124, 0.3576, 0.1805], [0.2126, 0.7152, 0.0722], [0.0193, 0.1192, 0.9505]])
WHITE = np.array([0.9505, 1.0, 1.089])
# About 2.3 is just noticeable (Mahy 1994); several times that is told apart at a glance on small marks.
CLEARLY_DIFFERENT = 15.0
PALETTES = [LIGHT, DARK, PRINT]


def lab(linear: np.ndarray) -> np.ndarray:
    """CIE L*a*b* of linear-light sRGB."""
    ratio = TO_XYZ @ np.clip(linear, 0.0, 1.0) / WHITE
    root = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    return np.array([116 * root[1] - 16, 500 * (root[0] - root[1]), 200 * (root[1] - root[2])])


def seen_difference(first: str, second: str, blindness: str) -> float:
    """Colour difference (CIE 1976) as someone with the given blindness sees it."""
    matrix = np.array(BLINDNESS[blindness])
    one, other = (lab(matrix @ np.array(linear_rgb(colour))) for colour in (first, second))
    return float(np.linalg.norm(one - other))


@pytest.mark.parametrize("palette", PALETTES)
@pytest.mark.parametrize("ground", ["paper", "slip"])
@pytest.mark.parametrize("text", ["ink", "soft", "worse", "better"])
def test_text_meets_wcag_aa(palette: Palette, ground: str, text: str) -> None:
    # WCAG 2.1, success criterion 1.4.3: 4.5 to 1 for text.
    assert contrast(getattr(palette, text), getattr(palette, ground)) >= 4.5


def test_contrast_agrees_with_known_pairs() -> None:
    # Black on white is 21 by definition; #767676 is the well-known lightest grey that passes on white (4.54).
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0, abs=1e-9)
    assert contrast("#767676", "#ffffff") == pytest.approx(4.54, abs=0.005)


@pytest.mark.parametrize("palette", PALETTES)
@pytest.mark.parametrize("blindness", BLINDNESS)
@pytest.mark.parametrize("pair", [("worse", "better"), ("worse", "soft"), ("better", "soft")])
def test_verdicts_stay_apart_for_the_colour_blind(
    palette: Palette, blindness: str, pair: tuple[str, str]
) -> None:
    first, second = (getattr(palette, name) for name in pair)
    assert seen_difference(first, second, blindness) >= CLEARLY_DIFFERENT


def test_simulation_confuses_what_it_should() -> None:
    # A red and a green of like lightness fall together without the middle cones; the check can fail.
    assert seen_difference("#b85c00", "#7d7a00", "deuteranopia") < CLEARLY_DIFFERENT
    for matrix in BLINDNESS.values():
        assert np.allclose(np.sum(matrix, axis=1), 1.0, atol=1e-4)


def test_drawings_follow_the_page() -> None:
    assert follow_the_page(f"fill: {LIGHT.worse.upper()}") == "fill: var(--worse)"
    sheet = css_variables()
    places = [sheet.index(one.paper) for one in PALETTES]
    assert all(earlier < later for earlier, later in pairwise(places))
