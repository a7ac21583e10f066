"""Marker frames of one source with the signals of an ergometer added.

``livefit capture joined markers=json-lines markers.address=udp://127.0.0.1:5555
values=bluetooth values.address=AA:BB:CC:DD:EE:FF``

A frame gets the newest value that had come before it. The clocks of the two devices are brought
together by when their messages arrive, so that a value is off by the difference of their delays:
nothing for workload and cadence, but a crank angle should come with the markers themselves.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any

import numpy as np

from livefit.frames import Channel, MarkerBlock, StreamInfo
from livefit.sources.base import Source, check_options, number_option, open_source
from livefit.sources.bluetooth import open_bluetooth_values
from livefit.sources.values import (
    ClockOffset,
    Signal,
    ValueStream,
    open_json_line_values,
    open_lsl_values,
)

UNITS = {"workload": "W", "cadence": "rpm", "crank_angle": "deg"}
"""The signals that can be added."""
MAX_AGE_S = 3.0
VALUES: Mapping[str, Callable[[dict[str, str]], ValueStream]] = {
    "bluetooth": open_bluetooth_values,
    "json-lines": open_json_line_values,
    "lsl": open_lsl_values,
}
"""How each kind of value stream is opened."""


class JoinedSource:
    """Adds values to another source's frames.

    Parameters
    ----------
    markers
        Where the frames come from.
    values
        Where the signals come from.
    names
        Which of them to add: keys of ``UNITS``. One that the frames have already is theirs.
    max_age_s
        A value is taken for so long; then NaN.
    clock
        Monotonic time, s.
    """

    def __init__(
        self,
        markers: Source,
        values: ValueStream,
        names: Sequence[str] = ("workload", "cadence"),
        *,
        max_age_s: float = MAX_AGE_S,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self.name = markers.name
        self._markers, self._values = markers, values
        self._all = [Signal(Channel(name, UNITS[name]), max_age_s) for name in names]
        self._signals = self._all
        self._offset = ClockOffset()
        self._clock = clock
        self._frames_info: StreamInfo | None = None
        self._info: StreamInfo | None = None

    def describe(self) -> StreamInfo | None:
        """Return what the markers' source says, with the added signals."""
        info = self._markers.describe()
        if info is not None and info is not self._frames_info:
            self._frames_info, self._offset = info, ClockOffset()
            theirs = {channel.name for channel in info.channels}
            self._signals = [each for each in self._all if each.channel.name not in theirs]
            added = tuple(signal.channel for signal in self._signals)
            self._info = replace(info, channels=(*info.channels, *added))
            self.name = f"{self._markers.name} and {self._values.name}"
        return self._info

    def read(self, timeout_s: float) -> MarkerBlock | None:
        """Return the frames that have come, with the newest values; None if none came in time.

        Raises
        ------
        EOFError
            At the end of the markers' source, if it has one.
        """
        block = self._markers.read(timeout_s)
        arrived = self._clock()
        self.describe()
        for sample in self._values.read():
            for signal in self._all:
                if signal.channel.name in sample.values:
                    signal.add(sample.t, sample.values[signal.channel.name])
        if block is None or not len(block):
            return block
        self._offset.add(float(block.t.max()), arrived)
        t = block.t + self._offset.value
        added = [signal.at(t) for signal in self._signals]
        return replace(block, channels=np.column_stack([block.channels, *added]))

    def control(self, op: str, args: dict[str, Any]) -> dict[str, Any]:
        """Pass the request on to the markers' source."""
        return self._markers.control(op, args)

    def close(self) -> None:
        """Let go of both."""
        try:
            self._markers.close()
        finally:
            self._values.close()


def open_joined(options: dict[str, str]) -> JoinedSource:
    """Open the source ``joined``.

    ============  ==============================================================================
    ``markers``   name of a source; its options as ``markers.NAME``
    ``values``    bluetooth, json-lines or lsl; its options as ``values.NAME``
    ``take``      workload, cadence, crank_angle; the first two if not given
    ``max_age``   s for which a value holds (3)
    ============  ==============================================================================

    Raises
    ------
    ValueError
        If an option is missing, unknown or wrong.
    """
    parts: dict[str, dict[str, str]] = {"markers": {}, "values": {}, "": {}}
    for name, value in options.items():
        part, dot, rest = name.partition(".")
        where, key = (part, rest) if dot and part in parts else ("", name)
        parts[where][key] = value
    own = parts[""]
    check_options("joined", own, ["markers", "values", "take", "max_age", "side"])
    if "markers" not in own or own.get("values") not in VALUES:
        raise ValueError(
            f"the source 'joined' needs markers=SOURCE and values=one of {', '.join(VALUES)}"
        )
    names = own.get("take", "workload,cadence").split(",")
    check_options("joined, take", names, UNITS)
    max_age_s = number_option(own, "max_age", MAX_AGE_S, low=0.0)
    values = VALUES[own["values"]](parts["values"])
    try:
        markers = open_source(own["markers"], parts["markers"])
    except BaseException:
        values.close()
        raise
    return JoinedSource(markers, values, names, max_age_s=max_age_s)
