"""A number before and after against its target, on one scale: the strip chart."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from livefit.report import palette
from livefit.report.svg import Drawing, round_steps
from livefit.report.words import Words
from livefit.session.models import Number

WIDTH, HEIGHT = 220.0, 48.0
LEFT, RIGHT = 8.0, 212.0
BEFORE_Y, AFTER_Y, AXIS_Y, TEXT_Y = 9.0, 22.0, 31.0, 43.0
RADIUS = 4.2
LEAST = {"deg": 10.0, "mm": 20.0, "rpm": 10.0}
"""A scale is never shorter, by unit: noise is not to fill a chart."""
ROOM = 0.12
"""Free at either end, as a share of what is shown."""
APART = 30.0
"""Figures on the axis nearer than this would run into each other."""


def scale_of(numbers: Sequence[Number], band: tuple[float, float] | None) -> tuple[float, float]:
    """Ends of the scale that holds all means with their intervals, and the band."""
    ends = [v for n in numbers for v in (n.ci95 or (n.mean, n.mean)) if v is not None]
    ends += list(band or ())
    low, high = min(ends), max(ends)
    least = LEAST[numbers[0].unit] if numbers else LEAST["deg"]
    short = max(least - (high - low), 0.0) / 2
    low, high = low - short, high + short
    room = ROOM * (high - low)
    return low - room, high + room


def place(value: float, scale: tuple[float, float]) -> float:
    """Where a value stands, px from the left."""
    return LEFT + (RIGHT - LEFT) * (value - scale[0]) / (scale[1] - scale[0])


def strip(
    name: str, title: str, before: Number | None, after: Number | None,
    band: tuple[float, float] | None, scale: tuple[float, float], words: Words, *,
    one: bool = False,
) -> Markup:  # fmt: skip
    """Draw one side: before an open mark, after a filled one, as is the only one of one trial."""
    told = _told(before, after, band, words, one)
    drawing = Drawing(name, WIDTH, HEIGHT, title, told, "strip")
    drawing.root.set("data-scale", f"{scale[0]:.6f} {scale[1]:.6f}")
    if band is not None:
        x0, x1 = (place(edge, scale) for edge in band)
        drawing.add(
            "rect", x=x0, y=0.0, width=x1 - x0, height=AXIS_Y, fill=palette.BAND, class_="band"
        )
        for x in (x0, x1):
            drawing.line((x, 0.0), (x, AXIS_Y), palette.BAND_EDGE, 1.2)
    drawing.line((LEFT, AXIS_Y), (RIGHT, AXIS_Y), palette.RULE)
    _figures(drawing, band, scale, words)
    first, last = (None if n is None else n.mean for n in (before, after))
    if first is not None and last is not None:
        ends = (place(first, scale), BEFORE_Y), (place(last, scale), AFTER_Y)
        drawing.line(*ends, palette.RULE, 1.0, stroke_dasharray="1.5 2")
    if before is not None:
        _mark(drawing, before, BEFORE_Y, scale, "before", filled=one)
    if after is not None:
        _mark(drawing, after, AFTER_Y, scale, "after", filled=True)
    return drawing.markup()


def _told(
    before: Number | None, after: Number | None, band: tuple[float, float] | None, words: Words,
    one: bool,
) -> str:  # fmt: skip
    said = []
    for number, key in ((before, "now" if one else "before"), (after, "after")):
        if number is None or number.mean is None:
            continue
        value = words.quantity(number.mean, number.unit)
        said.append(words(f"numbers.chart_{key}", value=value))
        if number.ci95 is not None:
            span = words.span(*number.ci95, number.unit)
            said.append(words("numbers.chart_interval", span=span))
    unit = next((n.unit for n in (before, after) if n is not None), "deg")
    if band is not None:
        said.append(words("numbers.chart_band", band=words.span(*band, unit)))
    return ", ".join(said) + "."


def _figures(
    drawing: Drawing, band: tuple[float, float] | None, scale: tuple[float, float], words: Words
) -> None:
    """The band's edges, or the scale's ends, below the axis."""
    shown = list(band) if band is not None else round_steps(*scale, 3)
    last = -APART
    for value in shown:
        x = place(value, scale)
        drawing.line((x, AXIS_Y), (x, AXIS_Y + 3), palette.RULE)
        if x - last >= APART:
            drawing.text((x, TEXT_Y), words.short(value))
            last = x


def _mark(
    drawing: Drawing, number: Number, y: float, scale: tuple[float, float], kind: str, *,
    filled: bool,
) -> None:  # fmt: skip
    if number.mean is None:
        return
    color = palette.AFTER if filled else palette.BEFORE
    if number.ci95 is not None:
        x0, x1 = (place(end, scale) for end in number.ci95)
        drawing.line((x0, y), (x1, y), color, 1.6, class_=f"{kind}-interval")
        for x in (x0, x1):
            drawing.line((x, y - 3.5), (x, y + 3.5), color, 1.2)
    drawing.add(
        "circle", cx=place(number.mean, scale), cy=y, r=RADIUS, class_=kind, stroke=color,
        fill=color if filled else palette.PAPER, stroke_width=1.6,
    )  # fmt: skip
