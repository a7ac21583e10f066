"""Extremes of strokes whose curve has a closed form, with noise of known size on it.

The regression's noise along a cycle is that of harmonics 1 to H with independent coefficients of
one variance. What it does to the largest value is found here by drawing it, not by the formula
under test.
"""

from __future__ import annotations

import numpy as np
import pytest

from livefit.frames import FloatArray
from livefit.kernel.extremes import NoiseMeter, extreme
from livefit.kernel.strokes import Strokes

ROWS = np.radians(10.0) * np.arange(37)
TOP = np.radians(203.0)


def drawn(variance: float, harmonics: int, strokes: int, seed: int = 1) -> tuple[FloatArray, ...]:
    """Noise (s, 37) of each stroke, and the same noise at TOP (s,)."""
    random = np.random.default_rng(seed)
    coefficients = np.sqrt(variance) * random.normal(size=(strokes, 2 * harmonics))

    def waves(angle: FloatArray) -> FloatArray:
        turned = np.arange(1, harmonics + 1)[:, None] * angle
        return np.concatenate([np.cos(turned), np.sin(turned)])

    return coefficients @ waves(ROWS), (coefficients @ waves(np.array([TOP])))[:, 0]


def strokes_of(cycles: FloatArray, harmonics: int = 8, first: int = 0) -> Strokes:
    """Strokes of one measure; cycles (s, 37)."""
    number = np.arange(first, first + len(cycles), dtype=np.int64)
    begin = 0.7 * np.arange(first, first + len(cycles), dtype=np.float64)
    return Strokes(
        number,
        begin,
        begin + 0.7,
        cycles[:, :, None],
        np.full(len(cycles), harmonics),
    )


@pytest.mark.parametrize("harmonics", [6, 8])
@pytest.mark.parametrize("sign", [1, -1])
def test_what_noise_adds_to_an_extreme_is_taken_off(sign: int, harmonics: int) -> None:
    """20 deg of one harmonic, TOP its extreme; noise bends it by a quarter of its own bend.

    The noise at TOP itself is nought on average; left out, the rest of the error is small.
    """
    bends = np.sqrt(np.sum(np.arange(1.0, harmonics + 1) ** 4))
    noise, at_top = drawn((0.25 * 20.0 / bends) ** 2, harmonics, 6000)
    cycles = sign * 20.0 * np.cos(ROWS - TOP) + noise
    strokes = strokes_of(cycles, harmonics)
    plain, _ = extreme(strokes.cycles, sign)
    corrected, at_deg = extreme(strokes.cycles, sign, NoiseMeter(1).take(strokes))
    error, left = (sign * (v[4:, 0] - at_top[4:]) - 20.0 for v in (plain, corrected))
    uncertain = error.std() / np.sqrt(len(error))
    assert error.mean() > 20 * uncertain
    # Of the fourth order in a quarter.
    assert abs(left.mean()) < 0.1 * error.mean()
    assert at_deg.mean() == pytest.approx(203.0, abs=0.5)


def test_a_curve_that_noise_alone_bends_is_corrected_by_little() -> None:
    """The largest of pure noise is two of its deviations: some of it stays, none too much goes."""
    noise, _ = drawn(0.01, 8, 2000)
    strokes = strokes_of(noise)
    plain, _ = extreme(strokes.cycles, 1)
    corrected, _ = extreme(strokes.cycles, 1, NoiseMeter(1).take(strokes))
    off = (plain - corrected)[4:, 0]
    assert (off >= 0).all()
    # 204 / (2 sqrt(8772)) of a coefficient's deviation, by the estimate that differs by stroke.
    assert off.max() < 1.09 * 0.1 * 1.9
    assert 0.5 * plain.mean() < corrected[4:].mean() < 0.95 * plain.mean()


