"""What a window shows a vispy canvas on.

With a graphics card Qt composes the canvas onto the screen. Where a processor draws instead, that
costs more than the drawing itself; there the canvas draws off screen and the window shows the
pixels (1920 x 1080 on two cores: three to four times as many pictures a second).
"""

from __future__ import annotations

import math
import sys
from collections.abc import Sequence
from functools import cache
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray
from PySide6.QtCore import QRect, QSize
from PySide6.QtGui import QImage, QPainter, QPaintEvent, QRegion, QResizeEvent, QScreen
from PySide6.QtWidgets import QWidget
from vispy.gloo import FrameBuffer, RenderBuffer, gl
from vispy.scene import SceneCanvas

from livefit.dashboard.layer import Area
from livefit.dashboard.picture import NoGraphicsError, close_offscreen, new_offscreen

EDGE = 2
"""Pixels beyond an area that its smooth edges may touch."""
SOFTWARE = ("llvmpipe", "softpipe", "swrast", "swiftshader")
"""How OpenGL on a processor names itself."""


class Surface(Protocol):
    """A widget with a canvas on it."""

    @property
    def canvas(self) -> Any:
        """The vispy canvas."""

    @property
    def widget(self) -> QWidget:
        """What takes keys and clicks."""

    def show_scene(self, areas: Sequence[Area] | None) -> None:
        """Put the scene on screen; it has changed in these areas, or None: anywhere."""

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Where a point of the widget lies on the canvas."""

    def follow_screen(self, screen: QScreen) -> None:
        """The window moved to another screen, of another pixel density maybe."""

    def close_canvas(self) -> None:
        """Give up the canvas."""


def new_surface(size: tuple[int, int]) -> Surface:
    """The surface that suits this machine, with a canvas of ``size`` px to begin with."""
    return PixelSurface(size) if drawn_by_processor() else CardSurface(size)


@cache
def drawn_by_processor() -> bool:
    """Whether OpenGL runs without a graphics card here, and can draw off screen."""
    if not sys.platform.startswith("linux"):
        return False
    try:
        canvas = new_offscreen((16, 16))
    except NoGraphicsError:
        return False
    try:
        canvas.set_current()
        renderer = str(gl.glGetParameter(gl.GL_RENDERER)).lower()
    finally:
        close_offscreen(canvas)
    return any(name in renderer for name in SOFTWARE)


class CardSurface:
    """The canvas's own widget, composed by Qt."""

    def __init__(self, size: tuple[int, int]) -> None:
        self.canvas: Any = SceneCanvas(app="pyside6", size=size, dpi=96, keys=None, show=False)
        self.widget: QWidget = self.canvas.native

    def show_scene(self, areas: Sequence[Area] | None) -> None:
        """Nothing to do: vispy asks Qt for it when the scene changes."""

    def at(self, x: float, y: float) -> tuple[float, float]:
        """Canvas and widget count alike."""
        return x, y

    def follow_screen(self, screen: QScreen) -> None:
        """Take the new pixel density."""
        self.canvas.native.screen_changed(screen)

    def close_canvas(self) -> None:
        """Give up the canvas."""
        self.canvas.close()


class _Canvas(SceneCanvas):  # type: ignore[misc]
    """Notes that the scene has changed, and draws parts of it into a buffer that it keeps.

    vispy's own ``render`` makes a buffer anew and moves every transform for each picture, which on
    a processor takes as long as the drawing itself.
    """

    def __init__(self, **options: Any) -> None:
        self.changed = True
        self._buffer: FrameBuffer | None = None
        super().__init__(**options)

    def update(self, node: Any = None) -> None:
        """The scene has changed."""
        self.changed = True
        super().update(node)

    def pixels(
        self, left: int, top: int, width: int, height: int, visuals: Sequence[Any] = ()
    ) -> NDArray[np.uint8]:
        """Draw some visuals, or none named: all, and return an area's (height, width, 4) pixels."""
        self.set_current()
        buffer = self._buffer_of_size()
        area = (left, self.size[1] - top - height, width, height)  # GL counts from below
        self.context.set_scissor(*area)
        self.context.set_state(scissor_test=True)
        try:
            if visuals:
                self.context.clear(color=self.bgcolor)
                for visual in visuals:
                    if visual.visible:
                        visual.draw()
            else:
                self._draw_scene()
            read: NDArray[np.uint8] = buffer.read(crop=area)
        finally:
            self.context.set_state(scissor_test=False)
        return read

    def _buffer_of_size(self) -> Any:
        shape = self.size[::-1]
        if self._buffer is not None and self._buffer.color_buffer.shape[:2] != shape:
            self.pop_fbo()
            self._buffer.delete()
            self._buffer = None
        if self._buffer is None:
            self._buffer = FrameBuffer(color=RenderBuffer(shape))
            self.push_fbo(self._buffer, (0, 0), self.size)
        return self._buffer


