"""Draws one figure: limbs, crank, what is lost, and the numbers where no limb passes."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise

from livefit.dashboard import theme
from livefit.dashboard.figure import ROOM, FigureView
from livefit.dashboard.figure_angles import Plane, Point
from livefit.dashboard.label_room import LabelRoom
from livefit.dashboard.layer import Layer, Rect
from livefit.dashboard.theme import Color
from livefit.view import words

STALE_STRENGTH = 0.75
"""How much of its colour a figure keeps that is not of this moment."""
LABEL_PAD = 8.0
LOST_LABELS = 4
"""Lost markers named in the figure; all are named below it."""
UNDER = 1.06
"""Height below the figure, for the crank's angle, over the size of its type."""
MARGIN: dict[Plane, float] = {"side": 200.0, "front": 150.0}
"""Units beside the figure, for the numbers."""


class FigureDrawing:
    """Draws the figure of one plane on ``layer`` and keeps its numbers still."""

    def __init__(self, layer: Layer, plane: Plane) -> None:
        self._layer = layer
        self._plane = plane
        self._room = LabelRoom(_wider(ROOM[plane]))
        self._before: FigureView | None = None
        self._unit = self._size = 1.0
        self._place: Callable[[Point], Point] = lambda point: point
        self._strength = 1.0

    def forget(self) -> None:
        """Place all numbers anew."""
        self._room.forget()

    def draw(
        self, figure: FigureView, rect: Rect, scale: float, unit: float, size: float, *,
        stale: bool, ground: float, named: bool,
    ) -> None:  # fmt: skip
        """Draw ``figure`` in ``rect``, ``scale`` px to the mm; ``ground`` mm up is its middle.

        Numbers are ``size`` px large. Lost markers are ``named``, or only shown.
        """
        middle = (figure.extent[0] + figure.extent[1]) / 2
        left, top = rect.center[0] - middle * scale, rect.center[1] + ground * scale

        def place(point: Point) -> Point:
            return (left + point[0] * scale, top - point[1] * scale)

        self._unit, self._size, self._place = unit, size, place
        self._strength = STALE_STRENGTH if stale else 1.0
        self._limbs(figure)
        half_w, half_h = rect.w / 2 / scale, rect.h / 2 / scale
        bounds = (middle - half_w, middle + half_w, ground - half_h, ground + half_h)
        self._numbers(figure, bounds, scale, stale, named)
        self._below(figure, rect.w, rect.bottom + UNDER / 2 * size)

    def _limbs(self, figure: FigureView) -> None:
        u, layer, place = self._unit, self._layer, self._place
        for stroke in figure.bicycle:
            width = (6 if stroke.role == "frame" else 4) * u
            color = self._shade(theme.LINE)
            layer.line(place(stroke.a), place(stroke.b), width, color, round_ends=True)
        for line in figure.ghost:
            layer.dashes(place(line.a), place(line.b), 4 * u, self._shade(theme.BAND_EDGE), 10 * u)
        crank, color = figure.crank, self._shade(theme.CRANK)
        if crank is not None:
            if crank.radius is not None:
                ring = crank.radius * (place((1.0, 0.0))[0] - place((0.0, 0.0))[0])
                layer.circle(place((0.0, 0.0)), ring, 2 * u, theme.LINE)
            if crank.far is not None:
                layer.line(place(crank.far_hub), place(crank.far), 4 * u, self._shade(theme.FAR))
        self._lines(figure, "far")
        if crank is not None:
            layer.line(place(crank.near_hub), place(crank.near), 8 * u, color, round_ends=True)
            layer.disc(place((0.0, 0.0)), 16 * u, color)
            layer.disc(place(crank.near), 18 * u, color)
        self._lines(figure, "middle")
        self._lines(figure, "near")
        for _, point in figure.lost:
            layer.disc(place(point), 16 * u, theme.PANEL)
            layer.circle(place(point), 8 * u, 3 * u, theme.LEVEL["care"])

    def _lines(self, figure: FigureView, role: str) -> None:
        u, layer, place = self._unit, self._layer, self._place
        width = 10 * u if role == "near" else 5 * u
        color = self._shade(theme.FAR if role == "far" else theme.NEAR)
        for line in figure.lines:
            if line.role == role and line.lost:
                layer.dashes(place(line.a), place(line.b), 3 * u, self._shade(theme.FAR), 8 * u)
            elif line.role == role:
                layer.line(place(line.a), place(line.b), width, color, round_ends=True)
        for point, joint_role in figure.joints:
            if joint_role == role:
                layer.disc(place(point), width * 1.9, color)

    def _numbers(
        self, figure: FigureView, bounds: tuple[float, float, float, float], scale: float,
        stale: bool, named: bool,
    ) -> None:  # fmt: skip
        u, layer, place, fonts = self._unit, self._layer, self._place, self._layer.fonts
        small, large = theme.SMALL * u, self._size
        labels = [(a.measure, a.at, a.name, a.text) for a in figure.angles]
        labels += [
            (f"lost {name}", at, words.marker_short(name), "")
            for name, at in figure.lost[: LOST_LABELS if named else 0]
        ]
        self._note(figure)
        wanted = []
        for key, at, name, text in labels:
            # As wide as three digits, so that the place serves whatever the number is.
            wide = "".join("0" if char.isdigit() else char for char in text)
            wide += "0" * max(0, 3 - wide.count("0")) if text else ""
            width = max(fonts.width(name, small), fonts.width(wide, large)) + 2 * LABEL_PAD * u
            height = small * 1.2 + (large * 0.95 if text else 0.0) + LABEL_PAD * u
            wanted.append((key, at, width / scale, height / scale))
        places = self._room.place(wanted, bounds)
        for angle in figure.angles:
            for one, two in pairwise(angle.arc):
                layer.line(place(one), place(two), 3 * u, self._shade(theme.BAND_EDGE))
        for a, b in figure.guides:
            layer.dashes(place(a), place(b), 2 * u, self._shade(theme.BAND_EDGE), 6 * u)
        grounds = []
        for (_, at, _, _), (_, _, w, h), middle in zip(labels, wanted, places, strict=True):
            ground = None if middle is None else self._ground(place(middle), w * scale, h * scale)
            grounds.append(ground)
            if ground is not None:
                x, y = place(at)
                edge = (
                    min(max(x, ground.x), ground.right), min(max(y, ground.y), ground.bottom),
                )  # fmt: skip
                layer.line(edge, (x, y), 1.5 * u, self._shade(theme.LINE))
        for (_, _, name, text), ground in zip(labels, grounds, strict=True):
            if ground is not None:
                self._label(name, text, ground, stale)

    def _ground(self, middle: Point, width: float, height: float) -> Rect:
        pad = LABEL_PAD * self._unit
        whole = Rect(middle[0] - width / 2, middle[1] - height / 2, width, height)
        return whole.inset(pad, pad / 2)

    def _label(self, name: str, text: str, ground: Rect, stale: bool) -> None:
        u, layer, x = self._unit, self._layer, ground.center[0]
        # Lines that lead to other numbers end at this one's ground.
        layer.rect(ground, theme.PANEL)
        if not text:
            color = theme.LEVEL["care"]
            layer.text(name, x, ground.center[1], theme.SMALL * u, color, align="center",
                       close=True)  # fmt: skip
            return
        y = ground.y + theme.SMALL * 0.55 * u
        layer.text(name, x, y, theme.SMALL * u, theme.QUIET, align="center", close=True)
        layer.text(
            text, x, ground.bottom - 0.45 * self._size, self._size,
            theme.QUIET if stale else theme.TEXT, align="center", weight=theme.BOLD,
        )  # fmt: skip

    def _note(self, figure: FigureView) -> None:
        """Remember where limbs, crank and arcs are: no label goes there."""
        if self._before is not None and figure is self._before:
            return
        self._before = figure
        lines: list[tuple[Point, Point]] = [
            (line.a, line.b) for line in (*figure.lines, *figure.ghost)
        ]
        lines += figure.guides
        for angle in figure.angles:
            lines += pairwise(angle.arc)
        if figure.crank is not None:
            lines += [(figure.crank.near_hub, figure.crank.near)]
            radius = figure.crank.radius
            if radius is not None:
                lines += [((-radius, h * radius), (radius, h * radius)) for h in (-0.9, 0.0, 0.9)]
        lines += [(point, point) for _, point in figure.lost]
        self._room.note(lines)

    def _below(self, figure: FigureView, room: float, y: float) -> None:
        """The crank's angle below the crank; from the front, where the rider's right is."""
        layer, size, center = self._layer, self._size, self._place((0.0, 0.0))[0]
        if figure.plane == "side":
            long = f"{words.CRANK} {figure.crank_text}"
            text = long if layer.fonts.width(long, size) <= room else figure.crank_text
            layer.text(text, center, y, size, theme.TEXT, align="center")
            return
        half = min(0.8 * size, room / 2 - 0.4 * size)
        layer.text("R", center - half, y, size, theme.QUIET, align="center", weight=theme.BOLD)
        layer.text("L", center + half, y, size, theme.QUIET, align="center", weight=theme.BOLD)

    def _shade(self, color: Color) -> Color:
        return theme.mixed(color, theme.PANEL, self._strength)


def _wider(
    room: tuple[float, float, float, float],
) -> tuple[float, float, float, float]:
    """Ground for labels beside and above all that a figure can fill."""
    return (room[0] - 600, room[1] + 600, room[2] - 300, room[3] + 300)
