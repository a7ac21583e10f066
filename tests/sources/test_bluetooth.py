"""Bluetooth notifications: bytes by the published layouts, and a connection to a stand-in.

There is no Bluetooth where the tests run: the connection is tried with a client that behaves as
bleak's documentation says of its own, not with a device.
"""

from __future__ import annotations

import asyncio
import itertools
import struct
import time
from collections.abc import Callable
from contextlib import closing
from types import SimpleNamespace
from typing import Any, Self

import pytest

from livefit.sources.bluetooth import BluetoothValues, open_bluetooth_values
from livefit.sources.bluetooth_bytes import (
    CYCLING_POWER_MEASUREMENT,
    INDOOR_BIKE_DATA,
    CrankCadence,
    CyclingPower,
    cycling_power,
    indoor_bike_data,
)
from livefit.sources.values import Sample

PATIENCE_S = 10.0

BIKE_FIELDS = {
    1: struct.pack("<H", 2900),
    2: struct.pack("<H", 181),
    3: struct.pack("<H", 170),
    4: (123_456).to_bytes(3, "little"),
    5: struct.pack("<h", -30),
    6: struct.pack("<h", 251),
    7: struct.pack("<h", 240),
    8: struct.pack("<HHB", 500, 600, 10),
    9: struct.pack("<B", 140),
    10: struct.pack("<B", 85),
    11: struct.pack("<H", 3600),
    12: struct.pack("<H", 60),
}
"""By bit of the flags, as the service's text orders them; speed is there when bit 0 is not set."""


def bike(bits: set[int]) -> bytes:
    speed = b"" if 0 in bits else struct.pack("<H", 3012)
    flags = sum(1 << bit for bit in bits)
    rest = b"".join(value for bit, value in BIKE_FIELDS.items() if bit in bits)
    return struct.pack("<H", flags) + speed + rest


def test_indoor_bike_data_with_any_fields() -> None:
    for choice in itertools.product((False, True), repeat=13):
        bits = {bit for bit, chosen in enumerate(choice) if chosen}
        wanted = ({"cadence": 90.5} if 2 in bits else {}) | (
            {"workload": 251.0} if 6 in bits else {}
        )
        data = bike(bits)
        assert indoor_bike_data(data) == wanted, bits
        if bits - {0}:
            # One byte less is allowed only where the resistance may be the one that is shorter.
            if 5 in bits:
                data = data[:-1]
            with pytest.raises(ValueError, match="expected"):
                indoor_bike_data(data[:-1])


def test_notifications_of_real_machines() -> None:
    """Logs that owners have published (stackoverflow.com/questions/66250956 and bug reports)."""
    assert indoor_bike_data(bytes.fromhex("44029c095c004f0050")) == {
        "cadence": 46.0,
        "workload": 79.0,
    }
    # Resistance 20 in two bytes, then power 0 and heart rate 0.
    assert indoor_bike_data(bytes.fromhex("6402000000001400000000")) == {
        "cadence": 0.0,
        "workload": 0.0,
    }
    assert indoor_bike_data(bytes.fromhex("54080000000000000000003100")) == {
        "cadence": 0.0,
        "workload": 0.0,
    }


def test_resistance_in_one_byte_does_not_shift_the_power() -> None:
    data = struct.pack("<HHHBh", 0b110_0100, 3012, 181, 30, 251)
    assert indoor_bike_data(data) == {"cadence": 90.5, "workload": 251.0}


@pytest.mark.parametrize("balance", [False, True])
@pytest.mark.parametrize("torque", [False, True])
@pytest.mark.parametrize("wheel", [False, True])
def test_cycling_power_with_any_fields_before_the_crank(
    balance: bool, torque: bool, wheel: bool
) -> None:
    flags = balance | torque << 2 | wheel << 4 | 1 << 5 | 1 << 11
    data = struct.pack("<Hh", flags, -12)
    data += struct.pack("<B", 100) if balance else b""
    data += struct.pack("<H", 999) if torque else b""
    data += struct.pack("<IH", 70_000, 5) if wheel else b""
    data += struct.pack("<HH", 4660, 51_966) + struct.pack("<H", 77)
    assert cycling_power(data) == CyclingPower(-12.0, 4660, 51_966)
    without = struct.pack("<H", flags & ~(1 << 5)) + data[2:]
    assert cycling_power(without) == CyclingPower(-12.0)


