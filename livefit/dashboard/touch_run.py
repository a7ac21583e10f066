"""Opens the window of guided touching and runs it until it is closed."""

from __future__ import annotations

from collections.abc import Callable

from livefit.dashboard import theme
from livefit.dashboard.window import check_window_possible, chosen_screen, show_until_closed
from livefit.definitions.models import Screen
from livefit.view.touching import TouchModel
from livefit.wire.sockets import Subscriber


def run_touch_window(
    model: TouchModel,
    frames_endpoint: str,
    where: Screen,
    *,
    save: Callable[[TouchModel], str],
    beside: Callable[[TouchModel], None] = lambda _: None,
    full_screen: bool = False,
    screen: int | None = None,
    theme_name: str = "dark",
) -> int:
    """Show the window until it is closed.

    Parameters
    ----------
    model
        What is shown.
    frames_endpoint
        Where frames are published.
    where
        How large the screen is and how far from the person with the pointer.
    save, beside
        As of :class:`livefit.dashboard.touch_window.TouchWindow`.
    full_screen, screen, theme_name
        Whether to fill the screen, its number, and ``dark`` or ``light``.

    Returns
    -------
    int
        Exit status of the window's event loop.

    Raises
    ------
    WindowError
        There is no screen, or a library that the window needs is missing.
    ValueError
        There is no such theme.
    """
    theme.use(theme_name)
    check_window_possible()
    from PySide6.QtWidgets import QApplication

    from livefit.dashboard.touch_window import TouchWindow

    app = QApplication.instance() or QApplication(["livefit"])
    place = chosen_screen(QApplication.screens(), screen)
    with Subscriber(frames_endpoint, ["description", "frames"]) as frames:
        return show_until_closed(
            app,
            TouchWindow(model, frames, where, save=save, beside=beside),
            place,
            full_screen,
        )
