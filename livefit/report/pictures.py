"""Pictures put into the report itself: made smaller, and freed of what a camera writes in them."""

from __future__ import annotations

import base64
import io
from dataclasses import dataclass
from pathlib import Path

from PIL import Image, ImageOps, UnidentifiedImageError

from livefit.session.models import Picture

LARGEST = 1600
"""Pixels of the longer side; a printed page has no use for more."""
QUALITY = 82


@dataclass(frozen=True)
class Shown:
    """One picture: its data URI, or None and what is wrong with it."""

    title: str
    source: str | None
    fault: str = ""


def embedded(path: Path, largest: int = LARGEST) -> str:
    """Data URI of a picture, upright, without its camera's notes (place, time, device).

    Raises
    ------
    ValueError
        It is no picture that can be read.
    OSError
        The file cannot be opened.
    """
    try:
        with Image.open(path) as opened:
            upright = ImageOps.exif_transpose(opened)
            clear = "A" in upright.getbands() or "transparency" in upright.info
            image = upright.convert("RGBA" if clear else "RGB")
    except (UnidentifiedImageError, Image.DecompressionBombError, SyntaxError) as error:
        raise ValueError(f"expected a picture, found none in {path}: {error}") from error
    image.thumbnail((largest, largest))
    out, kind = io.BytesIO(), "PNG" if clear else "JPEG"
    if clear:
        image.save(out, kind, optimize=True)
    else:
        image.save(out, kind, quality=QUALITY, optimize=True)
    coded = base64.b64encode(out.getvalue()).decode("ascii")
    return f"data:image/{kind.lower()};base64,{coded}"


def shown(picture: Picture, directory: Path | None, missing: str, unreadable: str) -> Shown:
    """A session's picture, or the words for why it is not there."""
    path = None if directory is None else directory / picture.name
    if path is None or not path.is_file():
        return Shown(picture.title, None, missing.format(name=picture.name))
    try:
        return Shown(picture.title, embedded(path))
    except (ValueError, OSError):
        return Shown(picture.title, None, unreadable.format(name=picture.name))
