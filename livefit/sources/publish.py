"""Publishing marker frames from a program of one's own: describe once, then send."""

from __future__ import annotations

import time
from collections.abc import Sequence
from numbers import Real
from typing import Any, Self
from uuid import uuid4

import numpy as np
from numpy.typing import ArrayLike

from livefit.frames import Channel, FloatArray, MarkerBlock, Sampling, StreamInfo, Up
from livefit.sources.reading import MM
from livefit.wire.blocks import LAST_TIME_S, describe, pack_block
from livefit.wire.codec import quoted
from livefit.wire.messages import DeviceState
from livefit.wire.sockets import FRAMES_ENDPOINT, Publisher, wait


class FramePublisher:
    """Sends marker frames to the processing node.

    Parameters
    ----------
    labels
        Marker labels, in the order of the positions.
    rate_hz
        Nominal frame rate.
    up
        The capture axis that points up.
    unit
        Of the positions: mm, cm or m.
    side
        Which side of the rider is seen: both, left or right.
    source
        What the sensor is, for people.
    sampling
        ``periodic`` or ``stamped``: see :class:`livefit.frames.StreamInfo`.
    channels
        Extra signals as (name, unit).
    endpoint
        Where to listen; port 0 takes a free one.

    Attributes
    ----------
    endpoint
        The real address.
    next_number
        Number of the next frame, unless :meth:`send` is told another.

    Raises
    ------
    ValueError
        If the description is wrong in itself.
    EndpointError
        If the address cannot be used.

    Examples
    --------
    >>> heel, toe = [0.0, 100.0, 90.0], [180.0, 100.0, 70.0]
    >>> with FramePublisher(["R_CA", "R_VM"], rate_hz=200.0, up="+z", side="right",
    ...                     endpoint="tcp://127.0.0.1:0") as publisher:
    ...     for _ in range(3):
    ...         publisher.send([heel, toe])
    ...     publisher.send([heel, None])  # the toe was not seen
    ...     publisher.skip(2)  # two frames were lost
    ...     publisher.send([heel, toe])
    ...     publisher.next_number
    7
    """

    def __init__(
        self,
        labels: Sequence[str],
        *,
        rate_hz: float,
        up: Up,
        unit: str = "mm",
        side: str = "both",
        source: str = "publisher",
        sampling: Sampling = "periodic",
        channels: Sequence[tuple[str, str]] = (),
        endpoint: str = FRAMES_ENDPOINT,
    ) -> None:
        if unit not in MM:
            raise ValueError(f"unit: expected one of {', '.join(MM)}, got {unit!r}")
        self._scale = MM[unit]
        self._info = StreamInfo(
            labels=tuple(labels),
            rate_hz=rate_hz,
            up=up,
            sampling=sampling,
            channels=tuple(Channel(*channel) for channel in channels),
        )
        self._description = describe(self._info, stream=uuid4().hex, source=source, side=side)
        self._publisher = Publisher(endpoint, cached=["description"])
        self._publisher.publish(self._description)
        self._last_t = -np.inf
        self.endpoint = self._publisher.endpoint
        self.next_number = 0

    def send(
        self,
        positions: Sequence[ArrayLike | None] | FloatArray,
        *,
        channels: Sequence[float] = (),
        t: float | None = None,
        number: int | None = None,
    ) -> None:
        """Send one frame.

        Parameters
        ----------
        positions
            x, y, z of each marker, in the order of the labels and in the unit described; None or
            NaN where a marker was not seen.
        channels
            One value for each extra signal; NaN = no value.
        t
            Device time, s, at which the markers were there; None: now.
        number
            Of the frame, from the device's own counter; None: the next one.

        Raises
        ------
        ValueError
            If there are more or fewer positions or channels than described, one is no number, the
            time stamp is out of the protocol's range, or the number or a true time stamp goes back.
        """
        number = self.next_number if number is None else number
        t = time.monotonic() if t is None else t
        if number < self.next_number:
            raise ValueError(
                f"frame numbers must rise: expected {self.next_number} or more, got {number}; "
                "a device that began anew needs a new publisher"
            )
        if not abs(t) <= LAST_TIME_S:
            raise ValueError(f"t: expected seconds, within {LAST_TIME_S:g} either way, got {t!r}")
        if self._info.sampling == "stamped" and not t > self._last_t:
            raise ValueError(f"true time stamps must rise: got {t:g} s after {self._last_t:g} s")
        block = MarkerBlock(
            np.array([number], np.int64),
            np.array([t]),
            self._scale * marker_positions(positions, self._info.labels)[None],
            channel_values(channels, self._info.channels)[None],
        )
        for message in pack_block(block, self._description, sent=time.monotonic()):
            self._publisher.publish(message)
        self._last_t = t
        self.next_number = number + 1

    def skip(self, frames: int) -> None:
        """Leave out the numbers of frames that were lost."""
        if frames < 0:
            raise ValueError(f"expected a number of lost frames, got {frames}")
        self.next_number += frames

    def report(
        self,
        *,
        battery: float | None = None,
        link: float | None = None,
        temperature_c: float | None = None,
        lost: int | None = None,
        note: str = "",
    ) -> None:
        """Say how the device is, about once a second.

        Parameters
        ----------
        battery
            Share left, 0 to 1.
        link
            Quality of the radio link, 0 to 1.
        temperature_c
            Degrees Celsius.
        lost
            Frames that the device itself knows to be lost.
        note
            For people.

        Raises
        ------
        ValueError
            If one of them is out of its range.
        """
        state = DeviceState(
            stream=self._description.stream,
            battery=battery,
            link=link,
            temperature_c=temperature_c,
            lost=lost,
            note=note,
        )
        self._publisher.publish(state)

    def wait_for_listener(self, timeout_s: float) -> bool:
        """Wait until somebody takes the frames; False if nobody came in time.

        A live sensor need not wait; a program that sends what it has and ends should.
        """
        deadline = time.monotonic() + timeout_s
        while not self._publisher.listeners("frames"):
            left = deadline - time.monotonic()
            if left <= 0:
                return False
            wait([self._publisher], left)
            self._publisher.serve()
        return True

    def close(self) -> None:
        """Stop listening; closing twice does nothing."""
        self._publisher.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def marker_positions(
    positions: Sequence[ArrayLike | None] | FloatArray, labels: Sequence[str]
) -> FloatArray:
    """Return one frame's positions as (markers, 3), a marker that is None as NaN.

    Raises
    ------
    ValueError
        If there are more or fewer than labels, or one has not three coordinates.
    """
    if len(positions) != len(labels):
        raise ValueError(
            f"expected {len(labels)} positions, one for each label, got {len(positions)}; "
            "give None for a marker that was not seen"
        )
    whole = np.full((len(labels), 3), np.nan)
    for row, label, position in zip(whole, labels, positions, strict=True):
        if position is not None:
            try:
                place = np.asarray(position, dtype=np.float64)
            except (ValueError, TypeError, OverflowError) as error:
                raise ValueError(
                    f"marker {label}: expected x, y, z as numbers, found {quoted(position)}"
                ) from error
            if place.shape != (3,):
                raise ValueError(f"marker {label}: expected x, y, z, got shape {place.shape}")
            row[:] = place
    return whole


def channel_values(values: Sequence[float | None], channels: Sequence[Channel]) -> FloatArray:
    """Return one frame's extra signals as (channels,), None and what is not finite as NaN.

    Raises
    ------
    ValueError
        If there are more or fewer than described, or one is no number.
    """
    if len(values) != len(channels):
        names = ", ".join(channel.name for channel in channels) or "none"
        raise ValueError(f"expected {len(channels)} channel values ({names}), got {len(values)}")
    pairs = zip(channels, values, strict=True)
    return np.array([_value(channel, each) for channel, each in pairs], dtype=np.float64)


def _value(channel: Channel, value: Any) -> float:
    if value is None:
        return np.nan
    if not isinstance(value, bool) and isinstance(value, Real):
        try:
            number = float(value)
            return number if np.isfinite(number) else np.nan
        except OverflowError:
            pass
    raise ValueError(
        f"channel {channel.name}: expected a number, or nothing for no value, got {quoted(value)}"
    )
