"""What a capture system makes of a simulated rider: frames in capture axes, with its faults."""

from __future__ import annotations

import numpy as np

from livefit.frames import Channel, FloatArray, MarkerBlock, StreamInfo, Up
from simulators.chance import gaps, table
from simulators.markers import BIKE, LABELS, LANDMARKS, displaced
from simulators.rider import RiderSimulation
from simulators.settings import Sensor

_NOISE, _JITTER, _DROPOUT, _BLANK, _LOST, _SKIN, _PLACEMENT = range(10, 17)
"""Streams of chance."""

_MOST_JITTER = 0.45
"""Of the frame period, so that time stamps rise."""

_SKIN_SHARE = {
    "GT": 1.0, "ASIS": 0.6, "PSIS": 0.5, "LE": 0.5, "AC": 0.4, "EL": 0.4, "HF": 0.3, "US": 0.2,
    "LM": 0.15,
}  # fmt: skip
"""How far skin slides at a landmark, of that over the trochanter (common practice, no source);
not at all on shoes and bicycle."""


def columns(sensor: Sensor) -> list[int]:
    """The columns of `LABELS` that the sensor sees."""
    sides = {"both": "LR", "left": "L", "right": "R"}[sensor.side]
    names = (*LANDMARKS, *sensor.extra)
    wanted = {f"{side}_{name}" for side in sides for name in names}
    if "BIKE" in sensor.extra:
        wanted |= set(BIKE)
    return [k for k, label in enumerate(LABELS) if label in wanted]


def stream_info(sensor: Sensor) -> StreamInfo:
    """Describe the frames that `observe` makes."""
    return StreamInfo(
        labels=tuple(LABELS[k] for k in columns(sensor)),
        rate_hz=sensor.rate_hz,
        up=sensor.up,
        sampling=sensor.sampling,
        channels=(Channel("crank_angle", "deg"),) if sensor.crank_sensor else (),
    )


def observe(
    simulation: RiderSimulation, sensor: Sensor, *, first: int = 0, count: int
) -> MarkerBlock:
    """Frames first .. first + count - 1 as the sensor gives them; lost ones are left out.

    Frame number k belongs to the instant k / rate. The same frame is the same whatever block it
    is asked for in.
    """
    numbers = np.arange(first, first + count, dtype=np.int64)
    seed = simulation.seed
    beat = numbers / sensor.rate_hz
    stamps = beat
    if sensor.jitter_s:
        limit = _MOST_JITTER / sensor.rate_hz
        jitter = sensor.jitter_s * table(seed, _JITTER, first, count, 1)[:, 0]
        stamps = beat + np.clip(jitter, -limit, limit)
    t = stamps if sensor.sampling == "stamped" else beat
    positions = simulation.positions(t)
    phase = simulation.pedalling.phase(t)
    if sensor.soft_tissue_mm:
        positions = positions + sensor.soft_tissue_mm * _skin(seed, phase)
    if sensor.placement_mm:
        offsets = placement_offsets(sensor)
        positions = positions + displaced(simulation.joints(t), simulation.toe_out, offsets)
    seen = columns(sensor)
    positions = _to_capture(positions[:, seen], sensor, simulation.heading.at(t))
    if sensor.noise_mm:
        noise = table(seed, _NOISE, first, count, 3 * len(LABELS))
        positions += sensor.noise_mm * noise.reshape(count, len(LABELS), 3)[:, seen]
    burst = sensor.burst_frames
    missing = gaps(seed, _DROPOUT, first, count, len(LABELS), sensor.dropout, burst)[:, seen]
    missing = missing | gaps(seed, _BLANK, first, count, 1, sensor.blank, burst)
    positions[missing] = np.nan
    kept = ~gaps(seed, _LOST, first, count, 1, sensor.lost, 1)[:, 0]
    channels = np.empty((count, 0))
    if sensor.crank_sensor:
        channels = np.degrees(phase)[:, None] % 360.0
    return MarkerBlock(numbers[kept], stamps[kept], positions[kept], channels[kept])


def placement_offsets(sensor: Sensor) -> FloatArray:
    """How far off its landmark each of `LABELS` is put on, (m, 3) mm, as `displaced` takes it."""
    chance = table(sensor.placement_seed, _PLACEMENT, 0, len(LABELS), 3)
    offsets: FloatArray = sensor.placement_mm * chance
    return offsets


def capture_axes(up: Up, heading_deg: FloatArray) -> FloatArray:
    """The bicycle's forward, up and right axes in capture axes: columns of (n, 3, 3).

    At heading 0 the bicycle points along the capture axis that follows the upward one
    cyclically (x after z); the heading turns it counter-clockwise seen from above.
    """
    which = "xyz".index(up[1])
    above = np.zeros(3)
    above[which] = 1.0 if up[0] == "+" else -1.0
    ahead = np.zeros(3)
    ahead[(which + 1) % 3] = 1.0
    left = np.cross(above, ahead)
    heading = np.radians(heading_deg)[:, None]
    forward = np.cos(heading) * ahead + np.sin(heading) * left
    right = np.sin(heading) * ahead - np.cos(heading) * left
    return np.stack([forward, np.broadcast_to(above, forward.shape), right], axis=-1)


def _to_capture(positions: FloatArray, sensor: Sensor, turned_deg: FloatArray) -> FloatArray:
    axes = capture_axes(sensor.up, sensor.heading_deg + turned_deg)
    turned: FloatArray = np.matmul(positions, axes.transpose(0, 2, 1))
    turned += np.array(sensor.offset_mm)
    return turned


def _skin(seed: int, phase: FloatArray) -> FloatArray:
    """Sliding of skin over bone (n, m, 3) for an amplitude of 1: two harmonics of the crank.

    Directions and lags differ from marker to marker by chance.
    """
    share = np.array([_SKIN_SHARE.get(label.split("_")[1], 0.0) for label in LABELS])
    chance = table(seed, _SKIN, 0, 2, 4 * len(LABELS)).reshape(2, len(LABELS), 4)
    direction = chance[..., :3] / np.sqrt((chance[..., :3] ** 2).sum(axis=-1))[..., None]
    slid = np.zeros((len(phase), len(LABELS), 3))
    for harmonic, weight in ((1, 0.8), (2, 0.2)):
        lag = 2 * np.pi * chance[harmonic - 1, :, 3]
        wave = np.cos(harmonic * phase[:, None] + lag)
        slid += weight * wave[..., None] * direction[harmonic - 1]
    moved: FloatArray = slid * share[:, None]
    return moved
