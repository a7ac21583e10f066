"""Numbers as they are written on every screen."""

from __future__ import annotations

from livefit.view import words


def format_value(value: float | None, decimals: int) -> str:
    """``value`` to ``decimals`` places with a true minus sign, and no minus before zero.

    Examples
    --------
    >>> format_value(-0.04, 1), format_value(-12.3, 0), format_value(None, 0)
    ('0.0', '−12', '–')
    """
    if value is None:
        return words.NOTHING
    text = f"{value:.{decimals}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return text.replace("-", words.MINUS)


def signed(value: float, decimals: int) -> str:
    """``value`` with its sign; zero has none.

    Examples
    --------
    >>> signed(3.42, 1), signed(-2.0, 0), signed(0.04, 1)
    ('+3.4', '−2', '0.0')
    """
    text = format_value(value, decimals)
    return text if value < 0 or not text.strip("0.") else f"+{text}"
