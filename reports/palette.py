"""The colours of every page and plot, light and dark, with the arithmetic that keeps them legible.

Colour never stands alone: verdicts also differ by shape and word. The two that carry opposite
meanings are a burnt orange and a deep blue, which the three common forms of colour blindness keep
apart (tested by simulation).
"""

from __future__ import annotations

import re
from dataclasses import asdict, dataclass


@dataclass(frozen=True, slots=True)
class Palette:
    """One set of colours, each `#rrggbb`.

    `paper` is the ground, `slip` a slightly different ground for notes, `ink` the text, `soft`
    secondary text, `hairline` rules that need not be read, `rule` the ledger's margin line.
    """

    paper: str
    slip: str
    ink: str
    soft: str
    hairline: str
    rule: str
    worse: str
    better: str


LIGHT = Palette(
    paper="#fbf8f1",
    slip="#f1ebde",
    ink="#211f1b",
    soft="#5c564b",
    hairline="#d8d0bf",
    rule="#d3a18c",
    worse="#9a3710",
    better="#0b567c",
)
DARK = Palette(
    paper="#191b1e",
    slip="#24272b",
    ink="#ece7db",
    soft="#b3ac9d",
    hairline="#3d4045",
    rule="#7a5646",
    worse="#f3966b",
    better="#7fc3ea",
)
# Paper is white when printed; tints would only cost ink.
PRINT = Palette(
    paper="#ffffff",
    slip="#ffffff",
    ink="#000000",
    soft="#444038",
    hairline="#bbb5a6",
    rule="#c09a8a",
    worse="#8a2f0b",
    better="#084a6c",
)


def css_variables() -> str:
    """The palettes as CSS custom properties: light, dark on request of the reader, print."""
    return "\n".join(
        (
            f":root{{color-scheme:light dark;{_declarations(LIGHT)}}}",
            f"@media (prefers-color-scheme:dark){{:root{{{_declarations(DARK)}}}}}",
            f"@media print{{:root{{color-scheme:light;{_declarations(PRINT)}}}}}",
        )
    )


def _declarations(palette: Palette) -> str:
    return "".join(f"--{name}:{colour};" for name, colour in asdict(palette).items())


_NAMES = {colour: name for name, colour in asdict(LIGHT).items()}
_ANY_LIGHT_COLOUR = re.compile("|".join(map(re.escape, _NAMES)), re.IGNORECASE)


def follow_the_page(svg: str) -> str:
    """A drawing made in light colours, its colours replaced by the page's own, dark or printed."""
    return _ANY_LIGHT_COLOUR.sub(lambda found: f"var(--{_NAMES[found.group().lower()]})", svg)


def verdict_colour(verdict: str, palette: Palette = LIGHT) -> str:
    """Colour of a verdict; what needs a hand is ink itself, set apart by its mark."""
    if verdict == "worse":
        return palette.worse
    if verdict == "better":
        return palette.better
    return palette.ink if verdict == "attention" else palette.soft


def linear_rgb(colour: str) -> tuple[float, float, float]:
    """Linear-light red, green and blue, 0..1, of `#rrggbb` (IEC 61966-2-1)."""
    channels = (int(colour[start : start + 2], 16) / 255.0 for start in (1, 3, 5))
    red, green, blue = (
        value / 12.92 if value <= 0.04045 else ((value + 0.055) / 1.055) ** 2.4 for value in channels
    )
    return red, green, blue


def contrast(first: str, second: str) -> float:
    """Contrast ratio of two colours, 1..21 (WCAG 2.1, definition of contrast ratio)."""
    lights = sorted(
        0.2126 * red + 0.7152 * green + 0.0722 * blue
        for red, green, blue in (linear_rgb(first), linear_rgb(second))
    )
    return (lights[1] + 0.05) / (lights[0] + 0.05)
