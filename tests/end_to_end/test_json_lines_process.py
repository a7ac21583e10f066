"""A device that sends lines of JSON, through the real capture process and the real node."""

from __future__ import annotations

import json
import socket
import threading
import time
from collections.abc import Iterator

import numpy as np
import pytest

from livefit.wire.sockets import ControlClient, Subscriber
from simulators.rider import RiderSimulation
from simulators.sensor import observe, stream_info
from simulators.settings import Sensor
from simulators.truth import truth_at
from tests.end_to_end.running import Fit, strokes, wait_for

SENSOR = Sensor(rate_hz=100.0, noise_mm=0.3)
SECONDS = 60.0
FASTER = 4.0
"""Than life: the frames carry their own time."""


@pytest.fixture
def fit() -> Iterator[Fit]:
    running = Fit()
    yield running
    running.close()


def send_ride(ride: RiderSimulation, port: int, done: threading.Event) -> None:
    """Send the ride as a device would that knows nothing of this program."""
    info = stream_info(SENSOR)
    block = observe(ride, SENSOR, count=int(SECONDS * SENSOR.rate_hz))
    described = {"labels": info.labels, "unit": "m", "up": info.up, "rate_hz": info.rate_hz}
    began = time.monotonic()
    with socket.socket(type=socket.SOCK_DGRAM) as device:
        for n, t, positions in zip(block.numbers, block.t, block.positions, strict=True):
            lines = [] if n % 100 else [json.dumps(described)]
            places = [None if np.isnan(p).any() else (p / 1000).tolist() for p in positions]
            lines.append(json.dumps({"n": int(n), "t": t, "xyz": places}))
            device.sendto("\n".join(lines).encode(), ("127.0.0.1", port))
            if done.wait(max(0.0, began + t / FASTER - time.monotonic())):
                return


@pytest.mark.timeout(120)
def test_a_ride_in_lines_of_json(fit: Fit) -> None:
    with socket.socket(type=socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    ride, done = RiderSimulation(seed=4), threading.Event()
    fit.start_source("json-lines", f"address=udp://127.0.0.1:{port}")
    fit.start_node("--strokes", "10")
    sender = threading.Thread(target=send_ride, args=(ride, port, done))
    with (
        Subscriber(fit.results, ["results"]) as results,
        ControlClient(fit.control, timeout_s=10.0) as control,
    ):
        # The source answers, so it is listening for datagrams too.
        wait_for(results, lambda s: s.state == "waiting")
        with ControlClient(fit.source_control, timeout_s=10.0) as source:
            assert source.request("source.state")["frames"] == 0
        sender.start()
        found = wait_for(results, lambda s: strokes(s) >= 10)
        state = control.request("source", {"op": "source.state"})
    done.set()
    sender.join(10.0)
    assert state["refused"] == 0
    assert found.health.lost == 0
    assert found.t is not None
    [row] = [r for r in found.rows if (r.measure, r.side, r.event) == ("knee_flexion", "R", "bdc")]
    _, truth = truth_at(ride, "knee_flexion", "R", 180.0, 0.0, found.t)
    assert row.mean == pytest.approx(truth[-11:].mean(), abs=0.4)
    assert fit.interrupt("source") == 0


def test_ctrl_c_ends_a_source_that_no_device_has_spoken_to(fit: Fit) -> None:
    fit.start_source("json-lines", "address=tcp://127.0.0.1:9")
    with ControlClient(fit.source_control, timeout_s=20.0) as source:
        assert source.request("source.state")["connections"] == 0
    assert fit.interrupt("source") == 0
