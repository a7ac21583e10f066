"""A picture of a check: stamps and gaps over time, markers over the crank."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont

from livefit.checking.findings import Report
from livefit.checking.judge import Pictured
from livefit.frames import FloatArray

Color = tuple[int, int, int]

PAPER, INK, QUIET, LINE = (255, 255, 255), (28, 32, 38), (96, 104, 114), (196, 202, 208)
GOOD, SEEN, BAD = (36, 110, 150), (222, 233, 240), (190, 50, 30)
WIDTH = 1600
_LEFT, _RIGHT = 200, 60
_TOP = 96
_STAMPS, _BAND, _ROW = 200, 44, 30
_BETWEEN = 92
_TITLE, _TEXT, _SMALL = 30, 20, 17
_LEAST_MS = 1.0
"""Half the height of the stamps' panel at least, so that rounding does not look like scatter."""
_QUARTERS = ("0° top", "90° forward", "180° bottom", "270° rearward", "360°")


def draw(report: Report, pictured: Pictured) -> Image.Image:
    """Draw what a check saw, 1600 px wide.

    Rows: each stamp less the even beat; where frames were lost; and for each marker how often it
    was missing, over the crank if one was found, else over time.
    """
    sheet = _Paper(max(len(pictured.missing), 1))
    sheet.title(report)
    sheet.stamps(pictured)
    sheet.gaps(pictured)
    sheet.markers(pictured)
    return sheet.image


def save(report: Report, pictured: Pictured, path: Path) -> None:
    """Draw and write a PNG file."""
    draw(report, pictured).save(path, format="PNG")


