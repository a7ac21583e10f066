"""Marker frames into a C3D file (c3d.org), for programs that read nothing else."""

from __future__ import annotations

from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Final

import ezc3d
import numpy as np

from livefit.frames import MarkerBlock, StreamInfo
from livefit.store.errors import StoreError
from livefit.store.files import copied, written

MOST_FRAMES: Final = 65_535
"""What the header of a C3D file can count."""
MOST_LOST: Final = 10
"""Rows at most for each frame that is there: beyond that the numbers cannot be meant so."""


def part_of(
    block: MarkerBlock, *, from_s: float = 0.0, seconds: float | None = None
) -> MarkerBlock:
    """Return the frames from so many seconds after the first on, for so many seconds."""
    since = block.t - block.t[0]
    rows = since >= from_s
    if seconds is not None:
        rows &= since < from_s + seconds
    return MarkerBlock(
        block.numbers[rows], block.t[rows], block.positions[rows], block.channels[rows]
    )


def write_c3d(info: StreamInfo, block: MarkerBlock, path: Path) -> int:
    """Write marker positions and return how many frames the file has.

    A C3D file knows only frames at one rate: row k is the frame number k after the first, a frame
    that was lost is a row in which no marker was seen. The time stamps of a stream whose frames
    are unevenly spaced, the numbers themselves, and channels are not kept. Positions are single
    precision, in mm, in capture axes.

    Parameters
    ----------
    info, block
        At least one frame.

    Raises
    ------
    StoreError
        If there is no frame, or too many, the frame numbers leap, or the file cannot be written.
    """
    if not len(block):
        raise StoreError(f"{path}: there is no frame to write")
    rows = block.numbers - block.numbers[0]
    count = int(rows[-1]) + 1
    if count > MOST_LOST * len(block):
        raise StoreError(
            f"{path}: {len(block)} frames are numbered over {count}; is this one recording?"
        )
    if count > MOST_FRAMES:
        raise StoreError(
            f"{path}: a C3D file holds {MOST_FRAMES} frames at most, which is "
            f"{MOST_FRAMES / info.rate_hz:.0f} s, found {count}. Write a part: --from and --seconds"
        )
    points = np.full((4, len(info.labels), count), np.nan)
    points[:3, :, rows] = block.positions.transpose(2, 1, 0)
    points[3] = 1.0
    seen = np.isfinite(points[:3]).all(axis=0)
    points[:3, ~seen] = 0.0
    file = ezc3d.c3d()
    parameters = file["parameters"]["POINT"]
    parameters["RATE"]["value"] = [info.rate_hz]
    parameters["UNITS"]["value"] = ["mm"]
    parameters["LABELS"]["value"] = list(info.labels)
    file.add_parameter("POINT", "Y_SCREEN", [info.up.upper()])
    file["data"]["points"] = points
    file["data"]["meta_points"]["residuals"] = np.where(seen, 0.0, -1.0)[None]
    masks = np.zeros((7, len(info.labels), count), dtype=bool)
    file["data"]["meta_points"]["camera_masks"] = masks
    with TemporaryDirectory(prefix="livefit-") as directory:
        made = Path(directory) / "frames.c3d"
        try:
            file.write(str(made))
        except (OSError, RuntimeError) as error:
            raise StoreError(f"{path} cannot be written: {error}") from error
        with made.open("rb") as source, written(path) as target:
            copied(source, target)
    return count