@pytest.mark.parametrize("data", [b"", b"\x20", b"\x20\x00\x01", b"\x20\x00\x01\x00\x05\x00\x01"])
def test_a_notification_that_breaks_off(data: bytes) -> None:
    with pytest.raises(ValueError, match="bytes"):
        cycling_power(data)


def test_cadence_over_both_roll_overs() -> None:
    """87 rpm: an event every 60/87 s; counters of 16 bits begin again on the way."""
    cadence = CrankCadence()
    found = []
    for second in range(200):
        turns = int(second * 87 / 60)
        event = round(turns * 60 / 87 * 1024)
        power = CyclingPower(200.0, (65_500 + turns) % 65_536, event % 65_536)
        rpm = cadence.take(power, float(second))
        if rpm is not None:
            found.append(rpm)
    assert len(found) >= 190
    # An event time is good to half of 1/1024 s at each end, in one stroke or more.
    assert found == pytest.approx([87.0] * len(found), abs=87**2 / 60 / 1024)


def test_standing_still_gives_no_cadence_and_starting_again_no_false_one() -> None:
    cadence = CrankCadence()
    assert cadence.take(CyclingPower(0.0, 10, 1000), 0.0) is None
    assert cadence.take(CyclingPower(0.0, 10, 1000), 1.0) is None
    # Event times have gone round once in the pause of 66 s, which would read as 2 s.
    assert cadence.take(CyclingPower(0.0, 11, 3048), 66.0) is None
    assert cadence.take(CyclingPower(0.0, 12, 4072), 67.0) == 60.0


class StandIn:
    """A client as bleak's: an asynchronous context, services, notifications."""

    def __init__(self, uuids: set[str], notifications: list[bytes]) -> None:
        self._uuids, self._notifications = uuids, notifications
        self.is_connected = False
        self.services = SimpleNamespace(
            get_characteristic=lambda uuid: uuid if uuid in self._uuids else None
        )

    async def __aenter__(self) -> Self:
        self.is_connected = True
        return self

    async def __aexit__(self, *error: object) -> None:
        self.is_connected = False

    async def start_notify(self, uuid: str, callback: Callable[[Any, bytearray], None]) -> None:
        assert uuid in self._uuids
        for data in self._notifications:
            callback(None, bytearray(data))
        await asyncio.sleep(0)
        self.is_connected = False


def collected(values: BluetoothValues, count: int) -> list[Sample]:
    deadline = time.monotonic() + PATIENCE_S
    samples: list[Sample] = []
    while len(samples) < count:
        assert time.monotonic() < deadline, f"{len(samples)} of {count} samples came"
        samples += values.read()
    return samples


def test_a_device_is_connected_to_again_and_again() -> None:
    clients: list[Any] = [
        OSError("the adapter is off"),
        StandIn({"another"}, []),
        StandIn({INDOOR_BIKE_DATA}, [bike({2, 6}), b"\x44\x02", bike({6})]),
        StandIn(
            {CYCLING_POWER_MEASUREMENT},
            [
                struct.pack("<HhHH", 1 << 5, 300, 7, 1024),
                struct.pack("<HhHH", 1 << 5, 310, 8, 2048),
            ],
        ),
    ]

    def client(address: str) -> Any:
        assert address == "AA:BB"
        made = clients.pop(0) if clients else OSError("out of reach")
        if isinstance(made, OSError):
            raise made
        return made

    with closing(BluetoothValues("AA:BB", client, clock=lambda: 5.0, try_again_s=0.0)) as values:
        samples = collected(values, 4)
    assert samples == [
        Sample(5.0, {"cadence": 90.5, "workload": 251.0}),
        Sample(5.0, {"workload": 251.0}),
        Sample(5.0, {"workload": 300.0}),
        Sample(5.0, {"workload": 310.0, "cadence": 60.0}),
    ]
    assert values.refusals.count == 1


@pytest.mark.parametrize(
    ("options", "expected"),
    [({}, "values.address="), ({"address": "AA", "name": "x"}, "no option name")],
)
def test_options_are_checked(options: dict[str, str], expected: str) -> None:
    with pytest.raises(ValueError, match=expected):
        open_bluetooth_values(options)
