"""The kernel on simulated rides: the simulator's truth shares no formula with it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

import numpy as np
import pytest
from scipy.signal import savgol_coeffs

from livefit.definitions import canonical_labels, load_definitions, match_marker_set
from livefit.frames import FloatArray, MarkerBlock, Up
from livefit.kernel.events import EventValues
from livefit.kernel.kernel import Kernel
from livefit.kernel.local import DEGREE, fit_local
from livefit.kernel.regression import Window
from simulators.rider import RiderSimulation
from simulators.schedule import Change, Ride
from simulators.sensor import observe, stream_info
from simulators.settings import Sensor, Style
from simulators.truth import truth_at

SECONDS = 15.0
SAGITTAL = (
    "knee_flexion", "hip_angle", "ankle_angle", "ankle_dorsiflexion", "foot_inclination",
    "shank_inclination", "thigh_inclination", "knee_over_spindle",
)  # fmt: skip
KNOWN = load_definitions()
Series = dict[tuple[str, str, str], tuple[FloatArray, FloatArray, float]]


def new_kernel(sensor: Sensor) -> Kernel:
    info = stream_info(sensor)
    labels = canonical_labels(info.labels, match_marker_set(info.labels, KNOWN.marker_sets))
    return Kernel(info, labels, KNOWN.measures, KNOWN.events)


def part(block: MarkerBlock, rows: slice) -> MarkerBlock:
    return MarkerBlock(
        block.numbers[rows], block.t[rows], block.positions[rows], block.channels[rows]
    )


def at_crank_angles(values: Sequence[EventValues]) -> Series:
    """By measure, side and event: times, values, crank angle."""
    parts = defaultdict(list)
    for v in values:
        for k, measure in enumerate(v.measures):
            if (
                len(v.t)
                and np.isfinite(v.crank_deg[0, k])
                and v.event not in ("maximum", "minimum")
            ):
                parts[measure, v.side, v.event].append((v.t, v.values[:, k], v.crank_deg[0, k]))
    return {
        key: (np.concatenate([p[0] for p in p_]), np.concatenate([p[1] for p in p_]), p_[0][2])
        for key, p_ in parts.items()
    }


def ride(
    simulation: RiderSimulation, sensor: Sensor, seconds: float = SECONDS
) -> tuple[Kernel, list[EventValues]]:
    kernel = new_kernel(sensor)
    block = observe(simulation, sensor, count=int(seconds * sensor.rate_hz))
    return kernel, kernel.push(block)


def worst_means(
    simulation: RiderSimulation, values: list[EventValues]
) -> tuple[float, float, float]:
    """Worst error of a mean, deg and mm, and of the crank angle at the events, deg."""
    worst = {"deg": 0.0, "mm": 0.0}
    crank = []
    for (measure, side, _), (t, found, angle) in at_crank_angles(values).items():
        if measure not in SAGITTAL:
            continue
        times, truth = truth_at(simulation, measure, side, angle, t[0] - 0.3, t[-1] + 0.3)
        nearest = np.abs(times[None] - t[:, None]).argmin(axis=1)
        error = float(np.nanmean(found - truth[nearest]))
        unit = KNOWN.measure(measure).unit
        worst[unit] = max(worst[unit], abs(error))
        period = np.diff(times).mean()
        crank.append(float(np.mean(t - times[nearest]) * 360.0 / period))
    assert len(crank) > 60
    return worst["deg"], worst["mm"], abs(float(np.mean(crank)))


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_means_at_200_hz(seed: int) -> None:
    simulation = RiderSimulation(seed=seed)
    kernel, values = ride(simulation, Sensor(rate_hz=200.0, noise_mm=0.5))
    degrees, millimetres, crank = worst_means(simulation, values)
    assert degrees < 0.1
    assert millimetres < 1.0
    assert crank < 0.05
    assert kernel.bike is not None
    for side in ("L", "R"):
        assert kernel.bike.cranks[side].length == pytest.approx(172.5, abs=0.2)


def test_means_with_lost_frames_and_jitter() -> None:
    simulation = RiderSimulation(seed=4)
    _, values = ride(simulation, Sensor(lost=0.05, jitter_s=0.001))
    degrees, millimetres, _ = worst_means(simulation, values)
    assert degrees < 0.2
    assert millimetres < 1.0


@pytest.mark.parametrize(("rate", "limit"), [(30.0, 0.5), (60.0, 0.2)])
def test_means_with_the_cadence_locked_to_the_frame_rate(rate: float, limit: float) -> None:
    simulation = RiderSimulation(seed=5, style=Style(cadence_rpm=90.0, cadence_wander=0.0))
    _, values = ride(simulation, Sensor(rate_hz=rate))
    assert worst_means(simulation, values)[0] < limit


EVENTFUL = RiderSimulation(
    ride=Ride(
        cadence_rpm=(Change(8.0, 0.0), Change(14.0, 85.0)),
        heading_deg=(Change(10.0, 180.0, 2.0),),
    ),
    seed=6,
)
"""A stop, and a bicycle that is turned while it stands."""


@pytest.fixture(scope="module")
def eventful() -> tuple[Sensor, MarkerBlock]:
    """Noise, losses, a stop, and a bicycle that is turned."""
    sensor = Sensor(lost=0.02, dropout=0.01, jitter_s=0.0005)
    return sensor, observe(EVENTFUL, sensor, count=5000)


@pytest.mark.parametrize("size", [1, 7, 64, 1000])
def test_block_size_changes_no_bit(size: int, eventful: tuple[Sensor, MarkerBlock]) -> None:
    sensor, block = eventful
    whole = at_crank_angles(new_kernel(sensor).push(block))
    kernel = new_kernel(sensor)
    values: list[EventValues] = []
    for start in range(0, len(block), size):
        values += kernel.push(part(block, slice(start, start + size)))
        values += kernel.push(part(block, slice(0, 0)))
    cut = at_crank_angles(values)
    assert whole.keys() == cut.keys()
    for key, (t, found, _) in whole.items():
        assert np.array_equal(t, cut[key][0], equal_nan=True), key
        assert np.array_equal(found, cut[key][1], equal_nan=True), key


def test_a_stop_and_a_turned_bicycle_cost_at_most_two_strokes(
    eventful: tuple[Sensor, MarkerBlock],
) -> None:
    sensor, block = eventful
    kernel = new_kernel(sensor)
    t, found, _ = at_crank_angles(kernel.push(block))["knee_flexion", "R", "bdc"]
    first_turn_s = 60.0 / 85.0
    again = t[t > 15.0][0]
    assert again < 15.0 + 3 * first_turn_s
    assert not ((t > 9.5) & (t < 14.0)).any()
    times, truth = truth_at(EVENTFUL, "knee_flexion", "R", 180.0, 15.0, 24.99)
    nearest = np.abs(times[None] - t[t > 15.5][:, None]).argmin(axis=1)
    assert np.nanmean(found[t > 15.5] - truth[nearest]) == pytest.approx(0.0, abs=0.1)


@pytest.mark.parametrize(
    ("heading", "up"), [(0.0, "+y"), (90.0, "+z"), (211.0, "-y"), (37.0, "-x")]
)
def test_heading_and_up_axis_do_not_matter(heading: float, up: Up) -> None:
    simulation = RiderSimulation(seed=8)
    plain = Sensor(noise_mm=0.0, dropout=0.0)
    turned = Sensor(noise_mm=0.0, heading_deg=heading, up=up, offset_mm=(700.0, -1200.0, 300.0))
    first = at_crank_angles(ride(simulation, plain, 8.0)[1])
    second = at_crank_angles(ride(simulation, turned, 8.0)[1])
    assert first.keys() == second.keys()
    for key, (_, found, _) in first.items():
        assert found == pytest.approx(second[key][1], abs=1e-4), key


@pytest.mark.parametrize("side", ["left", "right"])
def test_one_side_alone(side: str) -> None:
    simulation = RiderSimulation(seed=9)
    sensor = Sensor(side="left" if side == "left" else "right")
    kernel, values = ride(simulation, sensor)
    letter = side[0].upper()
    assert kernel.bike is not None
    assert set(kernel.bike.cranks) == {letter}
    t, found, _ = at_crank_angles(values)["knee_flexion", letter, "bdc"]
    _, truth = truth_at(simulation, "knee_flexion", letter, 180.0, t[0] - 0.1, t[-1] + 0.1)
    assert found.mean() == pytest.approx(truth.mean(), abs=0.1)


def test_pedalling_backwards_and_standing_still_give_no_strokes() -> None:
    changes = Ride(cadence_rpm=(Change(6.0, 0.0), Change(9.0, -60.0), Change(14.0, 0.0)))
    simulation = RiderSimulation(ride=changes, seed=10)
    _, values = ride(simulation, Sensor(noise_mm=1.0), 20.0)
    t = at_crank_angles(values)["knee_flexion", "R", "tdc"][0]
    assert (t < 7.5).all()
    times, _ = truth_at(simulation, "knee_flexion", "R", 0.0, 0.0, 20.0)
    assert len(t) <= len(times)


def test_local_regression_is_savitzky_golays_on_even_frames() -> None:
    """``scipy.signal.savgol_coeffs``, the even-spacing case of a local polynomial."""
    random = np.random.default_rng(1)
    n = 33
    x: FloatArray = np.arange(n, dtype=np.float64) * 0.005
    phase: FloatArray = (x - x[n // 2]) * 2 * np.pi * 1.5
    columns = random.normal(size=(n, 3))
    window = Window(0, n, float(x[n // 2]), float(x[-1] - x[n // 2]) * (1 + 1e-9))
    fitted = fit_local(x, x, phase, columns, window, 0.0)
    expected = savgol_coeffs(n, DEGREE, use="dot") @ columns
    assert fitted.positions == pytest.approx(expected, abs=1e-9)
    assert fitted.t == pytest.approx(x[n // 2], abs=1e-12)
