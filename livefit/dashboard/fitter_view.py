"""The fitter's scene: binds the model to the panels of a vispy canvas."""

from __future__ import annotations

from typing import Any

from livefit.dashboard import theme
from livefit.dashboard.figure_panel import FigurePanel
from livefit.dashboard.header_panel import HeaderPanel
from livefit.dashboard.help_panel import HelpPanel
from livefit.dashboard.layer import Layer, Rect
from livefit.dashboard.layout import FitterLayout
from livefit.dashboard.model import DashboardModel
from livefit.dashboard.table_panel import TablePanel
from livefit.dashboard.visuals import Box, Fonts


class FitterView:
    """Header, figure and table on ``canvas``; only what has changed is drawn anew.

    Parameters
    ----------
    canvas
        A vispy ``SceneCanvas`` made with ``dpi=96``.
    model
        What is to be shown.
    """

    def __init__(self, canvas: Any, model: DashboardModel) -> None:
        self._canvas = canvas
        self.model = model
        fonts = Fonts()
        root = canvas.scene
        self._backdrop = Layer(root, fonts, order=0)
        self._header = HeaderPanel(root, fonts)
        self._figure = FigurePanel(root, fonts)
        self._table = TablePanel(root, fonts)
        self._help = HelpPanel(root, fonts)
        self._placed: tuple[float, ...] | None = None
        self.layout = FitterLayout.of(*canvas.size)

    def refresh(self) -> None:
        """Bring the scene up to the model and to the size of the canvas."""
        size = (*self._canvas.size, self._canvas.pixel_scale)
        if size != self._placed:
            self._placed = size
            self._place(*size)
        self._header.refresh(self.model)
        self._figure.refresh(self.model)
        self._table.refresh(self.model)

    def toggle_help(self) -> None:
        """Show the help, or put it away."""
        self._help.layer.visible = not self._help.layer.visible

    @property
    def help_shown(self) -> bool:
        """Whether the help lies over the scene."""
        return self._help.layer.visible

    def boxes(self) -> list[Box]:
        """Where the ink of every text in the scene lies, the help's apart."""
        return [box for layer in self._layers() for box in layer.boxes()]

    def help_boxes(self) -> list[Box]:
        """Where the ink of every text of the help lies."""
        return self._help.layer.boxes()

    def _layers(self) -> tuple[Layer, ...]:
        return (
            self._header.layer, self._figure.layer, self._figure.figure_layer, self._table.layer,
        )  # fmt: skip

    def _place(self, width: float, height: float, pixel_scale: float) -> None:
        self.layout = layout = FitterLayout.of(width, height)
        # Most of the picture is panel: to clear to its colour and draw the gaps is least work where
        # a processor draws in place of a graphics card.
        self._canvas.bgcolor = theme.PANEL
        self._backdrop.clear()
        for gap in layout.gaps(width, height):
            self._backdrop.rect(gap, theme.GROUND)
        self._backdrop.show(pixel_scale)
        self._header.place(layout.header, layout.unit, pixel_scale)
        self._figure.place(layout.figure, layout.unit, pixel_scale)
        self._table.place(layout.table, layout.unit, pixel_scale)
        self._help.place(Rect(0, 0, width, height), layout.unit, pixel_scale)
