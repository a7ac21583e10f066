"""Noise and precision against known ones."""

from __future__ import annotations

import numpy as np
import pytest

from livefit.checking import Wanted
from livefit.checking.noise import noise_of
from livefit.checking.precision import strokes_for
from livefit.frames import FloatArray
from simulators import RiderSimulation, Sensor, stream_info
from simulators.markers import LABELS
from tests.benchmarks.bound import geometry
from tests.checking.checked_examples import changed, column, heard, judged, names, ride, the


@pytest.mark.parametrize("rate_hz", [60.0, 100.0, 240.0])
@pytest.mark.parametrize("sd", [0.2, 0.5, 2.0])
def test_noise_of_a_pedalling_rider(rate_hz: float, sd: float) -> None:
    rng = np.random.default_rng(int(rate_hz))
    t = np.arange(int(15 * rate_hz)) / rate_hz
    paths = RiderSimulation(seed=2).positions(t)
    for label in ("R_VM", "R_LE", "L_AC"):
        noisy = paths[:, LABELS.index(label)] + rng.normal(0.0, sd, (len(t), 3))
        assert noise_of(noisy, t * rate_hz) == pytest.approx(sd, rel=0.1)


def test_noise_with_gaps_stray_positions_and_uneven_instants() -> None:
    rng = np.random.default_rng(4)
    t = (np.arange(3_000) + rng.uniform(-0.3, 0.3, 3_000)) / 100.0
    noisy = RiderSimulation(seed=2).positions(t)[:, LABELS.index("R_VM")]
    noisy += rng.normal(0.0, 0.8, noisy.shape)
    noisy[rng.random(3_000) < 0.05] = np.nan
    noisy[::211] += 300.0
    assert noise_of(noisy, 100.0 * t) == pytest.approx(0.8, rel=0.1)


def test_too_short_for_a_noise() -> None:
    assert np.isnan(noise_of(np.zeros((20, 3)), np.arange(20.0))).all()


@pytest.mark.parametrize(("sd", "level"), [(3.0, "warning"), (7.0, "fault")])
def test_a_noisy_sensor(sd: float, level: str) -> None:
    sensor = Sensor(rate_hz=100.0, noise_mm=sd)
    report = judged(heard(ride(sensor), stream_info(sensor)))
    assert "noise" in names(report)
    assert the(report, "noise").level == level


def test_one_noisy_marker() -> None:
    def shake(positions: FloatArray, t: FloatArray) -> None:
        positions[:, column("L_EL")] += np.random.default_rng(1).normal(0.0, 4.0, (len(t), 3))

    found = the(judged(changed(shake)), "noise")
    assert found.subject == "L_EL"
    assert found.numbers["sd_mm"] == pytest.approx(np.hypot(4.0, 0.5), rel=0.1)


def test_coarse_steps() -> None:
    def coarse(positions: FloatArray, t: FloatArray) -> None:
        positions[:] = 5.0 * np.round(positions / 5.0)

    report = judged(changed(coarse))
    steps = [f for f in report.findings if "step_mm" in f.numbers]
    assert [f.numbers["step_mm"] for f in steps] == [pytest.approx(5.0)]
    assert "precision" in names(report)


def test_smoothed_positions_are_noted() -> None:
    def smooth(positions: FloatArray, t: FloatArray) -> None:
        kernel = np.ones(5) / 5
        for k in range(positions.shape[1]):
            for axis in range(3):
                positions[2:-2, k, axis] = np.convolve(positions[:, k, axis], kernel, "valid")

    report = judged(changed(smooth))
    assert names(report) == set()
    found = [f for f in report.findings if f.name == "noise"]
    assert {f.subject for f in found} == {"L foot", "R foot"}
    for each in found:
        # The mean of five has 1/sqrt(5) of the noise, at two ends.
        expected = 0.5 * np.sqrt(2.0 / 5.0)
        assert each.numbers["length_sd_mm"] == pytest.approx(expected, rel=0.1)


@pytest.mark.parametrize("rate_hz", [100.0, 200.0])
def test_precision_agrees_with_the_bound(rate_hz: float) -> None:
    sensor = Sensor(rate_hz=rate_hz, noise_mm=1.0)
    report = judged(heard(ride(sensor, seed=3), stream_info(sensor)))
    for finding in report.findings:
        if finding.name == "precision":
            side = str(finding.subject)
            bound = geometry(RiderSimulation(seed=3), side, 180.0)
            frames = rate_hz * 60.0 / 90.0
            # Trend and eight harmonics: 19 numbers for marker and crank alike.
            expected = np.hypot(bound.angle_deg, bound.crank_deg) * np.sqrt(19.0 / frames)
            assert finding.numbers["sensor_se"] == pytest.approx(expected, rel=0.1)


def test_precision_that_noise_and_rate_do_not_give() -> None:
    sensor = Sensor(rate_hz=60.0, noise_mm=1.5)
    what = heard(ride(sensor), stream_info(sensor))
    assert names(judged(what, Wanted("knee_flexion", "bdc", 1.0))) == set()
    found = judged(what, Wanted("knee_flexion", "bdc", 0.15))
    assert names(found) == {"precision"}
    for finding in found.findings:
        if finding.name == "precision":
            wanted = strokes_for(finding.numbers["sensor_se"], 0.15)
            assert finding.numbers["sensor_strokes"] == wanted > 15
            assert f"{wanted:.0f} strokes" in finding.text


@pytest.mark.parametrize("event", ["maximum", "range", "crank_110"])
def test_precision_at_every_kind_of_event(event: str) -> None:
    report = judged(ride(), Wanted("knee_flexion", event, 1.0))
    [left, right] = [f for f in report.findings if f.name == "precision"]
    for finding in (left, right):
        assert 0.02 < finding.numbers["sensor_se"] < 0.4
        assert finding.level == "note"


def test_strokes_for_a_mean() -> None:
    # 1.96 * 2 / sqrt(n) = 1 for n = 15.4.
    assert strokes_for(2.0, 1.0) == 16
    assert strokes_for(0.01, 1.0) == 1


def test_cadence_has_no_marker_precision() -> None:
    with pytest.raises(ValueError, match="rests on no marker"):
        judged(ride(), Wanted("cadence", "mean", 1.0))
