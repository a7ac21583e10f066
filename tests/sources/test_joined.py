"""Values of an ergometer joined to marker frames."""

from __future__ import annotations

import json
import socket
import time
from collections.abc import Sequence
from contextlib import closing
from typing import Any

import numpy as np
import pytest

from livefit.frames import Channel, MarkerBlock, StreamInfo
from livefit.sources.joined import JoinedSource, open_joined
from livefit.sources.values import ClockOffset, JsonLineValues, Sample, Signal, open_lsl_values
from tests.sources.lsl_streams import outlet

PATIENCE_S = 15.0


class Clock:
    def __init__(self) -> None:
        self.now = 1000.0

    def __call__(self) -> float:
        return self.now


class Markers:
    """Frames every 10 ms of a device whose clock began at zero, 3 ms under way."""

    name = "markers"

    def __init__(self, clock: Clock, channels: tuple[Channel, ...] = ()) -> None:
        self._clock = clock
        self.info = StreamInfo(("R_CA",), 100.0, "+z", channels=channels)
        self.closed = False
        self._next = 0

    def describe(self) -> StreamInfo:
        return self.info

    def read(self, timeout_s: float) -> MarkerBlock | None:
        if self._next == 500:
            raise EOFError("the end")
        n, self._next = self._next, self._next + 1
        self._clock.now = 1000.0 + n / 100 + 0.003
        channels = np.full((1, len(self.info.channels)), 7.0)
        return MarkerBlock(np.array([n]), np.array([n / 100]), np.ones((1, 1, 3)), channels)

    def control(self, op: str, args: dict[str, Any]) -> dict[str, Any]:
        return {"op": op}

    def close(self) -> None:
        self.closed = True


class Values:
    """Samples at instants of this machine's clock, handed out once they are past."""

    name = "values"

    def __init__(self, clock: Clock, samples: Sequence[Sample]) -> None:
        self._clock, self._samples = clock, list(samples)
        self.closed = False

    def read(self) -> list[Sample]:
        due = [sample for sample in self._samples if sample.t <= self._clock.now]
        self._samples = self._samples[len(due) :]
        return due

    def close(self) -> None:
        self.closed = True


def test_each_frame_gets_the_newest_value_before_it() -> None:
    random = np.random.default_rng(7)
    instants = 1000.2 + np.cumsum(random.uniform(0.1, 0.9, 8))
    watts = random.uniform(100.0, 300.0, len(instants))
    samples = [Sample(t, {"workload": w}) for t, w in zip(instants, watts, strict=True)]
    clock = Clock()
    source = JoinedSource(
        Markers(clock), Values(clock, samples), ["workload", "cadence"], max_age_s=0.6, clock=clock
    )
    described = source.describe()
    assert described is not None
    assert described.channels == (Channel("workload", "W"), Channel("cadence", "rpm"))
    checked = 0
    for n in range(500):
        block = source.read(0.0)
        assert block is not None
        # By hand: the frame arrived when the clock read 1000.003 s + n / 100.
        at = 1000.003 + n / 100
        before = [k for k, t in enumerate(instants) if t <= at]
        wanted = watts[before[-1]] if before and at - instants[before[-1]] <= 0.6 else np.nan
        assert block.channels[0].tolist() == pytest.approx([wanted, np.nan], nan_ok=True)
        checked += bool(np.isfinite(wanted))
    assert 200 < checked < 500
    with pytest.raises(EOFError):
        source.read(0.0)


def test_the_markers_own_signal_is_kept() -> None:
    clock = Clock()
    markers = Markers(clock, (Channel("workload", "W"),))
    values = Values(clock, [Sample(1000.0, {"workload": 9.0, "cadence": 80.0})])
    source = JoinedSource(markers, values, clock=clock)
    block = source.read(0.0)
    described = source.describe()
    assert described is not None
    assert block is not None
    assert [channel.name for channel in described.channels] == ["workload", "cadence"]
    assert block.channels.tolist() == [[7.0, 80.0]]
    assert source.control("source.state", {}) == {"op": "source.state"}
    source.close()
    assert markers.closed
    assert values.closed


def test_a_new_stream_of_markers_is_a_new_stream() -> None:
    clock = Clock()
    markers = Markers(clock)
    source = JoinedSource(markers, Values(clock, []), clock=clock)
    first = source.describe()
    assert source.describe() is first
    markers.info = StreamInfo(("R_CA",), 100.0, "+z")
    assert source.describe() is not first


def test_the_least_late_arrival_sets_the_clock() -> None:
    random = np.random.default_rng(3)
    offset = ClockOffset()
    for stamp in np.arange(0.0, 30.0, 0.01):
        offset.add(float(stamp), float(stamp) + 500.0 + 0.002 + random.exponential(0.005))
    # The least of 1,000 exponential delays of 5 ms is 5 us in the mean.
    assert offset.value == pytest.approx(500.002, abs=1e-4)
    # A device that began anew: its first stamp counts, though the earlier ones were less late.
    offset.add(3.0, 531.0)
    assert offset.value == pytest.approx(528.0)


