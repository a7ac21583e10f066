"""The panel of the charts: one kind at a time, with its title."""

from __future__ import annotations

from typing import Any

from livefit.dashboard import theme
from livefit.dashboard.charts import sheet as s
from livefit.dashboard.charts.ink import Ink
from livefit.dashboard.charts.path_chart import draw_paths
from livefit.dashboard.charts.stroke_chart import draw_over_stroke
from livefit.dashboard.charts.time_chart import draw_over_time
from livefit.dashboard.layer import Layer, Rect
from livefit.dashboard.visuals import Box, Fonts
from livefit.view.charts import Chart, ChartsModel
from livefit.view.over_time import OverTime
from livefit.view.round_crank import OverStroke


class ChartPanel:
    """Draws the chart that the model shows.

    Parameters
    ----------
    parent
        Scene node that it hangs on.
    fonts
        The canvas's fonts.
    """

    def __init__(self, parent: Any, fonts: Fonts) -> None:
        # From the bottom up: a layer takes two numbers of vispy's order, the ink lies between.
        self._frame = Layer(parent, fonts, order=1)
        self._ink = Ink(parent, order=3)
        self._top = Layer(parent, fonts, order=2)
        self.legible = 1.0
        """Least size of the type, px: what can be read from where the fitter is."""
        self._rect, self._unit, self._scale = Rect(0, 0, 1, 1), 1.0, 1.0
        self._shown: object = None
        self._anew = False

    @property
    def visuals(self) -> tuple[Any, ...]:
        """What is drawn, from the bottom up."""
        return (*self._frame.visuals, *self._ink.visuals, *self._top.visuals)

    @property
    def visible(self) -> bool:
        """Whether the panel is drawn."""
        return self._frame.visible

    @visible.setter
    def visible(self, visible: bool) -> None:
        for part in (self._frame, self._ink, self._top):
            part.visible = visible

    def place(self, rect: Rect, unit: float, pixel_scale: float) -> None:
        """Take ``rect``; ``unit`` px is one unit of the theme."""
        self._rect, self._unit, self._scale = rect, unit, pixel_scale
        self._shown = None

    def refresh(self, charts: ChartsModel) -> None:
        """Draw the chart if it is another than the one on screen, or the colours have changed."""
        if not self.visible:
            return
        chart = charts.chart
        look = (chart, theme.PANEL, theme.TEXT)
        if look != self._shown:
            self._shown = look
            for part in (self._frame, self._ink, self._top):
                part.clear()
            self._draw(chart)
            for part in (self._frame, self._ink, self._top):
                part.show(self._scale)
            self._anew = True

    def take_damage(self) -> list[Rect]:
        """Where the screen has changed since the last call."""
        anew, self._anew = self._anew, False
        return [self._rect] if anew else []

    def boxes(self) -> list[Box]:
        """Where the ink of every text lies."""
        return [*self._frame.boxes(), *self._top.boxes()]

    def _draw(self, chart: Chart) -> None:
        size = max(self.legible, theme.SMALL * self._unit)
        sheet = s.Sheet(self._rect, self._unit, size, self._frame, self._ink, self._top)
        s.title(sheet, chart.title)
        if chart.empty is not None:
            room = self._rect.w - 2 * s.PAD * self._unit
            self._frame.text(
                chart.empty, *self._rect.center, size, theme.QUIET, align="center", room=room
            )
        elif isinstance(chart, OverTime):
            draw_over_time(sheet, chart)
        elif isinstance(chart, OverStroke):
            draw_over_stroke(sheet, chart)
        else:
            draw_paths(sheet, chart)
