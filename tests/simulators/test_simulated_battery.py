"""The simulated sensor's battery, on its way to the node's warning."""

from __future__ import annotations

import time
from threading import Event, Thread

import pytest

from livefit.node.device import BatteryLife
from livefit.sources.capture import run_capture
from livefit.wire.messages import DeviceState
from livefit.wire.sockets import Subscriber
from simulators import RiderSimulation, Sensor
from simulators.source import SimulatedSource, open_simulated
from tests.end_to_end.running import free_address


def test_a_battery_falls_evenly_and_the_node_foresees_its_end() -> None:
    now = [0.0]
    source = SimulatedSource(
        RiderSimulation(), Sensor(rate_hz=10.0, battery_s=600.0), clock=lambda: now[0]
    )
    life = BatteryLife()
    for second in range(300):
        now[0] = float(second)
        while source.read(0.0) is not None:
            pass
        battery = source.device_state()["battery"]
        # Hundredths, rounded up: 6 s of this battery each.
        assert battery == pytest.approx(1 - second / 600.0, abs=0.011)
        life.take(battery, now[0])
    assert life.warning(300.0) == "the sensor's battery lasts about 5 more minutes"


def test_a_sensor_says_nothing_of_its_battery_unless_told_to() -> None:
    source = open_simulated({})
    assert isinstance(source, SimulatedSource)
    assert source.device_state() == {}


def test_the_capture_process_publishes_it() -> None:
    stop = Event()
    frames = free_address()
    capture = Thread(
        target=run_capture,
        args=(open_simulated({"battery": "10", "rate": "50"}), frames, free_address(), stop.is_set),
    )
    capture.start()
    try:
        with Subscriber(frames, ["device", "description"]) as subscriber:
            deadline = time.monotonic() + 10.0
            said: list[DeviceState] = []
            streams: set[str] = set()
            while len(said) < 2 and time.monotonic() < deadline:
                for _, message in subscriber.poll(0.1):
                    if isinstance(message, DeviceState):
                        said.append(message)
                    else:
                        streams.add(getattr(message, "stream", ""))
    finally:
        stop.set()
        capture.join()
    assert [state.battery for state in said] == [1.0, 1.0]
    assert {state.stream for state in said} == streams
