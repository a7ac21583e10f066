"""Every stroke's values as a stream of the lab streaming layer (LSL)."""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Callable, Sequence
from typing import Any

from livefit.sources.base import optional_package
from livefit.wire.messages import Snapshot, Stroke
from livefit.wire.sockets import Subscriber

log = logging.getLogger(__name__)

NAME = "livefit strokes"
CONTENT = "Strokes"
FIRST = (("t", "s"), ("stroke", "count"), ("marks", "count"))
"""The channels before the rows: device time, number of the stroke, number of the latest mark."""
_POLL_S = 0.1
_WAITING = 1_000

Key = tuple[str, str, str]
"""Measure, event and side of a row."""


class StrokeOutlet:
    """Turns the node's messages into samples of an LSL stream.

    A sample is sent for each message of the topic ``strokes``, stamped when it is sent: a channel
    for each row of the results, of which those that the message tells have a value. When the rows
    change, so does the stream.

    Parameters
    ----------
    make_outlet
        Makes what samples are pushed to, from (label, unit) of each channel.
    """

    def __init__(self, make_outlet: Callable[[Sequence[tuple[str, str]]], Any]) -> None:
        self._make_outlet = make_outlet
        self._outlet: Any = None
        self._columns: dict[Key, int] = {}
        self._waiting: deque[Stroke] = deque(maxlen=_WAITING)

    def take(self, message: Snapshot | Stroke) -> None:
        """Take a message: a snapshot tells the rows, a stroke gives a sample."""
        if isinstance(message, Stroke):
            self._waiting.append(message)
        else:
            self._know(message)
        strokes, self._waiting = self._waiting, deque(maxlen=_WAITING)
        for stroke in strokes:
            keys = [(measure, stroke.event, stroke.side) for measure in stroke.measures]
            if all(key in self._columns for key in keys):
                self._push(stroke, keys)
            else:
                self._waiting.append(stroke)

    def _know(self, snapshot: Snapshot) -> None:
        units = {(row.measure, row.event, row.side): row.unit for row in snapshot.rows}
        if not units or units.keys() == self._columns.keys():
            return
        self._columns = {key: len(FIRST) + k for k, key in enumerate(units)}
        rows = [(":".join(key), unit) for key, unit in units.items()]
        self._outlet = self._make_outlet([*FIRST, *rows])
        log.info("LSL stream of %d rows", len(rows))

    def _push(self, stroke: Stroke, keys: Sequence[Key]) -> None:
        sample = [float("nan")] * (len(FIRST) + len(self._columns))
        sample[: len(FIRST)] = [stroke.t, float(stroke.stroke), float(stroke.marks)]
        for key, value in zip(keys, stroke.values, strict=True):
            if value is not None:
                sample[self._columns[key]] = value
        self._outlet.push_sample(sample)


def run_outlet(results_endpoint: str, stop: Callable[[], bool], *, name: str = NAME) -> None:
    """Send strokes out until `stop` says so.

    Parameters
    ----------
    results_endpoint
        Where the node publishes.
    stop
        Asked several times a second.
    name
        Of the LSL stream.

    Raises
    ------
    MissingPackageError
        If pylsl is not installed.
    EndpointError
        If the address cannot be used.
    """
    lsl = optional_package("pylsl", "lsl")

    def make_outlet(channels: Sequence[tuple[str, str]]) -> Any:
        info = lsl.StreamInfo(
            name, CONTENT, len(channels), lsl.IRREGULAR_RATE, lsl.cf_double64, f"{name} outlet"
        )
        listed = info.desc().append_child("channels")
        for label, unit in channels:
            channel = listed.append_child("channel")
            channel.append_child_value("label", label)
            channel.append_child_value("unit", unit)
        return lsl.StreamOutlet(info)

    outlet = StrokeOutlet(make_outlet)
    with Subscriber(results_endpoint, ["results", "strokes"]) as results:
        while not stop():
            for _, message in results.poll(_POLL_S):
                if isinstance(message, Snapshot | Stroke):
                    outlet.take(message)