class PixelSurface(QWidget):
    """Shows the pixels of a canvas that draws off screen, one for each pixel of the screen."""

    def __init__(self, size: tuple[int, int]) -> None:
        super().__init__()
        self.canvas: Any = new_offscreen(size, kind=_Canvas)
        self._size_hint = QSize(*size)
        self._image: QImage | None = None
        self._pixels: NDArray[np.uint8] | None = None

    @property
    def widget(self) -> QWidget:
        """The widget itself."""
        return self

    def sizeHint(self) -> QSize:
        """The size to begin with."""
        return self._size_hint

    def show_scene(self, areas: Sequence[Area] | None) -> None:
        """Draw what has changed of the scene."""
        if not self.canvas.changed:
            return
        self.canvas.changed = False
        width, height = self.canvas.size
        if not areas or self._pixels is None or self._pixels.shape[:2] != (height, width):
            # The image borrows the pixels' memory, which is kept as long as it.
            self._pixels = np.ascontiguousarray(self.canvas.pixels(0, 0, width, height))
            self._image = QImage(self._pixels.data, width, height, QImage.Format.Format_RGBX8888)
            self.repaint()
            return
        ratio = self.devicePixelRatioF()
        region = QRegion()
        for area in areas:
            rect = area.rect
            left, top = max(int(rect.x) - EDGE, 0), max(int(rect.y) - EDGE, 0)
            right = min(math.ceil(rect.right) + EDGE, width)
            bottom = min(math.ceil(rect.bottom) + EDGE, height)
            w, h = right - left, bottom - top
            if w > 0 and h > 0:
                pixels = self.canvas.pixels(left, top, w, h, area.visuals)
                self._pixels[top:bottom, left:right] = pixels
                region += QRect(
                    int(left / ratio), int(top / ratio), math.ceil(w / ratio) + 1,
                    math.ceil(h / ratio) + 1,
                )  # fmt: skip
        # At once: Qt would put off an update by some milliseconds, to gather others.
        self.repaint(region)

    def at(self, x: float, y: float) -> tuple[float, float]:
        """The canvas counts pixels of the screen."""
        ratio = self.devicePixelRatioF()
        return x * ratio, y * ratio

    def follow_screen(self, screen: QScreen) -> None:
        """Take the new pixel density."""
        del screen
        self._fit()

    def close_canvas(self) -> None:
        """Give up the canvas."""
        close_offscreen(self.canvas)

    def resizeEvent(self, event: QResizeEvent) -> None:
        """Let the canvas fill the widget."""
        super().resizeEvent(event)
        self._fit()

    def paintEvent(self, event: QPaintEvent) -> None:
        """Show the newest pixels, whatever the size of the widget is by now."""
        del event
        if self._image is not None:
            QPainter(self).drawImage(self.rect(), self._image)

    def _fit(self) -> None:
        ratio = self.devicePixelRatioF()
        size = (max(round(self.width() * ratio), 1), max(round(self.height() * ratio), 1))
        if size != tuple(self.canvas.size):
            self.canvas.set_current()
            self.canvas.size = size
            self.canvas.events.resize(size=size, physical_size=size)
            self.canvas.changed = True
