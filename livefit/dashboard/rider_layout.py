"""Where everything lies in the rider's window, at any size."""

from __future__ import annotations

from dataclasses import dataclass

from livefit.dashboard.layer import Rect
from livefit.dashboard.theme import CAP_HEIGHT
from livefit.definitions.models import Screen
from livefit.view.screens import type_size_px

MARGIN = 36.0
HEADS = 128.0
MESSAGE = 104.0
LEAST = {1: 76.0, 2: 58.0, 3: 52.0}
"""Smallest type, by the number of measures, where the screen is near enough."""
MOST = {1: 84.0, 2: 58.0, 3: 58.0}
"""Largest type at which no word is cut off."""


@dataclass(frozen=True)
class RiderLayout:
    """Rectangles in canvas px; ``unit`` px is one unit of the theme."""

    unit: float
    body: float
    """Size of the rows' words, px: the smallest type."""
    edge: float
    """Size of the words above and below the rows, px."""
    heads: Rect
    """Left, right, and the cadence."""
    rows: tuple[Rect, ...]
    message: Rect

    @classmethod
    def of(
        cls,
        canvas_px: tuple[float, float],
        rows: int,
        screen: Screen,
        screen_px: tuple[float, float],
    ) -> RiderLayout:
        """Layout for a canvas on a screen of ``screen_px``: rows between heads and message."""
        width, height = canvas_px
        unit = min(width / 1920, height / 1080)
        margin = MARGIN * unit
        heads = Rect(margin, 0.0, width - 2 * margin, HEADS * unit)
        message = Rect(0.0, height - MESSAGE * unit, width, MESSAGE * unit)
        tall = (message.y - heads.bottom) / max(rows, 1)
        count = min(max(rows, 1), max(MOST))

        def type_size(least: float, most: float) -> float:
            return type_size_px(
                screen, screen_px, cap_share=CAP_HEIGHT, least=least * unit, most=most * unit
            )

        return cls(
            unit=unit,
            body=type_size(LEAST[count], MOST[count]),
            edge=type_size(min(LEAST.values()), min(MOST.values())),
            heads=heads,
            rows=tuple(Rect(margin, heads.bottom + i * tall, heads.w, tall) for i in range(rows)),
            message=message,
        )  # fmt: skip

    def blocks(self, row: Rect, sides: int) -> list[Rect]:
        """The parts of a row: its title left out, one for each side."""
        top = row.y + 1.6 * self.body
        bottom = row.bottom - 0.2 * self.body
        gap = 64 * self.unit
        wide = (row.w - gap * (sides - 1)) / sides
        return [Rect(row.x + i * (wide + gap), top, wide, bottom - top) for i in range(sides)]
