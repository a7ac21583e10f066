"""The rider's scene: binds the model to a vispy canvas."""

from __future__ import annotations

from typing import Any

from livefit.dashboard import theme
from livefit.dashboard.layer import Layer, Rect
from livefit.dashboard.rider_layout import RiderLayout
from livefit.dashboard.visuals import Box, Fonts
from livefit.definitions.models import Screen
from livefit.view import rider_words
from livefit.view.rider import MeasureView, RiderModel, SideView, Spot

TALL = 0.5
"""A block higher than this share of its width sets everything one below the other."""
VALUE_EM = 2.35
"""Width of three digits and a degree sign, em."""
VALUE_MOST = 300.0
"""Units: beyond this the stored outlines of the digits show their grain."""
UNIT_SHARE = 0.5
"""Size of letters of a unit over that of the digits."""


class RiderView:
    """Figures, lanes and words on ``canvas``; only what has changed is drawn anew.

    Parameters
    ----------
    canvas
        A vispy ``SceneCanvas`` made with ``dpi=96``.
    model
        What is to be shown.
    screen
        How large the screen is and how far from the rider.
    """

    def __init__(self, canvas: Any, model: RiderModel, screen: Screen) -> None:
        self._canvas = canvas
        self.model = model
        self._screen = screen
        self.screen_px: tuple[float, float] | None = None
        """Size of the whole screen; None: the canvas fills it."""
        fonts = Fonts()
        self._words = Layer(canvas.scene, fonts, order=0)
        self._lanes = Layer(canvas.scene, fonts, order=1)
        self._shown: object = None
        self._lanes_shown: object = None
        self.layout = self._lay_out(0)

    def refresh(self) -> None:
        """Bring the scene up to the model, the theme and the size of the canvas."""
        model = self.model
        measures, message = model.measures, model.message
        place = (*self._canvas.size, self._canvas.pixel_scale, self.screen_px, theme.in_use)
        shown = (place, measures, model.cadence, message)
        if shown != self._shown:
            self._shown = shown
            self.layout = self._lay_out(len(measures))
            self._canvas.bgcolor = theme.GROUND
            self._words.clear()
            self._heads(any(len(view.sides) == 2 for view in measures))
            for view, row in zip(measures, self.layout.rows, strict=True):
                self._measure(view, row)
            self._message()
            self._words.show(self._canvas.pixel_scale)
        lanes = (place, measures, model.spots)
        if lanes != self._lanes_shown:
            self._lanes_shown = lanes
            self._lanes.clear()
            for view, spots, row in zip(measures, model.spots, self.layout.rows, strict=True):
                blocks = self.layout.blocks(row, len(view.sides))
                for side, spot, block in zip(view.sides, spots, blocks, strict=True):
                    self._lane(view, side, spot, self._parts(block)[1])
            self._lanes.show(self._canvas.pixel_scale)

    def boxes(self) -> list[Box]:
        """Where the ink of every text lies."""
        return self._words.boxes()

    def lanes(self) -> list[Rect]:
        """Where the lanes lie, left and right of each measure in turn."""
        return [
            self._parts(block)[1]
            for view, row in zip(self.model.measures, self.layout.rows, strict=True)
            for block in self.layout.blocks(row, len(view.sides))
        ]

    def _lay_out(self, rows: int) -> RiderLayout:
        size = self._canvas.size
        return RiderLayout.of(size, rows, self._screen, self.screen_px or size)

    def _heads(self, sides: bool) -> None:
        layer, size, rect = self._words, self.layout.edge, self.layout.heads
        y = rect.center[1]
        if sides:
            for head, block in zip("LR", self.layout.blocks(rect, 2), strict=True):
                text = rider_words.SIDE_HEAD[head]
                layer.text(text, block.x, y, 1.2 * size, theme.TEXT, weight=theme.BOLD)
        width = layer.text(rider_words.TURNS, rect.right, y, size, theme.QUIET, align="right")
        color = theme.QUIET if self.model.stale else theme.TEXT
        layer.text(
            self.model.cadence, rect.right - width - 0.35 * size, y, 0.92 * rect.h, color,
            align="right", weight=theme.BOLD,
        )  # fmt: skip

    def _measure(self, view: MeasureView, row: Rect) -> None:
        layer, body = self._words, self.layout.body
        layer.line((row.x, row.y), (row.right, row.y), 3 * self.layout.unit, theme.LINE)
        y = row.y + 0.9 * body
        em = sum(layer.fonts.width(text, 1.0) for text in (view.title, view.when)) + 0.6
        size = min(max(0.99 * row.w / em, 0.85 * body), body)
        gap = 0.6 * size
        when = layer.fonts.width(view.when, size)
        left = layer.text(
            view.title, row.x, y, size, theme.TEXT, weight=theme.BOLD, room=row.w - gap - when
        )
        layer.text(view.when, row.x + left + gap, y, size, theme.QUIET)
        if len(view.sides) == 2:
            block = self.layout.blocks(row, 2)[0]
            x = row.center[0]
            layer.line((x, block.y), (x, block.bottom), 3 * self.layout.unit, theme.LINE)
        for side, block in zip(view.sides, self.layout.blocks(row, len(view.sides)), strict=True):
            self._side(view, side, block)

    def _side(self, view: MeasureView, side: SideView, block: Rect) -> None:
        layer, body = self._words, self.layout.body
        value, lane = self._parts(block)
        color = theme.QUIET if view.stale else theme.VERDICT[side.place.key]
        self._value(view, side, value)
        note = side.note(view.stale)
        y = block.bottom - 0.65 * body
        room = block.w
        if lane.x == block.x:
            layer.text(note, block.x, y, body, theme.QUIET, room=room)
            y -= 1.3 * body
        else:
            room -= layer.text(
                note, block.right, y, body, theme.QUIET, align="right", room=0.55 * room
            ) + 0.4 * body  # fmt: skip
        left = block.x
        if side.place.shape != "none":
            mark = body * theme.CAP_HEIGHT
            layer.shape(side.place.shape, (left + mark / 2, y), mark, color)
            left += 1.4 * mark
        layer.text(
            side.place.word, left, y, body, color, weight=theme.BOLD, room=block.x + room - left
        )

    def _value(self, view: MeasureView, side: SideView, rect: Rect) -> None:
        layer = self._words
        strong = theme.QUIET if view.stale or not side.unit else theme.TEXT
        letters = side.unit.strip().isalpha()
        text = side.value if letters else side.value + side.unit
        unit = side.unit if letters else ""
        em = layer.fonts.width(text, 1.0) + UNIT_SHARE * layer.fonts.width(unit, 1.0)
        size = min(1.15 * rect.h, rect.w / max(em, VALUE_EM), VALUE_MOST * self.layout.unit)
        y = rect.center[1]
        width = layer.text(text, rect.x, y, size, strong, weight=theme.BOLD)
        shift = size * (1 - UNIT_SHARE) * theme.CAP_HEIGHT / 2
        layer.text(unit, rect.x + width, y + shift, UNIT_SHARE * size, strong)

    def _parts(self, block: Rect) -> tuple[Rect, Rect]:
        """Where the value stands, and where the lane lies."""
        body = self.layout.body
        if block.h > TALL * block.w:
            high = block.h - 3.1 * body
            value = Rect(block.x, block.y, block.w, 0.64 * high)
            return value, Rect(block.x, value.bottom + 0.06 * high, block.w, 0.3 * high)
        high = block.h - 1.45 * body
        wide = 0.42 * block.w
        lane = min(0.8 * high, 130 * self.layout.unit)
        middle = block.y + high / 2
        return (
            Rect(block.x, block.y, wide - 0.5 * body, high),
            Rect(block.x + wide, middle - lane / 2, block.w - wide, lane),
        )

    def _lane(self, view: MeasureView, side: SideView, spot: Spot, rect: Rect) -> None:
        layer, half, y = self._lanes, rect.h / 2, rect.center[1]

        def place(fraction: float) -> float:
            return rect.x + half + fraction * (rect.w - rect.h)

        layer.line(
            (rect.x + half, y), (rect.right - half, y), 0.16 * rect.h, theme.LINE, round_ends=True
        )
        if view.target is not None:
            left, right = (place(edge) for edge in view.target)
            layer.rect(Rect(left, rect.y, right - left, rect.h), theme.BAND)
            for edge in (left, right):
                layer.line(
                    (edge, rect.y), (edge, rect.bottom), 0.07 * rect.h, theme.BAND_EDGE,
                    round_ends=True,
                )  # fmt: skip
        if spot.before is not None:
            layer.circle((place(spot.before), y), 0.26 * rect.h, 0.07 * rect.h, theme.TEXT)
        if spot.now is not None:
            judged = side.place.shape != "none"
            color = theme.VERDICT[side.place.key] if judged else theme.TEXT
            at = (place(spot.now), y)
            layer.disc(at, 0.74 * rect.h, theme.GROUND)
            layer.disc(at, 0.62 * rect.h, theme.QUIET if view.stale else color)

    def _message(self) -> None:
        layer, size, rect = self._words, self.layout.edge, self.layout.message
        message = self.model.message
        color = theme.TEXT
        if message.level != "note":
            color = theme.LEVEL[message.level]
            layer.rect(rect, theme.mixed(color, theme.PANEL, theme.MESSAGE_TINT))
        x, right, y = self.layout.heads.x, self.layout.heads.right, rect.center[1]
        layer.line((x, rect.y), (right, rect.y), 3 * self.layout.unit, theme.LINE)
        x += layer.text(
            message.title, x, y, size, color, weight=theme.BOLD, room=right - x
        ) + 0.6 * size  # fmt: skip
        layer.text(message.detail, x, y, size, theme.TEXT, room=max(right - x, 0.0))
