"""Where the panels of the fitter's window lie, at any size."""

from __future__ import annotations

from dataclasses import dataclass

from livefit.dashboard.layer import Rect

MARGIN = 6.0
HEADER = 112.0
HINTS = 36.0
TABLE_MIN = 1330.0
TABLE_SHARE = 0.64
FIGURE_SHARE = 0.54
"""How much of the left column the figure takes; the chart has the rest."""


@dataclass(frozen=True)
class FitterLayout:
    """Rectangles in canvas px; ``unit`` px is one unit of the theme."""

    unit: float
    header: Rect
    figure: Rect
    chart: Rect
    table: Rect
    hints: Rect

    @property
    def panels(self) -> tuple[Rect, ...]:
        """All panels, from top left to bottom right."""
        return (self.header, self.figure, self.chart, self.table, self.hints)

    def gaps(self, width: float, height: float) -> list[Rect]:
        """What the panels leave free of a canvas of this size."""
        header, figure, chart, table, hints = self.panels
        return [
            Rect(0, 0, width, header.y),
            Rect(0, header.bottom, width, table.y - header.bottom),
            Rect(0, table.bottom, width, hints.y - table.bottom),
            Rect(0, hints.bottom, width, height - hints.bottom),
            Rect(0, 0, header.x, height),
            Rect(header.right, 0, width - header.right, height),
            Rect(figure.right, table.y, table.x - figure.right, table.h),
            Rect(figure.x, figure.bottom, figure.w, chart.y - figure.bottom),
        ]

    @classmethod
    def of(cls, width: float, height: float) -> FitterLayout:
        """Layout for a canvas: figure above chart, left of the table, between header and hints."""
        unit = min(width / 1920, height / 1080)
        margin = MARGIN * unit
        header = Rect(margin, margin, width - 2 * margin, HEADER * unit)
        hints = Rect(margin, height - margin - HINTS * unit, width - 2 * margin, HINTS * unit)
        top = header.bottom + margin
        tall = hints.y - margin - top
        table_width = max(TABLE_MIN * unit, TABLE_SHARE * (width - 3 * margin))
        left = width - 3 * margin - table_width
        figure = Rect(margin, top, left, FIGURE_SHARE * (tall - margin))
        chart_top = figure.bottom + margin
        return cls(
            unit,
            header,
            figure,
            Rect(margin, chart_top, left, top + tall - chart_top),
            Rect(2 * margin + left, top, table_width, tall),
            hints,
        )
