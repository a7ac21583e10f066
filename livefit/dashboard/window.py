"""Opens the windows and runs them until they are closed."""

from __future__ import annotations

import ctypes
import gc
import os
import signal
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from livefit.dashboard import theme
from livefit.dashboard.link import Commander, Receiver
from livefit.dashboard.model import DashboardModel
from livefit.dashboard.picture import has_display
from livefit.definitions.models import Definitions
from livefit.view.rider import RiderModel
from livefit.view.table import Chosen

if TYPE_CHECKING:
    from PySide6.QtCore import QCoreApplication
    from PySide6.QtGui import QScreen
    from PySide6.QtWidgets import QMainWindow

LIBRARIES = (
    "libfontconfig.so.1", "libEGL.so.1", "libGL.so.1", "libglib-2.0.so.0", "libdbus-1.so.3",
    "libxkbcommon-x11.so.0", "libxcb-cursor.so.0", "libxcb-icccm.so.4", "libxcb-keysyms.so.1",
    "libxcb-shape.so.0", "libxcb-xkb.so.1",
)  # fmt: skip
"""What Qt and vispy load from a Linux system besides what their own packages bring."""
APT = (
    "apt-get install libfontconfig1 libegl1 libgl1 libglib2.0-0 libdbus-1-3 libxkbcommon-x11-0 "
    "libxcb-cursor0 libxcb-icccm4 libxcb-keysyms1 libxcb-shape0 libxcb-xkb1"
)


class WindowError(RuntimeError):
    """No window can be opened here; the text says why and what to do."""


def run_dashboard(
    results_endpoint: str,
    control_endpoint: str,
    definitions: Definitions,
    *,
    chosen: Chosen | None = None,
    picture_dir: Path | None = None,
    full_screen: bool = False,
    screen: int | None = None,
    tick_ms: int = 16,
) -> int:
    """Show the fitter's window until it is closed.

    Parameters
    ----------
    results_endpoint, control_endpoint
        Where the processing node publishes, and where it takes requests.
    definitions
        Names and words of measures and events.
    chosen
        (measure, event) of each row; None for the default rows.
    picture_dir
        Where saved pictures go; None for the present directory.
    full_screen
        Whether to fill the screen at once.
    screen
        Number of the screen to open on, from 0; None leaves it to the system.
    tick_ms
        Time between two pictures; raise it where a processor draws in place of a graphics card.

    Returns
    -------
    int
        Exit status of the window's event loop.

    Raises
    ------
    WindowError
        There is no screen, or a library that the window needs is missing.
    """
    check_window_possible()
    from PySide6.QtWidgets import QApplication

    from livefit.dashboard.fitter_window import FitterWindow

    model = DashboardModel(definitions, chosen, endpoint=results_endpoint)
    app = QApplication.instance() or QApplication(["livefit"])
    place = chosen_screen(QApplication.screens(), screen)
    return show_until_closed(
        app,
        FitterWindow(
            model,
            Receiver(results_endpoint),
            Commander(control_endpoint),
            picture_dir=picture_dir or Path.cwd(),
            tick_ms=tick_ms,
        ),
        place,
        full_screen,
    )


def run_rider(
    results_endpoint: str,
    definitions: Definitions,
    *,
    chosen: Chosen | None = None,
    full_screen: bool | None = None,
    screen: int | None = None,
    theme_name: str = "dark",
    tick_ms: int = 16,
) -> int:
    """Show the rider's window until it is closed.

    Parameters
    ----------
    results_endpoint
        Where the processing node publishes.
    definitions
        Names and words of measures, events and adjustments, and the screen ``rider``.
    chosen
        (measure, event) of what is shown while the fitter has chosen nothing for the rider.
    full_screen
        Whether to fill the screen at once; None: if there is a second screen.
    screen
        Number of the screen to open on, from 0; None: the second, if there is one.
    theme_name
        ``dark`` or ``light``.
    tick_ms
        Time between two pictures.

    Returns
    -------
    int
        Exit status of the window's event loop.

    Raises
    ------
    WindowError
        There is no screen, or a library that the window needs is missing.
    DefinitionError
        There is no screen named ``rider``.
    ValueError
        There is no such theme.
    """
    theme.use(theme_name)
    where = definitions.screen("rider")
    check_window_possible()
    from PySide6.QtWidgets import QApplication

    from livefit.dashboard.rider_window import RiderWindow

    app = QApplication.instance() or QApplication(["livefit"])
    screens = QApplication.screens()
    second = len(screens) > 1
    place = chosen_screen(screens, 1 if screen is None and second else screen)
    model = RiderModel(definitions, chosen)
    return show_until_closed(
        app,
        RiderWindow(model, Receiver(results_endpoint, ["results"]), where, tick_ms=tick_ms),
        place,
        second if full_screen is None else full_screen,
    )


def chosen_screen(screens: list[QScreen], number: int | None) -> QScreen | None:
    """The screen of this number; None leaves it to the system."""
    if number is not None and not 0 <= number < len(screens):
        raise WindowError(f"screen {number} does not exist; there are 0 to {len(screens) - 1}")
    return None if number is None else screens[number]


def show_until_closed(
    app: QCoreApplication, window: QMainWindow, screen: QScreen | None, full_screen: bool
) -> int:
    """Show ``window``, which nobody else holds, until it is closed or the process is to end.

    A signal may come in the middle of a picture, and quitting closes the window at once: the
    picture is finished first.
    """
    from PySide6.QtCore import QTimer

    if screen is not None:
        window.setScreen(screen)
        window.setGeometry(screen.availableGeometry())
    if full_screen:
        window.showFullScreen()
    else:
        window.show()
    ends = (signal.SIGINT, signal.SIGTERM)
    before = [signal.signal(end, lambda *_: QTimer.singleShot(0, app.quit)) for end in ends]
    try:
        return int(app.exec())
    finally:
        for end, handler in zip(ends, before, strict=True):
            signal.signal(end, handler)
        window.close()
        del window
        gc.collect()


def check_window_possible() -> None:
    """Make sure that Qt can start here: it would end the whole process where it cannot.

    Raises
    ------
    WindowError
        There is no screen, or a library is missing.
    """
    if sys.platform.startswith("linux"):
        # Native Wayland may give an OpenGL ES context, which vispy cannot draw with.
        os.environ.setdefault("QT_QPA_PLATFORM", "xcb")
        missing = [name for name in LIBRARIES if not _loads(name)]
        if missing:
            raise WindowError(
                f"the window needs {', '.join(missing)}, not found on this system. "
                f"On Debian and Ubuntu: {APT}"
            )
    if not has_display():
        raise WindowError(
            "no screen: expected DISPLAY or WAYLAND_DISPLAY in the environment, found neither. "
            "Run this on the desktop, or use the table in the terminal"
        )


def _loads(name: str) -> bool:
    try:
        ctypes.CDLL(name)
    except OSError:
        return False
    return True
