"""Pictures drawn as inline SVG: elements, texts, marks and the shapes of verdicts."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from xml.etree.ElementTree import Element, SubElement, tostring

from markupsafe import Markup

from livefit.report import palette

FONT = "Report, Report Ext, Source Sans 3, Noto Sans, DejaVu Sans, sans-serif"
SMALL = 11.0
"""Size of figures on axes; a user unit is a CSS pixel where the picture is not scaled."""

Point = tuple[float, float]


class Drawing:
    """One picture with a title and a description for those who do not see it.

    Parameters
    ----------
    name
        Of its own on the page.
    """

    def __init__(
        self, name: str, width: float, height: float, title: str, description: str, kind: str
    ) -> None:
        self.width, self.height = width, height
        self.root = Element(
            "svg",
            {
                "xmlns": "http://www.w3.org/2000/svg",
                "viewBox": f"0 0 {_n(width)} {_n(height)}",
                "width": _n(width),
                "height": _n(height),
                "role": "img",
                "aria-labelledby": f"{name}-t {name}-d",
                "class": kind,
                "font-family": FONT,
            },
        )
        SubElement(self.root, "title", {"id": f"{name}-t"}).text = title
        SubElement(self.root, "desc", {"id": f"{name}-d"}).text = description

    def add(self, tag: str, **attributes: object) -> Element:
        """An element; ``stroke_width=2`` becomes ``stroke-width="2"``, None is left out."""
        given = {
            key.rstrip("_").replace("_", "-"): _n(value) if isinstance(value, float) else str(value)
            for key, value in attributes.items()
            if value is not None
        }
        return SubElement(self.root, tag, given)

    def line(self, a: Point, b: Point, color: str, width: float = 1.0, **more: object) -> Element:
        """A straight line."""
        return self.add(
            "line", x1=float(a[0]), y1=float(a[1]), x2=float(b[0]), y2=float(b[1]), stroke=color,
            stroke_width=float(width), **more,
        )  # fmt: skip

    def path(
        self, points: Iterable[Point | None], color: str, width: float, **more: object
    ) -> None:
        """A line through points, broken at None."""
        d, pen = [], "M"
        for point in points:
            if point is None:
                pen = "M"
                continue
            d.append(f"{pen}{_n(point[0])} {_n(point[1])}")
            pen = "L"
        if d:
            self.add(
                "path", d=" ".join(d), fill="none", stroke=color, stroke_width=float(width),
                stroke_linejoin="round", stroke_linecap="round", **more,
            )  # fmt: skip

    def area(self, points: Sequence[Point], fill: str, **more: object) -> None:
        """A filled outline."""
        joined = " ".join(f"{_n(x)},{_n(y)}" for x, y in points)
        self.add("polygon", points=joined, fill=fill, **more)

    def text(
        self, at: Point, text: str, color: str = palette.QUIET, size: float = SMALL,
        anchor: str = "middle", **more: object,
    ) -> None:  # fmt: skip
        """A line of text on its base line."""
        element = self.add(
            "text", x=float(at[0]), y=float(at[1]), fill=color, font_size=float(size),
            text_anchor=anchor, **more,
        )  # fmt: skip
        element.text = text

    def markup(self) -> Markup:
        """The picture, to be put into a page."""
        return Markup(tostring(self.root, encoding="unicode"))


def verdict_shape(key: str) -> Markup:
    """The shape of a verdict, beside its word: down, disc, up, diamond, dash."""
    color = palette.VERDICT[key]
    shapes = {
        "below": f'<polygon points="1,2 11,2 6,11" fill="{color}"/>',
        "above": f'<polygon points="1,10 11,10 6,1" fill="{color}"/>',
        "within": f'<circle cx="6" cy="6" r="4.6" fill="{color}"/>',
        "unsure": f'<polygon points="6,0.8 11.2,6 6,11.2 0.8,6" fill="{palette.PAPER}" '
        f'stroke="{color}" stroke-width="1.6"/>',
        "unknown": f'<line x1="2" y1="6" x2="10" y2="6" stroke="{color}" stroke-width="1.6"/>',
    }
    return Markup(
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 12 12" width="12" height="12" '
        f'aria-hidden="true" class="shape">{shapes[key]}</svg>'
    )


def round_steps(low: float, high: float, most: int) -> list[float]:
    """Round values from ``low`` to ``high``, at most ``most`` of them.

    >>> round_steps(28.0, 61.0, 5)
    [30.0, 40.0, 50.0, 60.0]
    """
    step = 10.0 ** math.floor(math.log10(max(high - low, 1e-9) / most))
    for factor in (1, 2, 5, 10, 20):
        first, last = math.ceil(low / (factor * step)), math.floor(high / (factor * step))
        if last - first < most:
            return [i * factor * step for i in range(first, last + 1)]
    return []


def _n(value: float) -> str:
    text = f"{value:.2f}".rstrip("0").rstrip(".")
    return "0" if text in ("-0", "") else text
