"""The bytes of two Bluetooth characteristics that ergometers and power meters send.

Cycling Power Measurement (0x2A63): the Bluetooth SIG's characteristic description of 2014-07-02.
Indoor Bike Data (0x2AD2): the SIG's field table up to the total distance; from memory of the
Fitness Machine Service 1.0, section 4.9, what follows it. All numbers are little-endian.
"""

from __future__ import annotations

from dataclasses import dataclass

INDOOR_BIKE_DATA = "00002ad2-0000-1000-8000-00805f9b34fb"
CYCLING_POWER_MEASUREMENT = "00002a63-0000-1000-8000-00805f9b34fb"

_SPEED_ABSENT = 1 << 0
"""Bit 0 of the flags is "More Data": the speed is there when it is not set."""
_BIKE_FIELDS = (
    (1 << 1, 2, "average speed"),
    (1 << 2, 2, "cadence"),
    (1 << 3, 2, "average cadence"),
    (1 << 4, 3, "total distance"),
    (1 << 5, 2, "resistance"),
    (1 << 6, 2, "power"),
    (1 << 7, 2, "average power"),
    (1 << 8, 5, "expended energy"),
    (1 << 9, 1, "heart rate"),
    (1 << 10, 1, "metabolic equivalent"),
    (1 << 11, 2, "elapsed time"),
    (1 << 12, 2, "remaining time"),
)
"""Bit of the flags, bytes, what it is; in the order of the bytes."""
_RESISTANCE = 1 << 5

_BALANCE, _TORQUE, _WHEEL, _CRANK = 1 << 0, 1 << 2, 1 << 4, 1 << 5
_ROUND = 1 << 16
"""Counters and event times begin again after it."""
_EVENTS_PER_S = 1024
_LONGEST_STROKE_S = 6.0
"""Slower than 10 rpm is standing still; also, event times begin again after 64 s."""
_FASTEST_RPM = 250.0


def indoor_bike_data(data: bytes) -> dict[str, float]:
    """Read what one notification of Indoor Bike Data holds.

    Parameters
    ----------
    data
        The characteristic's value. A machine may spread its fields over several.

    Returns
    -------
    dict
        ``cadence`` in rpm and ``workload`` in W, each only if it is there; a cadence that no
        rider has is left out.

    Raises
    ------
    ValueError
        If there are fewer bytes than the flags announce.

    Examples
    --------
    >>> indoor_bike_data(bytes.fromhex("4402 9c09 5c00 4f00 50"))
    {'cadence': 46.0, 'workload': 79.0}
    """
    flags = _unsigned(data, 0, 2)
    sizes = {bit: size for bit, size, _ in _BIKE_FIELDS if flags & bit}
    needed = 2 + (0 if flags & _SPEED_ABSENT else 2) + sum(sizes.values())
    if flags & _RESISTANCE and len(data) == needed - 1:
        # One byte in the SIG's later field table, two in the service's text and in most machines.
        sizes[_RESISTANCE] = 1
        needed -= 1
    if len(data) < needed:
        raise ValueError(f"indoor bike data: expected {needed} bytes, found {len(data)}")
    at = 2 if flags & _SPEED_ABSENT else 4
    values: dict[str, float] = {}
    for bit, _, name in _BIKE_FIELDS:
        size = sizes.get(bit, 0)
        if size and name == "cadence":
            rpm = _unsigned(data, at, size) / 2
            values |= {"cadence": rpm} if rpm <= _FASTEST_RPM else {}
        elif size and name == "power":
            values["workload"] = float(_signed(data, at, size))
        at += size
    return values


@dataclass(frozen=True)
class CyclingPower:
    """One notification of Cycling Power Measurement.

    Attributes
    ----------
    power_w
        Instantaneous power, W.
    revolutions
        Crank revolutions so far, modulo 65,536; None: not sent.
    event
        When the last of them was complete, 1/1024 s, modulo 65,536; None: not sent.
    """

    power_w: float
    revolutions: int | None = None
    event: int | None = None


def cycling_power(data: bytes) -> CyclingPower:
    """Read one notification of Cycling Power Measurement.

    Raises
    ------
    ValueError
        If there are fewer bytes than the flags announce.

    Examples
    --------
    >>> cycling_power(bytes.fromhex("2000 fa00 1000 0008"))
    CyclingPower(power_w=250.0, revolutions=16, event=2048)
    """
    flags = _unsigned(data, 0, 2)
    power = float(_signed(data, 2, 2))
    if not flags & _CRANK:
        return CyclingPower(power)
    at = 4
    for bit, size in ((_BALANCE, 1), (_TORQUE, 2), (_WHEEL, 6)):
        at += size if flags & bit else 0
    return CyclingPower(power, _unsigned(data, at, 2), _unsigned(data, at + 2, 2))


class CrankCadence:
    """Cadence from the counted crank revolutions of successive notifications.

    Examples
    --------
    >>> cadence = CrankCadence()
    >>> cadence.take(CyclingPower(200.0, 65535, 65024), 0.0)
    >>> cadence.take(CyclingPower(200.0, 1, 512), 1.0)
    120.0
    """

    def __init__(self) -> None:
        self._last: tuple[int, int, float] | None = None

    def take(self, power: CyclingPower, arrived_s: float) -> float | None:
        """Return the cadence, rpm, since the last event; None if there was no new one."""
        if power.revolutions is None or power.event is None:
            return None
        last, now = self._last, (power.revolutions, power.event, arrived_s)
        if last is None or arrived_s - last[2] > _LONGEST_STROKE_S:
            self._last = now
            return None
        turns = (now[0] - last[0]) % _ROUND
        elapsed_s = ((now[1] - last[1]) % _ROUND) / _EVENTS_PER_S
        if not turns or not elapsed_s:
            return None
        self._last = now
        rpm = 60.0 * turns / elapsed_s
        return rpm if rpm <= _FASTEST_RPM else None


def _unsigned(data: bytes, at: int, size: int) -> int:
    if len(data) < at + size:
        raise ValueError(f"expected {at + size} bytes or more, found {len(data)}")
    return int.from_bytes(data[at : at + size], "little")


def _signed(data: bytes, at: int, size: int) -> int:
    value = _unsigned(data, at, size)
    half = 1 << (8 * size - 1)
    return value - 2 * half if value >= half else value
