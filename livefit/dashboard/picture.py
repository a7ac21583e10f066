"""A picture of the dashboard without a window."""

from __future__ import annotations

import gc
import os
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray
from PIL import Image

from livefit.dashboard.model import DashboardModel

NO_GL = (
    "no picture: OpenGL could not be started without a screen ({error}). It needs EGL and a GL "
    "driver; on Debian and Ubuntu: apt-get install libegl1 libgl1 libfontconfig1"
)


class NoGraphicsError(RuntimeError):
    """The machine has no OpenGL that the dashboard could draw with."""


def has_display() -> bool:
    """Whether a window can be opened here at all."""
    if not sys.platform.startswith("linux"):
        return True
    return bool(os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY"))


def save_picture(
    model: DashboardModel, path: Path | str, size: tuple[int, int] = (1920, 1080)
) -> Path:
    """Draw ``model`` as the fitter's window would show it and write a PNG file.

    Raises
    ------
    NoGraphicsError
        There is no OpenGL here.
    """
    return write_png(render(model, size), path)


def write_png(pixels: NDArray[np.uint8], path: Path | str) -> Path:
    """Write (height, width, 3) pixels as PNG."""
    path = Path(path)
    path.parent.mkdir(parents=True, exist_ok=True)
    Image.fromarray(pixels).save(path, format="PNG")
    return path


def render(model: DashboardModel, size: tuple[int, int]) -> NDArray[np.uint8]:
    """Pixels (height, width, 3) of the fitter's scene, drawn off screen.

    Raises
    ------
    NoGraphicsError
        There is no OpenGL here.
    """
    from livefit.dashboard.fitter_view import FitterView

    with offscreen_canvas(size) as canvas:
        FitterView(canvas, model).refresh()
        return np.ascontiguousarray(canvas.render(alpha=False))


@contextmanager
def offscreen_canvas(size: tuple[int, int]) -> Iterator[Any]:
    """A vispy canvas of ``size`` px on EGL, closed at the end.

    Raises
    ------
    NoGraphicsError
        There is no OpenGL here.
    """
    canvas = new_offscreen(size)
    try:
        yield canvas
    finally:
        close_offscreen(canvas)


def new_offscreen(size: tuple[int, int], kind: Callable[..., Any] | None = None) -> Any:
    """A vispy canvas of ``size`` px on EGL, to be closed with ``close_offscreen``.

    ``kind`` makes it; None: a plain ``SceneCanvas``.

    Raises
    ------
    NoGraphicsError
        There is no OpenGL here.
    """
    with _without_screen():
        try:
            from vispy.scene import SceneCanvas

            make = SceneCanvas if kind is None else kind
            return make(app="egl", size=size, dpi=96, show=False, keys=None)
        except Exception as error:
            raise NoGraphicsError(NO_GL.format(error=error)) from error


def close_offscreen(canvas: Any) -> None:
    """Close a canvas of ``new_offscreen``."""
    from vispy.ext import egl

    canvas.close()
    gc.collect()
    with _without_screen():
        # A context left current keeps every window of this thread from drawing.
        egl.eglMakeCurrent(
            egl.eglGetDisplay(), egl.EGL_NO_SURFACE, egl.EGL_NO_SURFACE, egl.EGL_NO_CONTEXT
        )


@contextmanager
def _without_screen() -> Iterator[None]:
    """EGL takes the platform that needs no screen, unless the user chose another."""
    if "EGL_PLATFORM" in os.environ:
        yield
        return
    os.environ["EGL_PLATFORM"] = "surfaceless"
    try:
        yield
    finally:
        del os.environ["EGL_PLATFORM"]
