"""Where the panels of the fitter's window lie, at any size."""

from __future__ import annotations

from dataclasses import dataclass

from livefit.dashboard.layer import Rect

MARGIN = 12.0
HEADER = 92.0
TABLE_MIN = 1216.0
TABLE_SHARE = 0.64


@dataclass(frozen=True)
class FitterLayout:
    """Rectangles in canvas px; ``unit`` px is one unit of the theme."""

    unit: float
    header: Rect
    figure: Rect
    table: Rect

    def gaps(self, width: float, height: float) -> list[Rect]:
        """What the panels leave free of a canvas of this size."""
        header, figure, table = self.header, self.figure, self.table
        return [
            Rect(0, 0, width, header.y),
            Rect(0, header.bottom, width, table.y - header.bottom),
            Rect(0, table.bottom, width, height - table.bottom),
            Rect(0, 0, header.x, height),
            Rect(header.right, 0, width - header.right, height),
            Rect(figure.right, table.y, table.x - figure.right, table.h),
        ]

    @classmethod
    def of(cls, width: float, height: float) -> FitterLayout:
        """Layout for a canvas: the header on top, the figure left of the table."""
        unit = min(width / 1920, height / 1080)
        margin = MARGIN * unit
        header = Rect(margin, margin, width - 2 * margin, HEADER * unit)
        top = header.bottom + margin
        tall = height - margin - top
        table_width = max(TABLE_MIN * unit, TABLE_SHARE * (width - 3 * margin))
        figure_width = width - 3 * margin - table_width
        return cls(
            unit,
            header,
            Rect(margin, top, figure_width, tall),
            Rect(2 * margin + figure_width, top, table_width, tall),
        )
