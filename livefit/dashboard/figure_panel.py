"""The rider from the side, moving, with the live angles, and the message to the fitter above."""

from __future__ import annotations

from typing import Any

from livefit.dashboard import theme
from livefit.dashboard.figure import FigureView, JointAngle, Point
from livefit.dashboard.layer import Layer, Rect
from livefit.dashboard.model import DashboardModel
from livefit.dashboard.visuals import Fonts
from livefit.view import words

MESSAGE = 192.0
FOOT = 116.0
SIDE_ROOM = 118.0
"""Free on either side of the figure, for the angles in front of and behind the joints."""
STALE_STRENGTH = 0.75
"""How much of its colour a figure keeps that is not of this moment."""
MESSAGE_SHAPE: dict[str, words.Shape] = {"note": "disc", "care": "diamond", "bad": "up"}


class FigurePanel:
    """Draws the figure, the message above it and the markers out of sight below it."""

    def __init__(self, parent: Any, fonts: Fonts) -> None:
        self.layer = Layer(parent, fonts, order=1)
        self.figure_layer = Layer(parent, fonts, order=2)
        self._rect, self._unit, self._scale = Rect(0, 0, 1, 1), 1.0, 1.0
        self._words_shown: object = None
        self._figure_shown: object = None

    def place(self, rect: Rect, unit: float, pixel_scale: float) -> None:
        """Take ``rect``; ``unit`` px is one unit of the theme."""
        self._rect, self._unit, self._scale = rect, unit, pixel_scale
        self._words_shown = self._figure_shown = None

    def refresh(self, model: DashboardModel) -> None:
        """Draw what has changed."""
        texts = (model.message, model.missing_text, model.notice, bool(model.missing))
        if texts != self._words_shown:
            self._words_shown = texts
            self.layer.clear()
            if model.message is not None:
                self._message(model.message)
            self._foot(model)
            self.layer.show(self._scale)
        figure = (model.figure, model.figure_stale, model.figure_text)
        if figure != self._figure_shown:
            self._figure_shown = figure
            self.figure_layer.clear()
            if model.figure is not None:
                self._figure(model.figure, model.figure_stale)
                self._caption(model)
            self.figure_layer.show(self._scale)

    def _message(self, message: words.Message) -> None:
        u, layer, color = self._unit, self.layer, theme.LEVEL[message.level]
        rect = Rect(self._rect.x, self._rect.y, self._rect.w, MESSAGE * u)
        layer.rect(rect, theme.faded(color, theme.MESSAGE_TINT))
        layer.rect(Rect(rect.x, rect.y, 8 * u, rect.h), color)
        mark = theme.MESSAGE * theme.CAP_HEIGHT * u
        left = rect.x + 26 * u
        layer.shape(MESSAGE_SHAPE[message.level], (left + mark / 2, rect.y + 46 * u), mark, color)
        text_left = left + mark + 16 * u
        room = rect.right - 16 * u - text_left
        size = theme.MESSAGE * u
        if layer.fonts.width(message.title, size) > room:
            size = max(size * room / layer.fonts.width(message.title, size), theme.BODY * u)
        layer.text(
            message.title, text_left, rect.y + 46 * u, size, color, weight=theme.BOLD, room=room
        )
        room = rect.right - 16 * u - left
        detail = theme.BODY * u
        for i, line in enumerate(layer.fonts.wrap(message.detail, detail, room, 3)):
            layer.text(line, left, rect.y + (102 + 33 * i) * u, detail, theme.TEXT)

    def _foot(self, model: DashboardModel) -> None:
        u, layer, rect = self._unit, self.layer, self._rect
        left, room = rect.x + 18 * u, rect.w - 36 * u
        y = rect.bottom - 62 * u
        if model.missing:
            mark = theme.BODY * theme.CAP_HEIGHT * u
            layer.shape("up", (left + mark / 2, y), mark, theme.LEVEL["care"])
            layer.text(
                model.missing_text, left + mark + 10 * u, y, theme.BODY * u, theme.LEVEL["care"],
                weight=theme.BOLD, room=room - mark - 10 * u,
            )  # fmt: skip
        else:
            layer.text(model.missing_text, left, y, theme.BODY * u, theme.QUIET, room=room)
        y = rect.bottom - 26 * u
        hint = layer.text(
            words.HINT, rect.right - 18 * u, y, theme.SMALL * u, theme.QUIET, align="right"
        )
        if model.notice is not None:
            layer.text(model.notice, left, y, theme.BODY * u, theme.TEXT, room=room - hint - 20 * u)

    def _caption(self, model: DashboardModel) -> None:
        u, rect = self._unit, self._rect
        y = rect.bottom - 98 * u
        size = theme.SMALL * u
        color = theme.LEVEL["care"] if model.figure_stale else theme.QUIET
        self.figure_layer.text(model.figure_text, rect.x + 18 * u, y, size, color)
        self.figure_layer.text(
            f"{words.CRANK} {model.crank_text}", rect.right - 18 * u, y, size, theme.QUIET,
            align="right",
        )  # fmt: skip

    def _figure(self, figure: FigureView, stale: bool) -> None:
        u, layer = self._unit, self.figure_layer
        room = Rect(
            self._rect.x, self._rect.y + (MESSAGE + 8) * u,
            self._rect.w, self._rect.h - (MESSAGE + 8 + FOOT) * u,
        ).inset(SIDE_ROOM * u, 26 * u)  # fmt: skip
        left, right, bottom, top = figure.extent
        scale = min(room.w / (right - left), room.h / (top - bottom))
        middle = ((left + right) / 2, (bottom + top) / 2)

        def place(point: Point) -> Point:
            return (
                room.center[0] + (point[0] - middle[0]) * scale,
                room.center[1] - (point[1] - middle[1]) * scale,
            )

        strength = STALE_STRENGTH if stale else 1.0
        style = {
            "far": (5 * u, theme.mixed(theme.FAR, theme.PANEL, strength)),
            "near": (10 * u, theme.mixed(theme.NEAR, theme.PANEL, strength)),
            "middle": (5 * u, theme.mixed(theme.NEAR, theme.PANEL, strength)),
        }
        crank_color = theme.mixed(theme.CRANK, theme.PANEL, strength)
        if figure.crank is not None:
            center = place((0.0, 0.0))
            layer.circle(center, figure.crank.radius * scale, 2 * u, theme.LINE)
            layer.line(
                center,
                place(figure.crank.far),
                4 * u,
                theme.mixed(theme.FAR, theme.PANEL, strength),
            )
        self._lines(figure, "far", style, place)
        if figure.crank is not None:
            layer.line(center, place(figure.crank.near), 8 * u, crank_color, round_ends=True)
            layer.disc(center, 16 * u, crank_color)
            layer.disc(place(figure.crank.near), 18 * u, crank_color)
        self._lines(figure, "near", style, place)
        for angle in figure.angles:
            self._angle(angle, place(angle.at), stale)

    def _lines(self, figure: FigureView, role: str, style: Any, place: Any) -> None:
        width, color = style[role]
        for line in figure.lines:
            if line.role == role:
                self.figure_layer.line(place(line.a), place(line.b), width, color, round_ends=True)
        for point, joint_role in figure.joints:
            if joint_role == role or (joint_role == "middle" and role == "near"):
                self.figure_layer.disc(place(point), width * 1.9, color)

    def _angle(self, angle: JointAngle, at: Point, stale: bool) -> None:
        u, layer = self._unit, self.figure_layer
        size = theme.READOUT * u
        width = layer.fonts.width(angle.text, size)
        shift = {
            "front": (22 * u + width / 2, 0.0),
            "behind": (-22 * u - width / 2, 0.0),
            "above": (-22 * u - width / 2, -34 * u),
            "below": (-0.6 * width, 48 * u),
        }[angle.place]
        x, y = at[0] + shift[0], at[1] + shift[1]
        height = size * 0.9
        ground = Rect(x - width / 2 - 5 * u, y - height / 2, width + 10 * u, height)
        layer.rect(ground, theme.faded(theme.PANEL, 0.85))
        color = theme.QUIET if stale else theme.TEXT
        layer.text(angle.text, x, y, size, color, align="center", weight=theme.BOLD)
