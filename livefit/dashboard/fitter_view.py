"""The fitter's scene: binds the model to the panels of a vispy canvas."""

from __future__ import annotations

from typing import Any

from livefit.dashboard import theme
from livefit.dashboard.ask_panel import AskPanel
from livefit.dashboard.charts.chart_panel import ChartPanel
from livefit.dashboard.estimate_panel import EstimatePanel
from livefit.dashboard.figure_panel import FigurePanel
from livefit.dashboard.header_panel import HeaderPanel
from livefit.dashboard.help_panel import HelpPanel
from livefit.dashboard.hints_panel import HintsPanel
from livefit.dashboard.layer import Area, Layer, Rect
from livefit.dashboard.layout import FitterLayout
from livefit.dashboard.model import DashboardModel
from livefit.dashboard.table_panel import TablePanel
from livefit.dashboard.visuals import Box, Fonts
from livefit.view.hands import Hands
from livefit.view.screens import type_size_px
from livefit.view.table import SCREEN

LEGIBLE_MOST = 54.0
"""Units: the largest type for which all still fits."""

SURROUND = 4.0
"""px; more than is drawn anew beyond the edges of an area."""
BEYOND = 1.0
"""px; what lies so far outside a panel reaches no other."""


class FitterView:
    """Header, figure, chart, table, hints and questions on ``canvas``.

    Only what has changed is drawn anew.

    Parameters
    ----------
    canvas
        A vispy ``SceneCanvas`` made with ``dpi=96``.
    model
        What is to be shown.
    hands
        Whose questions and help are shown.
    """

    def __init__(self, canvas: Any, model: DashboardModel, hands: Hands | None = None) -> None:
        self._canvas = canvas
        self.model = model
        self.hands = Hands(model) if hands is None else hands
        fonts = Fonts()
        root = canvas.scene
        self._backdrop = Layer(root, fonts, order=0)
        self._header = HeaderPanel(root, fonts)
        self._figure = FigurePanel(root, fonts)
        self._chart = ChartPanel(root, fonts)
        self._table = TablePanel(root, fonts)
        self._hints = HintsPanel(root, fonts)
        self._ask = AskPanel(root, fonts)
        self._estimate = EstimatePanel(root, fonts)
        self._help = HelpPanel(root, fonts)
        self._placed: tuple[object, ...] | None = None
        self._covered = False
        self.layout = FitterLayout.of(*canvas.size)

    def refresh(self) -> list[Area] | None:
        """Bring the scene up to the model, to the colours and to the size of the canvas.

        Returns
        -------
        list of Area or None
            Where something has changed; None: anywhere.
        """
        over = self._covered
        size, pixel_scale = self._canvas.size, self._canvas.pixel_scale
        placed = (*size, pixel_scale, theme.in_use)
        anew = placed != self._placed
        if anew:
            self._placed = placed
            self._place(size[0], size[1], pixel_scale)
        self._header.refresh(self.model)
        self._figure.refresh(self.model)
        self._chart.refresh(self.model.charts)
        self._table.refresh(self.model)
        sheet = None if self.hands.sheet is None else self.hands.sheet.view
        self._ask.refresh(sheet)
        self._estimate.refresh(sheet)
        self._help.refresh(self.model, shown=self.hands.help_shown)
        self._covered = self.hands.sheet is not None or self.hands.help_shown
        areas = self._areas()
        return None if anew or over or self._covered else areas

    def _areas(self) -> list[Area]:
        layout, words, figure = self.layout, self._figure.layer, self._figure.figure_layer
        header, chart, table = self._header.layer, self._chart, self._table.layer
        panels = (
            (layout.header, header.take_damage(), header.visuals),
            (layout.figure, words.take_damage() + figure.take_damage(),
             words.visuals + figure.visuals),
            (layout.chart, chart.take_damage(), chart.visuals),
            (layout.table, table.take_damage(), table.visuals),
        )  # fmt: skip
        return [
            Area(rect, self._drawn_in(rect, panel, visuals))
            for panel, damage, visuals in panels
            for rect in damage
        ]

    def _drawn_in(self, rect: Rect, panel: Rect, visuals: tuple[Any, ...]) -> tuple[Any, ...]:
        """What must be drawn in an area where a panel has changed; nothing named: everything."""
        if panel.inset(SURROUND, SURROUND).covers(rect):
            return visuals
        if panel.inset(-BEYOND, -BEYOND).covers(rect):
            return self._backdrop.visuals + visuals
        return ()

    def click(self, x: float, y: float) -> str | int | None:
        """What lies at a point of the canvas: a key, or the number of a row."""
        if self.hands.help_shown:
            return "Esc"
        if self.hands.sheet is not None:
            panel = self._ask if self._ask.layer.visible else self._estimate
            return panel.key_at(x, y)
        key = self._hints.key_at(x, y)
        return self._table.row_at(x, y) if key is None else key

    def boxes(self) -> list[Box]:
        """Where the ink of every text of the panels lies."""
        layers = (
            self._header.layer, self._figure.layer, self._figure.figure_layer, self._table.layer,
            self._hints.layer,
        )  # fmt: skip
        return [*(box for layer in layers for box in layer.boxes()), *self._chart.boxes()]

    def ask_boxes(self) -> list[Box]:
        """Where the ink of every text of the question on screen lies."""
        return [*self._ask.boxes(), *self._estimate.boxes()]

    def help_boxes(self) -> list[Box]:
        """Where the ink of every text of the help lies."""
        return self._help.layer.boxes()

    def _place(self, width: float, height: float, pixel_scale: float) -> None:
        self.layout = layout = FitterLayout.of(width, height)
        # Most of the picture is panel: to clear to its colour and draw the gaps is least work where
        # a processor draws in place of a graphics card.
        self._canvas.bgcolor = theme.PANEL
        self._backdrop.clear()
        for gap in layout.gaps(width, height):
            self._backdrop.rect(gap, theme.GROUND)
        self._backdrop.show(pixel_scale)
        legible = type_size_px(
            self.model.definitions.screen(SCREEN), (width, height), cap_share=theme.CAP_HEIGHT,
            least=0.0, most=LEGIBLE_MOST * layout.unit,
        )  # fmt: skip
        for reader in (self._header, self._figure, self._chart, self._table, self._estimate):
            reader.legible = legible
        for panel, rect in (
            (self._header, layout.header),
            (self._figure, layout.figure),
            (self._chart, layout.chart),
            (self._table, layout.table),
            (self._hints, layout.hints),
            (self._ask, Rect(0, 0, width, height)),
            (self._estimate, Rect(0, 0, width, height)),
            (self._help, Rect(0, 0, width, height)),
        ):
            panel.place(rect, layout.unit, pixel_scale)