@pytest.mark.parametrize("harmonics", [6, 7, 8])
def test_the_noise_is_measured_through_what_the_rider_does(harmonics: int) -> None:
    """Strokes that differ by their mean, from begin to end, and in their first three harmonics."""
    noise, _ = drawn(0.01, harmonics, 20_000)
    third, drift, mean = np.random.default_rng(4).normal(size=(3, 20_000, 1))
    rider = 30.0 * np.cos(ROWS - TOP) + third * np.cos(3 * ROWS) + drift * ROWS / 6 + mean
    measured = NoiseMeter(1).take(strokes_of(rider + noise, harmonics))
    orders = np.arange(1, harmonics + 1)
    # The median of 16 exponential numbers is 5 % too large on average (their order statistics);
    # neighbouring differences share a stroke and count for less than 16.
    assert np.nanmean(measured.slope) == pytest.approx(0.01 * np.sum(orders**2), rel=0.1)
    assert np.nanmean(measured.bend) == pytest.approx(0.01 * np.sum(orders**4), rel=0.1)


def test_one_stroke_with_a_mistaken_marker_does_not_count_for_many() -> None:
    noise, _ = drawn(0.01, 8, 60)
    spoilt = noise.copy()
    spoilt[30, 8:12] += 50.0
    sound, after = (NoiseMeter(1).take(strokes_of(c)).slope[:, 0] for c in (noise, spoilt))
    assert after[4:].max() < 2.0 * sound[4:].max()


def test_no_noise_is_claimed_before_it_is_known() -> None:
    noise, _ = drawn(0.01, 8, 40)
    known = np.isfinite(NoiseMeter(1).take(strokes_of(noise)).slope[:, 0])
    assert known.tolist() == [False] * 4 + [True] * 36
    few = strokes_of(noise, harmonics=5)
    assert np.isnan(NoiseMeter(1).take(few).slope).all()
    lost = noise.copy()
    lost[1::2, 5] = np.nan
    assert np.isnan(NoiseMeter(1).take(strokes_of(lost)).slope).all()
    plain, corrected = (extreme(few.cycles, 1, n)[0] for n in (None, NoiseMeter(1).take(few)))
    assert np.array_equal(plain, corrected)


def test_strokes_that_do_not_follow_each_other_are_not_compared() -> None:
    noise, _ = drawn(0.01, 8, 40)
    meter = NoiseMeter(1)
    apart = [meter.take(strokes_of(noise[k : k + 1], first=2 * k)).slope[0, 0] for k in range(40)]
    assert np.isnan(apart).all()


@pytest.mark.parametrize("top_deg", [0.5, 2.0, 7.0, 120.0, 351.0, 356.0, 359.0])
@pytest.mark.parametrize("drift", [-6.0, 6.0])
def test_a_stroke_that_does_not_end_where_it_began(top_deg: float, drift: float) -> None:
    """The neighbours of its last row are its own, not those of its first."""

    def curve(angle: FloatArray) -> FloatArray:
        tops: FloatArray = 20.0 * np.cos(angle - np.radians(top_deg))
        return tops + drift * angle / (2 * np.pi)

    fine = np.radians(np.linspace(0.0, 360.0, 360_001))
    for sign in (1, -1):
        values, at_deg = extreme(curve(ROWS)[None, :, None], sign)
        true = (sign * curve(fine)).argmax()
        assert values[0, 0] == pytest.approx(curve(fine)[true], abs=1e-3 * 40)
        off = (at_deg[0, 0] - np.degrees(fine[true]) + 180.0) % 360.0 - 180.0
        assert abs(off) < 0.5


def test_where_a_stroke_begins_or_ends_nothing_is_taken_off() -> None:
    noise, _ = drawn(0.01, 8, 40)
    strokes = strokes_of(noise + 100.0 * ROWS)
    measured = NoiseMeter(1).take(strokes)
    assert np.isfinite(measured.slope[-1]).all()
    for sign, row in ((1, -1), (-1, 0)):
        values, at_deg = extreme(strokes.cycles, sign, measured)
        assert values[:, 0] == pytest.approx(strokes.cycles[:, row, 0], abs=1e-9)
        assert (at_deg == 0.0).all()


def test_a_missing_row_takes_the_stroke() -> None:
    noise, _ = drawn(0.01, 8, 3)
    noise[1, 20] = np.nan
    values, at_deg = extreme(noise[:, :, None], 1)
    assert np.isnan(values[:, 0]).tolist() == [False, True, False]
    assert np.isnan(at_deg[:, 0]).tolist() == [False, True, False]
