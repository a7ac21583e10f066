"""A measure over one turn of the crank: mean and spread, before and after."""

from __future__ import annotations

from collections.abc import Sequence

from markupsafe import Markup

from livefit.report import palette
from livefit.report.svg import Drawing, Point, round_steps
from livefit.report.words import Words
from livefit.session.models import Cycle

WIDTH, HEIGHT = 320.0, 170.0
LEFT, RIGHT, TOP, BOTTOM = 38.0, 312.0, 8.0, 130.0
QUARTERS = (0, 90, 180, 270, 360)
ROOM = 0.05
LEAST = {"deg": 10.0, "mm": 20.0, "rpm": 10.0}


def scale_of(cycles: Sequence[Cycle], unit: str) -> tuple[float, float]:
    """Ends of the upward axis that hold every mean with its spread."""
    ends = [
        m + sign * (s or 0.0)
        for cycle in cycles
        for m, s in zip(cycle.mean, cycle.sd, strict=True)
        if m is not None
        for sign in (-1, 1)
    ]
    low, high = min(ends), max(ends)
    short = max(LEAST.get(unit, 10.0) - (high - low), 0.0) / 2
    room = ROOM * (high - low) + short
    return low - room, high + room


def place(crank_deg: float, value: float, scale: tuple[float, float]) -> Point:
    """Where a value stands, px."""
    return (
        LEFT + (RIGHT - LEFT) * crank_deg / 360.0,
        BOTTOM - (BOTTOM - TOP) * (value - scale[0]) / (scale[1] - scale[0]),
    )


def cycle_chart(
    name: str, title: str, before: Cycle | None, after: Cycle | None, scale: tuple[float, float],
    unit: str, words: Words,
) -> Markup:  # fmt: skip
    """Draw one measure of one side: before dashed, after (or what stands alone) solid."""
    if after is None:
        before, after = None, before
    drawing = Drawing(name, WIDTH, HEIGHT, title, _told(before, after, unit, words), "cycle")
    drawing.root.set("data-scale", f"{scale[0]:.6f} {scale[1]:.6f}")
    for value in round_steps(*scale, 6):
        _, y = place(0, value, scale)
        drawing.line((LEFT, y), (RIGHT, y), palette.HAIR, 0.8)
        drawing.text((LEFT - 5, y + 4), words.short(value), anchor="end")
    for crank in QUARTERS:
        x, _ = place(crank, scale[0], scale)
        drawing.line((x, TOP), (x, BOTTOM + 3), palette.HAIR, 0.8)
        drawing.text((x, BOTTOM + 15), str(crank))
    drawing.line((LEFT, BOTTOM), (RIGHT, BOTTOM), palette.RULE)
    drawing.text(((LEFT + RIGHT) / 2, HEIGHT - 6), words("movement.crank_axis"))
    if after is not None:
        for piece in _spread(after, scale):
            drawing.area(piece, palette.SPREAD, class_="after-spread")
    if before is not None:
        for sign in (-1.0, 1.0):
            edge = _line(before, scale, sign)
            drawing.path(edge, palette.BEFORE, 0.8, stroke_dasharray="1 2.4")
        drawing.path(
            _line(before, scale), palette.BEFORE, 1.8, stroke_dasharray=palette.DASH,
            class_="before",
        )  # fmt: skip
    if after is not None:
        drawing.path(_line(after, scale), palette.AFTER, 2.2, class_="after")
    return drawing.markup()


def _line(cycle: Cycle, scale: tuple[float, float], sign: float = 0.0) -> list[Point | None]:
    step = 360.0 / (len(cycle.mean) - 1)
    return [
        None if m is None else place(k * step, m + sign * (s or 0.0), scale)
        for k, (m, s) in enumerate(zip(cycle.mean, cycle.sd, strict=True))
    ]


def _spread(cycle: Cycle, scale: tuple[float, float]) -> list[list[Point]]:
    """Outlines of mean ± SD, one for each unbroken piece."""
    pieces: list[list[tuple[Point, Point]]] = [[]]
    upper, lower = _line(cycle, scale, 1.0), _line(cycle, scale, -1.0)
    for above, below in zip(upper, lower, strict=True):
        if above is None or below is None:
            pieces.append([])
        else:
            pieces[-1].append((above, below))
    return [
        [a for a, _ in piece] + [b for _, b in reversed(piece)]
        for piece in pieces
        if len(piece) > 1
    ]


def _told(before: Cycle | None, after: Cycle | None, unit: str, words: Words) -> str:
    said = ""
    for cycle, key in ((before, "cycle_desc"), (after, "cycle_desc_now")):
        means = [] if cycle is None else [m for m in cycle.mean if m is not None]
        if means:
            low, high = (words.quantity(end, unit) for end in (min(means), max(means)))
            said += words(f"movement.{key}", low=low, high=high)
    return said
