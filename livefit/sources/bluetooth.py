"""Workload and cadence of an ergometer or power meter over Bluetooth Low Energy.

Fitness Machine Service (Indoor Bike Data) or Cycling Power Service, through the package bleak.
"""

from __future__ import annotations

import asyncio
import logging
import queue
import threading
import time
from collections.abc import Callable
from typing import Any

from livefit.sources.base import check_options, optional_package
from livefit.sources.bluetooth_bytes import (
    CYCLING_POWER_MEASUREMENT,
    INDOOR_BIKE_DATA,
    CrankCadence,
    cycling_power,
    indoor_bike_data,
)
from livefit.sources.json_lines import Refusals
from livefit.sources.values import Sample

log = logging.getLogger(__name__)

TRY_AGAIN_S = 2.0
_STOP_S = 0.1


class BluetoothValues:
    """Samples of one Bluetooth device; lost, it is connected to again.

    Parameters
    ----------
    address
        Of the device; a UUID on macOS.
    client
        ``bleak.BleakClient``.
    clock
        Monotonic time, s.
    try_again_s
        How long to wait before connecting again.

    Attributes
    ----------
    refusals
        Notifications that could not be read.
    """

    def __init__(
        self,
        address: str,
        client: Callable[[str], Any],
        *,
        clock: Callable[[], float] = time.monotonic,
        try_again_s: float = TRY_AGAIN_S,
    ) -> None:
        self.name = f"Bluetooth {address}"
        self.refusals = Refusals(self.name, clock)
        self._address, self._client, self._clock = address, client, clock
        self._try_again_s = try_again_s
        self._samples: queue.SimpleQueue[Sample] = queue.SimpleQueue()
        self._stopped = threading.Event()
        self._thread = threading.Thread(target=asyncio.run, args=(self._run(),), daemon=True)
        self._thread.start()

    async def _run(self) -> None:
        while not self._stopped.is_set():
            try:
                async with self._client(self._address) as client:
                    await self._listen(client)
            except Exception as error:
                # Whatever a system's Bluetooth says no with: the frames must go on without it.
                log.warning("%s: %s: %s", self.name, type(error).__name__, error)
            await self._wait(lambda: False, self._try_again_s)

    async def _listen(self, client: Any) -> None:
        """Take notifications until the device is gone."""
        cadence = CrankCadence()

        def bike(_: object, data: bytearray) -> None:
            self._put(lambda: indoor_bike_data(bytes(data)))

        def power(_: object, data: bytearray) -> None:
            self._put(lambda: _power_values(bytes(data), cadence, self._clock()))

        for uuid, take in ((INDOOR_BIKE_DATA, bike), (CYCLING_POWER_MEASUREMENT, power)):
            if client.services.get_characteristic(uuid) is not None:
                await client.start_notify(uuid, take)
                await self._wait(lambda: not client.is_connected)
                return
        raise ValueError(
            "the device has neither Indoor Bike Data nor Cycling Power Measurement; "
            "is it the ergometer's address?"
        )

    async def _wait(self, until: Callable[[], bool], timeout_s: float = float("inf")) -> None:
        end = time.monotonic() + timeout_s
        while not (self._stopped.is_set() or until() or time.monotonic() >= end):
            await asyncio.sleep(min(_STOP_S, max(end - time.monotonic(), 0.0)))

    def _put(self, values: Callable[[], dict[str, float]]) -> None:
        try:
            self._samples.put(Sample(self._clock(), values()))
        except ValueError as error:
            self.refusals.add(str(error))

    def read(self) -> list[Sample]:
        """Return what has come since the last call."""
        samples = []
        while not self._samples.empty():
            samples.append(self._samples.get())
        return samples

    def close(self) -> None:
        """Let go of the device."""
        self._stopped.set()
        self._thread.join(2.0)


def _power_values(data: bytes, cadence: CrankCadence, now: float) -> dict[str, float]:
    measured = cycling_power(data)
    rpm = cadence.take(measured, now)
    return {"workload": measured.power_w} | ({} if rpm is None else {"cadence": rpm})


def open_bluetooth_values(options: dict[str, str]) -> BluetoothValues:
    """Open values from a Bluetooth device: address.

    Raises
    ------
    ValueError
        If the address is missing, an option is unknown, or bleak is not installed.
    """
    check_options("bluetooth", options, ["address"])
    if "address" not in options:
        raise ValueError("values from bluetooth need values.address=AA:BB:CC:DD:EE:FF")
    bleak = optional_package("bleak", "bluetooth")
    return BluetoothValues(options["address"], bleak.BleakClient)