def test_an_angle_is_carried_on_over_the_turn() -> None:
    """A crank at 90 rpm turns 540 deg a second, told at 50 Hz."""
    signal = Signal(Channel("crank_angle", "deg"), 0.1)
    for k in range(100):
        signal.add(k / 50, 540.0 * k / 50 % 360.0)
    at = np.array([0.69, 1.0, 1.013, 1.9999, 2.3])
    wanted = [*(540.0 * at[:4] % 360.0), np.nan]
    assert signal.at(at).tolist() == pytest.approx(wanted, nan_ok=True, abs=1e-6)
    workload = Signal(Channel("workload", "W"), 0.1)
    assert np.isnan(workload.at(at)).all()
    workload.add(1.0, 100.0)
    workload.add(0.9, 300.0)
    workload.add(1.01, np.nan)
    held = [np.nan, 100.0, 100.0, np.nan, np.nan]
    assert workload.at(at).tolist() == pytest.approx(held, nan_ok=True)


class Lines:
    connections, overlong = 1, 0

    def __init__(self, *lines: object) -> None:
        self._lines = [json.dumps(line).encode() for line in lines]

    def read(self, timeout_s: float) -> list[bytes]:
        lines, self._lines = self._lines, []
        return lines

    def close(self) -> None:
        self._lines = []


def test_values_from_lines() -> None:
    described = {
        "channels": [{"name": "workload", "unit": "W"}, {"name": "cadence", "unit": "rpm"}]
    }
    lines = Lines(
        {"channels": [1, 2]},
        described,
        {"t": 5.0, "channels": [200, None]},
        {"channels": [210, 90.5]},
        {"channels": [1]},
        {"t": "x", "channels": [1, 2]},
        {"channels": "x"},
    )
    values = JsonLineValues(lines, "lines", clock=lambda: 80.0)
    first, second = values.read()
    assert (first.t, first.values["workload"]) == (80.0, 200.0)
    assert np.isnan(first.values["cadence"])
    assert second == Sample(80.0, {"workload": 210.0, "cadence": 90.5})
    assert values.refusals.count == 4
    assert values.read() == []


def test_values_from_lsl(request: pytest.FixtureRequest) -> None:
    name = request.node.name
    ergometer = outlet(name, "Ergometer", [{"label": "workload", "unit": "W"}])
    deadline = time.monotonic() + PATIENCE_S
    samples: list[Sample] = []
    with closing(open_lsl_values({"name": name})) as values:
        while not samples:
            assert time.monotonic() < deadline
            ergometer.push_sample([222.0])
            samples = values.read()
    assert samples[-1].values == {"workload": 222.0}
    assert samples[-1].t == pytest.approx(time.monotonic(), abs=2.0)


def test_the_joined_source_by_its_options() -> None:
    with socket.socket(type=socket.SOCK_DGRAM) as one, socket.socket(type=socket.SOCK_DGRAM) as two:
        one.bind(("127.0.0.1", 0))
        two.bind(("127.0.0.1", 0))
        ports = [each.getsockname()[1] for each in (one, two)]
    options = {
        "markers": "json-lines",
        "markers.address": f"udp://127.0.0.1:{ports[0]}",
        "values": "json-lines",
        "values.address": f"udp://127.0.0.1:{ports[1]}",
        "take": "workload",
        "side": "right",
    }
    with closing(open_joined(options)) as source, socket.socket(type=socket.SOCK_DGRAM) as device:

        def send(port: int, **fields: object) -> None:
            device.sendto(json.dumps(fields).encode(), ("127.0.0.1", port))

        send(ports[0], labels=["R_CA"], unit="mm", up="+z", rate_hz=100)
        send(ports[1], channels=[{"name": "workload", "unit": "W"}])
        deadline = time.monotonic() + PATIENCE_S
        n, values = 0, [np.nan]
        while not np.isfinite(values).any():
            assert time.monotonic() < deadline
            send(ports[1], channels=[199])
            send(ports[0], n=n, xyz=[[1, 2, 3]])
            block = source.read(0.1)
            n += 1
            if block is not None:
                values = block.channels[:, 0].tolist()
    assert values[-1] == 199.0


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        ({}, "needs markers="),
        ({"markers": "recording", "values": "radio"}, "one of bluetooth"),
        ({"markers": "recording", "values": "lsl", "take": "heart"}, "no option heart"),
        ({"markers": "recording", "values": "lsl", "max_age": "-1"}, "option max_age"),
        ({"markers": "recording", "values": "lsl", "wheel": "1"}, "no option wheel"),
        ({"markers": "recording", "values": "lsl"}, "which LSL stream"),
        ({"markers": "json-lines", "values": "json-lines"}, "values.address="),
        ({"markers": "x", "values": "lsl", "values.type": "Ergometer"}, "there is no source 'x'"),
    ],
)
def test_options_of_the_joined_source_are_checked(options: dict[str, str], expected: str) -> None:
    with pytest.raises(ValueError, match=expected):
        open_joined(options)
