"""The page's colours against WCAG 2.2: contrast of text (1.4.3) and of graphics and controls (1.4.11).

Source: W3C Recommendation "Web Content Accessibility Guidelines 2.2", definitions of relative luminance and contrast
ratio; success criteria 1.4.3 (4.5:1 for text), 1.4.11 (3:1 for graphical objects and states), both level AA.
The worked ratios (black on white 21:1; #777777 on white 4.48:1, just short of 4.5) are from W3C's and common teaching.
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import monitor.status

CSS = (Path(monitor.status.__file__).parent / "static" / "page.css").read_text()
TEXT = [
    ("ink", "ground"),
    ("ink", "sheet"),
    ("soft", "ground"),
    ("soft", "sheet"),
    ("high", "ground"),
    ("medium", "ground"),
    ("low", "ground"),
    ("high", "hatch"),
    ("medium", "hatch"),
    ("low", "hatch"),
    ("ink", "high-wash"),
    ("ink", "medium-wash"),
    ("ink", "low-wash"),
    ("ground", "ink"),
    ("soft", "hatch-ground"),
    ("sheet", "dot"),
    ("ink", "hatch-ground"),
]
GRAPHICS = [("dot", "ground"), ("dot", "hatch"), ("soft", "sheet"), ("soft", "ground"), ("ink", "fluid")]


def _luminance(colour: str) -> float:
    """Relative luminance of an sRGB colour as WCAG 2.2 defines it."""
    digits = colour.lstrip("#")
    channels = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def _contrast(one: str, other: str) -> float:
    """Contrast ratio of two colours, 1 to 21."""
    lighter, darker = sorted((_luminance(one), _luminance(other)), reverse=True)
    return (lighter + 0.05) / (darker + 0.05)


def _palettes() -> dict[str, dict[str, str]]:
    blocks = re.findall(r":root \{(.*?)\}", CSS, flags=re.DOTALL)
    light, dark = (dict(re.findall(r"--([\w-]+): (#[0-9a-f]{6});", block)) for block in blocks[:2])
    return {"light": light, "dark": dark}


def test_the_formula_gives_the_known_ratios() -> None:
    assert _contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert _contrast("#777777", "#ffffff") == pytest.approx(4.48, abs=0.005)


def test_both_palettes_name_the_same_colours() -> None:
    palettes = _palettes()
    assert palettes["light"].keys() == palettes["dark"].keys()


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("front", "back"), TEXT)
def test_text_can_be_read(scheme: str, front: str, back: str) -> None:
    palette = _palettes()[scheme]
    assert _contrast(palette[front], palette[back]) >= 4.5


@pytest.mark.parametrize("scheme", ["light", "dark"])
@pytest.mark.parametrize(("front", "back"), GRAPHICS)
def test_drawings_can_be_made_out(scheme: str, front: str, back: str) -> None:
    palette = _palettes()[scheme]
    assert _contrast(palette[front], palette[back]) >= 3.0
