"""The pointer's markers out of a stream of frames."""

from __future__ import annotations

import numpy as np

from livefit.definitions.bicycle import Pointer
from livefit.frames import FloatArray, Up
from livefit.view import touch_words as words
from livefit.wire.blocks import FrameReader
from livefit.wire.codec import WireError
from livefit.wire.messages import Description, Frames, Message

BIKE = "BIKE_"
"""Labels of markers stuck on the bicycle begin so."""
_LEAST_SEEN = 50


class PointerStream:
    """Follows one stream; a new one takes its place.

    Parameters
    ----------
    pointer
        Whose markers are wanted.

    Attributes
    ----------
    problem
        In words, why the stream cannot be used; empty: it can.
    anew
        Whether the message taken last began a stream, or its numbers began anew.
    rate_hz, up
        Of the stream.
    control
        Where the source takes requests; None: it takes none.
    """

    def __init__(self, pointer: Pointer) -> None:
        self._pointer = pointer
        self._reader: FrameReader | None = None
        self._stream = ""
        self._columns: list[int] = []
        self._bike: dict[str, int] = {}
        self._sums = np.zeros((0, 3))
        self._counts = np.zeros(0)
        self._last = -1
        self.problem = ""
        self.anew = False
        self.rate_hz = 100.0
        self.up: Up = "+z"
        self.control: str | None = None

    def take(self, message: Message) -> tuple[FloatArray, FloatArray] | None:
        """Time stamps (n,) s and the markers (n, m, 3) mm of a message; None: it has none."""
        self.anew = False
        if isinstance(message, Description):
            if message.stream != self._stream:
                self._describe(message)
            return None
        if not isinstance(message, Frames) or self._reader is None:
            return None
        if message.stream != self._stream or not self._columns:
            return None
        try:
            block = self._reader.read(message)
        except WireError as error:
            self.problem = str(error)
            return None
        if block.numbers[0] <= self._last:
            # Out of turn: a touch needs rising time, and a few frames less do no harm.
            return None
        self._last = int(block.numbers[-1])
        self._note_bike(block.positions[:, [*self._bike.values()]])
        return block.t, block.positions[:, self._columns]

    def bike_markers(self) -> dict[str, FloatArray]:
        """Mean places (3,) mm of the markers on the bicycle, those seen often enough."""
        return {
            name: self._sums[k] / self._counts[k]
            for k, name in enumerate(self._bike)
            if self._counts[k] >= _LEAST_SEEN
        }

    def _describe(self, description: Description) -> None:
        self._stream, self._last, self.anew = description.stream, -1, True
        self._columns, self.problem, self.control = [], "", description.control
        try:
            self._reader = FrameReader(description)
        except WireError as error:
            self._reader, self.problem = None, str(error)
            return
        info = self._reader.info
        self.rate_hz, self.up = info.rate_hz, info.up
        missing = [name for name in self._pointer.markers if name not in info.labels]
        if missing:
            self.problem = words.STRANGE_LABELS.format(
                wanted=", ".join(self._pointer.markers), missing=", ".join(missing),
                there=", ".join(info.labels), pointer=self._pointer.name,
            )  # fmt: skip
            return
        self._columns = [info.labels.index(name) for name in self._pointer.markers]
        self._bike = {name: k for k, name in enumerate(info.labels) if name.startswith(BIKE)}
        self._sums, self._counts = np.zeros((len(self._bike), 3)), np.zeros(len(self._bike))

    def _note_bike(self, places: FloatArray) -> None:
        seen = np.asarray(np.isfinite(places).all(axis=-1))
        self._sums += np.where(seen[..., None], places, 0.0).sum(axis=0)
        self._counts += seen.sum(axis=0)
