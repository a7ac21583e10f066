"""Colours and sizes of everything drawn.

Colours are those of the palette in use: read them as ``theme.TEXT`` at the moment of drawing, and
keep none; ``use`` puts another palette in their place.

Sizes are in units of a 1920 x 1080 screen and grow with the window. On a 24-inch screen of that
size a pixel is 0.277 mm high: the digits of ``VALUE`` stand 12 mm, 20 minutes of arc at two metres.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import lru_cache

from livefit.view.words import Level

Color = tuple[float, float, float, float]


def rgb(code: str, alpha: float = 1.0) -> Color:
    """Colour of a hexadecimal code such as ``#1A2B3C``, components from 0 to 1."""
    red, green, blue = (int(code[i : i + 2], 16) / 255 for i in (1, 3, 5))
    return (red, green, blue, alpha)


@lru_cache(256)
def mixed(color: Color, ground: Color, share: float) -> Color:
    """``share`` of the colour, the rest of the ground."""
    red, green, blue = (
        share * c + (1 - share) * g for c, g in zip(color[:3], ground, strict=False)
    )
    return (red, green, blue, 1.0)


def faded(color: Color, alpha: float) -> Color:
    """The colour, letting ``1 - alpha`` of the ground through."""
    return (*color[:3], alpha)


@dataclass(frozen=True)
class Palette:
    """One set of colours for everything drawn."""

    ground: Color
    panel: Color
    line: Color
    """Axes, edges, rules: 3:1 against the ground and the panels."""
    text: Color
    quiet: Color
    """Captions and what is not of this moment."""
    within: Color
    below: Color
    above: Color
    unsure: Color
    band: Color
    band_edge: Color
    care: Color
    bad: Color
    near: Color
    far: Color
    crank: Color


PALETTES = {
    "dark": Palette(
        ground=rgb("#0E1420"),
        panel=rgb("#182131"),
        line=rgb("#74839B"),
        text=rgb("#F2F5FA"),
        quiet=rgb("#99AACD"),
        within=rgb("#65D0BE"),
        below=rgb("#82A8FF"),
        above=rgb("#FFA24D"),
        unsure=rgb("#E8E0B9"),
        band=rgb("#36507A"),
        band_edge=rgb("#9DB8E6"),
        care=rgb("#FFD166"),
        bad=rgb("#FF8A70"),
        near=rgb("#F2F5FA"),
        far=rgb("#7E8DA6"),
        crank=rgb("#B9A7FF"),
    ),
    "light": Palette(
        ground=rgb("#E6EBF2"),
        panel=rgb("#FAFBFD"),
        line=rgb("#6C7A90"),
        text=rgb("#141B26"),
        quiet=rgb("#36495D"),
        within=rgb("#0F705F"),
        below=rgb("#2853CD"),
        above=rgb("#AA4100"),
        unsure=rgb("#533E16"),
        band=rgb("#C6D6F0"),
        band_edge=rgb("#4A6CA8"),
        care=rgb("#7A5200"),
        bad=rgb("#A92A1A"),
        near=rgb("#1A2433"),
        far=rgb("#5B6A82"),
        crank=rgb("#6A4FD0"),
    ),
}

GROUND: Color
PANEL: Color
LINE: Color
TEXT: Color
QUIET: Color
WITHIN: Color
BELOW: Color
ABOVE: Color
UNSURE: Color
BAND: Color
BAND_EDGE: Color
CARE: Color
BAD: Color
NEAR: Color
FAR: Color
CRANK: Color
VERDICT: dict[str, Color]
LEVEL: dict[Level, Color]
in_use = "dark"
"""Name of the palette that the colours above are from."""


def use(name: str) -> None:
    """Draw with the palette of this name from now on; a panel shows it when it next draws anew.

    Raises
    ------
    ValueError
        There is no such palette.
    """
    if name not in PALETTES:
        raise ValueError(f"expected a theme of {', '.join(PALETTES)}, got {name!r}")
    palette = PALETTES[name]
    globals().update({f.name.upper(): getattr(palette, f.name) for f in fields(palette)})
    globals().update(
        in_use=name,
        VERDICT={
            "below": palette.below,
            "within": palette.within,
            "above": palette.above,
            "unsure": palette.unsure,
            "unknown": palette.quiet,
        },
        LEVEL={"note": palette.below, "care": palette.care, "bad": palette.bad},
    )


def toggle() -> None:
    """Use the next palette."""
    names = list(PALETTES)
    use(names[(names.index(in_use) + 1) % len(names)])


use(in_use)

MESSAGE_TINT = 0.16
"""How much of its level's colour the ground of a message takes on."""

VALUE = 59.0
READOUT = 46.0
TITLE = 29.0
BODY = 26.0
SMALL = 22.0
CAPTION = 20.0

CAP_HEIGHT = 1462 / 2048
"""Height of capitals and digits over the size of the type (OpenSans)."""
BOLD = 0.012
"""How far the outlines of bold glyphs are pushed outward, em."""
