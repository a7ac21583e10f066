"""Colours and sizes of the dashboard.

Sizes are in units of a 1920 x 1080 screen and grow with the window. On a 24-inch screen of that
size a pixel is 0.277 mm high: the digits of ``VALUE`` stand 12 mm, 20 minutes of arc at two metres.
"""

from __future__ import annotations

from livefit.view.words import Level

Color = tuple[float, float, float, float]


def rgb(code: str, alpha: float = 1.0) -> Color:
    """Colour of a hexadecimal code such as ``#1A2B3C``, components from 0 to 1."""
    red, green, blue = (int(code[i : i + 2], 16) / 255 for i in (1, 3, 5))
    return (red, green, blue, alpha)


def mixed(color: Color, ground: Color, share: float) -> Color:
    """``share`` of the colour, the rest of the ground."""
    red, green, blue = (
        share * c + (1 - share) * g for c, g in zip(color[:3], ground, strict=False)
    )
    return (red, green, blue, 1.0)


def faded(color: Color, alpha: float) -> Color:
    """The colour, letting ``1 - alpha`` of the ground through."""
    return (*color[:3], alpha)


GROUND = rgb("#0E1420")
PANEL = rgb("#182131")
LINE = rgb("#74839B")
"""Axes, edges, rules: 3:1 against the ground and the panels."""

TEXT = rgb("#F2F5FA")
QUIET = rgb("#B3BFD1")
"""Captions and what is not of this moment."""

WITHIN = rgb("#4FD1C5")
BELOW = rgb("#7AA7FF")
ABOVE = rgb("#FFA24D")
UNSURE = rgb("#E3DCC0")

VERDICT = {
    "below": BELOW,
    "within": WITHIN,
    "above": ABOVE,
    "unsure": UNSURE,
    "unknown": QUIET,
}
BAND = rgb("#36507A")
BAND_EDGE = rgb("#9DB8E6")
LEVEL: dict[Level, Color] = {"note": BELOW, "care": rgb("#FFD166"), "bad": rgb("#FF8A70")}
MESSAGE_TINT = 0.16
"""How much of its level's colour the ground of a message takes on."""

NEAR = rgb("#F2F5FA")
FAR = rgb("#7E8DA6")
CRANK = rgb("#B9A7FF")

VALUE = 59.0
VERDICT_WORD = 48.0
READOUT = 46.0
MESSAGE = 56.0
TITLE = 29.0
BODY = 26.0
SMALL = 22.0
CAPTION = 20.0

CAP_HEIGHT = 0.714
"""Height of capitals and digits over the size of the type (OpenSans: 1462 of 2048 units)."""
BOLD = 0.012
"""How far the outlines of bold glyphs are pushed outward, em."""