class _Paper:
    """A sheet for so many markers."""

    def __init__(self, markers: int) -> None:
        self._y_stamps = _TOP + 40
        self._y_gaps = self._y_stamps + _STAMPS + _BETWEEN
        self._y_markers = self._y_gaps + _BAND + _BETWEEN + 10
        height = self._y_markers + markers * _ROW + 60
        self.image = Image.new("RGB", (WIDTH, height), PAPER)
        self._pen = ImageDraw.Draw(self.image)

    def _text(
        self, x: float, y: float, text: str, size: int = _TEXT, color: Color = INK, at: str = "la"
    ) -> None:
        self._pen.text((x, y), text, fill=color, font=ImageFont.load_default(size), anchor=at)

    def title(self, report: Report) -> None:
        counts = {
            level: sum(f.level == level for f in report.findings) for level in ("fault", "warning")
        }
        verdict = ", ".join(f"{n} {what}{'s' * (n > 1)}" for what, n in counts.items() if n)
        self._text(_LEFT, 30, report.source, _TITLE)
        told = f"{report.frames} frames in {report.seconds:.1f} s · {verdict or 'sound'}"
        self._text(_LEFT, 68, told, _TEXT, BAD if verdict else QUIET)

    def _time_axis(self, y: float, seconds: float) -> None:
        for k in range(5):
            x = self._x(k / 4)
            self._pen.line([(x, y), (x, y + 6)], fill=QUIET)
            self._text(x, y + 9, f"{seconds * k / 4:.1f} s", _SMALL, QUIET, "ma")

    def _x(self, share: float) -> float:
        return _LEFT + share * (WIDTH - _LEFT - _RIGHT)

    def stamps(self, pictured: Pictured) -> None:
        """Each stamp less the even beat, as dots; those beyond the panel at its edge."""
        top, middle = self._y_stamps, self._y_stamps + _STAMPS / 2
        off = 1e3 * pictured.scatter_s
        most = max(_LEAST_MS, 1.3 * float(np.quantile(np.abs(off), 0.99)))
        self._text(_LEFT, top - 30, "Time stamps, less an even beat", _TEXT)
        self._pen.rectangle([(_LEFT, top), (WIDTH - _RIGHT, top + _STAMPS)], outline=LINE)
        for share in (-1.0, 0.0, 1.0):
            y = middle - share * _STAMPS / 2
            self._pen.line([(_LEFT, y), (WIDTH - _RIGHT, y)], fill=LINE)
            self._text(
                _LEFT - 12, y, f"{share * most:+.2g} ms" if share else "0", _SMALL, QUIET, "rm"
            )
        span = max(float(pictured.t[-1]), 1e-9)
        for t, value in zip(pictured.t.tolist(), off.tolist(), strict=True):
            beyond = abs(value) > most
            y = middle - float(np.clip(value / most, -1, 1)) * _STAMPS / 2
            x, r = self._x(t / span), 4 if beyond else 1.5
            self._pen.ellipse([(x - r, y - r), (x + r, y + r)], fill=BAD if beyond else GOOD)
        self._time_axis(top + _STAMPS, span)

    def gaps(self, pictured: Pictured) -> None:
        """A band that is broken where frames were lost."""
        top, span = self._y_gaps, max(float(pictured.t[-1]), 1e-9)
        lost = int((pictured.steps - 1).sum())
        self._text(_LEFT, top - 30, f"Frames that came, red where lost ({lost})", _TEXT)
        self._pen.rectangle([(_LEFT, top), (WIDTH - _RIGHT, top + _BAND)], fill=GOOD)
        for k in np.flatnonzero(pictured.steps > 1).tolist():
            left, right = self._x(pictured.t[k] / span), self._x(pictured.t[k + 1] / span)
            self._pen.rectangle([(left, top), (max(right, left + 2), top + _BAND)], fill=BAD)
        self._time_axis(top + _BAND, span)

    def markers(self, pictured: Pictured) -> None:
        """A row for each marker: the share missing, by crank angle or by time."""
        top = self._y_markers
        if not pictured.missing:
            self._text(_LEFT, top - 30, "No marker is known by its label", _TEXT, BAD)
            return
        over_crank = bool(pictured.hidden)
        where = "round its own crank" if over_crank else "over time, for want of a crank"
        self._text(_LEFT, top - 30, f"Share of frames without each marker, {where}", _TEXT)
        names = list(pictured.missing)
        for row, name in enumerate(names):
            y = top + row * _ROW
            share = pictured.hidden.get(name, np.empty(0))
            if not len(share):
                share = _over_time(pictured.missing[name])
            self._text(_LEFT - 12, y + _ROW / 2, name, _SMALL, INK, "rm")
            self._cells(y, share)
        bottom = top + len(names) * _ROW
        if over_crank:
            for k, text in enumerate(_QUARTERS):
                self._text(self._x(k / 4), bottom + 10, text, _SMALL, QUIET, "ma")
        else:
            self._time_axis(bottom, float(pictured.t[-1]))

    def _cells(self, y: float, share: FloatArray) -> None:
        """Cells from the colour of what is there to that of what is missing."""
        for k, part in enumerate(share.tolist()):
            left, right = self._x(k / len(share)), self._x((k + 1) / len(share))
            color = SEEN if part <= 0 else _mixed(part)
            self._pen.rectangle([(left, y + 1), (right - 1, y + _ROW - 2)], fill=color)
            if part >= 0.005:
                text = f"{100 * part:.0f} %"
                ink = PAPER if part > 0.45 else INK
                self._text((left + right) / 2, y + _ROW / 2, text, _SMALL, ink, "mm")


_FAINT: Color = (250, 226, 200)


def _mixed(part: float) -> Color:
    """From a faint warning colour to the full one."""
    red, green, blue = (round(a + part * (b - a)) for a, b in zip(_FAINT, BAD, strict=True))
    return red, green, blue


def _over_time(missing: NDArray[np.bool_]) -> FloatArray:
    """Share missing in 24 equal parts of the time."""
    parts = np.array_split(missing, 24)
    return np.array([float(part.mean()) if len(part) else 0.0 for part in parts])
