"""Pictures of estimates against the truth, side by side."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

from PIL import Image, ImageDraw, ImageFont

from livefit.frames import FloatArray

_SIZE, _EDGE, _SPAN = 520, 70, 5.0


def scatter(panels: Mapping[str, FloatArray], what: str, found: str, foot: str, path: Path) -> None:
    """Save a picture.

    Parameters
    ----------
    panels
        Title -> (n, 4): truth, estimate, and the ends of its 95 % interval.
    what, found, foot
        Words along the bottom of each panel, over it, and under all.
    path
        Where the PNG goes.
    """
    image = Image.new("RGB", (len(panels) * _SIZE, _SIZE + 40), "white")
    draw, font = ImageDraw.Draw(image), ImageFont.load_default(16)
    for k, (title, shown) in enumerate(panels.items()):
        left, scale = k * _SIZE + _EDGE, (_SIZE - 2 * _EDGE) / (2 * _SPAN)

        def at(x: float, y: float, left: int = left, scale: float = scale) -> tuple[float, float]:
            return left + (x + _SPAN) * scale, _EDGE + (_SPAN - y) * scale

        draw.rectangle([at(-_SPAN, _SPAN), at(_SPAN, -_SPAN)], outline="#888888")
        for mark in (-4, -2, 0, 2, 4):
            draw.text(at(mark, -_SPAN - 0.35), f"{mark}", "black", font, anchor="mm")
            draw.text(at(-_SPAN - 0.35, mark), f"{mark}", "black", font, anchor="mm")
        for truth, _, low, high in shown.tolist():
            draw.line((at(truth, max(low, -_SPAN)), at(truth, min(high, _SPAN))), fill="#dfe7ec")
        for truth, by, low, high in shown.tolist():
            x, y = at(truth, by)
            colour = "#2a6f97" if low <= truth <= high else "#c1121f"
            draw.ellipse([x - 2, y - 2, x + 2, y + 2], fill=colour)
        draw.line([at(-_SPAN, -_SPAN), at(_SPAN, _SPAN)], fill="#888888")
        draw.text(at(0, _SPAN + 0.5), title, "black", font, anchor="mm")
        draw.text(at(0, -_SPAN - 0.9), what, "black", font, anchor="mm")
        draw.text((left - _EDGE + 6, 8), found, "black", font)
    middle = len(panels) * _SIZE / 2
    draw.text((middle, _SIZE + 20), foot, "black", font, anchor="mm")
    image.save(path)
