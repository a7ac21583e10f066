"""A picture of a comparison: every difference with its interval, the sure ones in colour."""

from __future__ import annotations

from pathlib import Path

from PIL import Image, ImageDraw, ImageFont

from livefit.analysis.comparison import ComparedRow, Comparison
from livefit.definitions import Definitions

PAPER, INK, QUIET, LINE = (255, 255, 255), (28, 32, 38), (96, 104, 114), (206, 212, 218)
TOLD, HIDDEN = (36, 110, 150), (150, 156, 164)
WIDTH = 1600
_LEFT, _RIGHT, _NUMBERS = 560, 60, 330
_TOP, _ROW, _FOOT = 150, 44, 60
_TITLE, _TEXT, _SMALL = 32, 22, 18
_SIDE = {"L": "left", "R": "right", "B": ""}
_LEAST = {"deg": 2.0, "mm": 5.0, "rpm": 2.0, "W": 5.0}
"""The scale reaches at least so far either way."""
_UNIT = {"deg": "°", "mm": " mm", "rpm": " rpm", "W": " W"}


def draw(found: Comparison, definitions: Definitions, names: tuple[str, str]) -> Image.Image:
    """Draw the differences of two trials, named before and now, 1600 px wide.

    Each unit has its own scale, with nought in the middle.
    """
    rows = [*found.rows, *found.loads]
    image = Image.new("RGB", (WIDTH, _TOP + _ROW * len(rows) + _FOOT), PAPER)
    pen = ImageDraw.Draw(image)
    _text(pen, _RIGHT, 30, f"{names[1]} less {names[0]}", _TITLE, INK)
    explained = (
        "Difference of the means with its 95 % interval; dark: told from chance among the rows; "
        f"grey: may be chance{_markers(found)}"
    )
    _text(pen, _RIGHT, 78, explained, _SMALL, QUIET)
    left, right = _LEFT, WIDTH - _RIGHT - _NUMBERS
    middle = (left + right) / 2
    bottom = _TOP + _ROW * len(rows)
    pen.line([(middle, _TOP - 12), (middle, bottom)], fill=QUIET, width=2)
    _text(pen, middle, _TOP - 36, "0", _SMALL, QUIET, "ma")
    reach = {unit: _reach(rows, unit) for unit in {row.unit for row in rows}}
    for k, row in enumerate(rows):
        y = _TOP + (k + 0.5) * _ROW
        pen.line([(_RIGHT, y + _ROW / 2), (WIDTH - _RIGHT, y + _ROW / 2)], fill=LINE)
        _row(pen, row, y, definitions, (middle, (right - left) / 2 / reach[row.unit]))
    told = ", ".join(f"±{reach[u]:g}{_UNIT[u]}" for u in sorted(reach))
    _text(pen, middle, bottom + 16, f"scales reach {told}", _SMALL, QUIET, "ma")
    return image


def _markers(found: Comparison) -> str:
    counted = "" if any(row.anew is not None for row in found.rows) else "not "
    return f"; markers put on anew, {counted}counted" if found.anew else ""


def save(found: Comparison, definitions: Definitions, names: tuple[str, str], path: Path) -> None:
    """Draw and write a PNG file."""
    draw(found, definitions, names).save(path, format="PNG")


def _row(
    pen: ImageDraw.ImageDraw,
    row: ComparedRow,
    y: float,
    definitions: Definitions,
    scale: tuple[float, float],
) -> None:
    measure, side, event = row.key
    known = {m.name: m.title.partition(",")[0] for m in definitions.measures}
    name = f"{known.get(measure, measure)}, {definitions.event(event).short}, {_SIDE[side]}"
    _text(pen, _RIGHT, y, name.removesuffix(", "), _TEXT, INK, "lm")
    change, color = row.judged.change, TOLD if row.judged.told else HIDDEN
    if change.low != change.low:
        _text(pen, WIDTH - _RIGHT, y, "too few strokes", _TEXT, QUIET, "rm")
        return
    middle, px = scale
    low, at, high = (middle + px * value for value in (change.low, change.by, change.high))
    pen.line([(low, y), (high, y)], fill=color, width=6)
    pen.ellipse([(at - 9, y - 9), (at + 9, y + 9)], fill=color)
    half = (change.high - change.low) / 2
    text = f"{change.by:+.1f} ± {half:.1f}{_UNIT[row.unit]}"
    _text(pen, WIDTH - _RIGHT, y, text, _TEXT, INK if row.judged.told else QUIET, "rm")


def _reach(rows: list[ComparedRow], unit: str) -> float:
    ends = [
        abs(end)
        for row in rows
        if row.unit == unit
        for end in (row.judged.change.low, row.judged.change.high)
        if end == end
    ]
    return float(round(1.08 * max([*ends, _LEAST[unit]]), 1))


def _text(
    pen: ImageDraw.ImageDraw,
    x: float,
    y: float,
    text: str,
    size: int,
    color: tuple[int, int, int],
    at: str = "la",
) -> None:
    pen.text((x, y), text, fill=color, font=ImageFont.load_default(size), anchor=at)
