"""How large type must be to be read from where people are.

Every text of a window is read from the screen's ``distance_mm``, and so are its capitals
``CAP_ARCMIN`` high from there. Where there is no room for that, fewer things are shown, or shorter
words. Smaller is only what somebody reads who has come up to the screen to use or to learn the
program: keys and questions, the help, headings of columns, legends, the names beside the figure's
numbers. It is drawn as ``close`` and stands as high from ``CLOSE_MM``.
"""

from __future__ import annotations

import math

from livefit.definitions.models import Screen

CAP_ARCMIN = 20.0
"""Height of capitals and digits seen from the eye: ISO 9241-303 recommends 20 to 22 minutes of
arc and allows no less than 16 (from memory)."""
CLOSE_MM = 750.0
"""From the eye to a screen whose keys one can reach."""


def cap_height_mm(distance_mm: float, arcmin: float = CAP_ARCMIN) -> float:
    """Height that fills ``arcmin`` minutes of arc at ``distance_mm``.

    Examples
    --------
    >>> round(cap_height_mm(2000.0), 2)
    11.64
    """
    return 2.0 * distance_mm * math.tan(math.radians(arcmin / 60.0) / 2.0)


def cap_height_px(screen: Screen, screen_px: tuple[float, float]) -> float:
    """Least height of capitals on ``screen``, which is ``screen_px`` pixels wide and high.

    The pixels are those that layouts count in. A canvas that fills the screen has the screen's
    size; for one in a window give the size of the whole screen.

    Raises
    ------
    ValueError
        The size is not positive.
    """
    if min(screen_px) <= 0:
        raise ValueError(f"expected a screen's width and height in pixels, got {screen_px}")
    return cap_height_mm(screen.distance_mm) * math.hypot(*screen_px) / screen.diagonal_mm


def type_size_px(
    screen: Screen,
    screen_px: tuple[float, float],
    *,
    cap_share: float,
    least: float,
    most: float,
) -> float:
    """Size of type, px, legible on ``screen``, between what a layout likes and what it can hold.

    Parameters
    ----------
    screen, screen_px
        As for `cap_height_px`.
    cap_share
        Height of the face's capitals over the size of the type.
    least
        px, the layout's own size; larger only where legibility asks for it.
    most
        px, the largest for which everything still fits. It wins where the screen is too small or
        too far for both: the type grows no further, so that nothing is cut off or left out.
    """
    return min(max(cap_height_px(screen, screen_px) / cap_share, least), most)
