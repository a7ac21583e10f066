"""What the channels of an LSL stream are, from its XML description.

After the recommendations for content type MoCap of the XDF project (github.com/sccn/xdf, wiki page
"MoCap Meta-Data", revision of 28 April 2021): each channel tells its label, marker, type
(PositionX, PositionY, PositionZ, Orientation., Confidence) and unit, strongly preferred metres.
"""

from __future__ import annotations

from dataclasses import dataclass
from xml.etree import ElementTree

import numpy as np
from numpy.typing import NDArray

from livefit.frames import Channel, FloatArray
from livefit.sources.reading import FARTHEST_MM

_AXES = {"positionx": 0, "positiony": 1, "positionz": 2}
_MM = {
    "": 1000.0, "m": 1000.0, "meter": 1000.0, "meters": 1000.0, "metre": 1000.0, "metres": 1000.0,
    "cm": 10.0, "centimeter": 10.0, "centimeters": 10.0, "centimetre": 10.0, "centimetres": 10.0,
    "mm": 1.0, "millimeter": 1.0, "millimeters": 1.0, "millimetre": 1.0, "millimetres": 1.0,
}  # fmt: skip


@dataclass(frozen=True)
class Layout:
    """Where the markers and the extra signals are among a stream's channels.

    Attributes
    ----------
    name
        Of the stream.
    rate_hz
        Nominal sampling rate; 0: irregular.
    labels
        m markers that have all three coordinates.
    columns
        (m, 3) channel numbers of x, y, z.
    scale
        (m, 3) millimetres in the channel's unit.
    confidence
        (m,) channel number of each marker's confidence, -1 where it has none.
    channels, channel_columns
        k extra signals, and their (k,) channel numbers.
    """

    name: str
    rate_hz: float
    labels: tuple[str, ...]
    columns: NDArray[np.int64]
    scale: FloatArray
    confidence: NDArray[np.int64]
    channels: tuple[Channel, ...]
    channel_columns: NDArray[np.int64]

    def positions(self, samples: FloatArray) -> FloatArray:
        """Return samples (n, channels) as positions (n, m, 3) in mm.

        A marker of confidence 0 was not seen, nor one farther away than any place.
        """
        farthest = FARTHEST_MM / self.scale
        placed = samples[:, self.columns]
        placed[~(np.abs(placed) <= farthest).all(axis=2)] = np.nan
        placed *= self.scale
        known = self.confidence >= 0
        unseen = np.zeros(placed.shape[:2], bool)
        unseen[:, known] = ~(samples[:, self.confidence[known]] > 0)
        placed[unseen] = np.nan
        return placed


def layout_of(xml: str) -> Layout:
    """Read a stream's description.

    Parameters
    ----------
    xml
        As ``StreamInfo.as_xml`` gives it.

    Raises
    ------
    ValueError
        If it is not as expected: a marker without one of its axes or of an unknown unit, more
        channels than the stream has, text instead of numbers.
    """
    try:
        root = ElementTree.fromstring(xml)
    except ElementTree.ParseError as error:
        raise ValueError(f"expected an LSL stream's XML description: {error}") from error
    described = root.findall("desc/channels/channel")
    count = int(_text(root, "channel_count") or 0)
    if _text(root, "channel_format") == "string" or len(described) > count:
        raise ValueError(
            f"expected numbers, and at most as many described channels as there are, found "
            f"{len(described)} described of {count} with {_text(root, 'channel_format')}"
        )
    axes: dict[str, dict[int, tuple[int, float]]] = {}
    confidence: dict[str, int] = {}
    extra: list[tuple[int, Channel]] = []
    for column, channel in enumerate(described):
        label, kind = _text(channel, "label"), _text(channel, "type").lower()
        marker = _text(channel, "marker") or _text(channel, "object")
        unit = _text(channel, "unit")
        if kind in _AXES:
            marker = marker or _without_axis(label)
            if unit.lower() not in _MM:
                raise ValueError(
                    f"channel {label!r}: expected a unit of length such as meters, found {unit!r}; "
                    "correct the description where the stream is made"
                )
            axes.setdefault(marker, {})[_AXES[kind]] = column, _MM[unit.lower()]
        elif kind == "confidence":
            confidence[marker] = column
        elif not kind.startswith("orientation") and label and not marker:
            extra.append((column, Channel(label, unit)))
    torn = [marker for marker, found in axes.items() if len(found) < 3]
    if torn:
        raise ValueError(
            f"marker {', '.join(torn)}: expected channels of the types PositionX, PositionY and "
            "PositionZ, found fewer; name the marker in each channel's description"
        )
    places = [[found[axis] for axis in range(3)] for found in axes.values()]
    table = np.array(places, dtype=np.float64).reshape(-1, 3, 2)
    return Layout(
        name=_text(root, "name"),
        rate_hz=float(_text(root, "nominal_srate") or 0.0),
        labels=tuple(axes),
        columns=table[..., 0].astype(np.int64),
        scale=table[..., 1],
        confidence=np.array([confidence.get(marker, -1) for marker in axes], np.int64),
        channels=tuple(channel for _, channel in extra),
        channel_columns=np.array([column for column, _ in extra], np.int64),
    )


def _text(element: ElementTree.Element, name: str) -> str:
    return (element.findtext(name) or "").strip()


def _without_axis(label: str) -> str:
    """R_GT of R_GT_X or R_GT_PositionX."""
    return label.rpartition("_")[0] or label
