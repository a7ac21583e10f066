"""The regression against slow second versions of it: lstsq, a root finder, scipy.signal."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.signal import savgol_filter

from livefit.frames import FloatArray
from livefit.kernel.local import DEGREE, fit_local
from livefit.kernel.regression import (
    FRAMES_PER_COLUMN,
    HARMONICS,
    PHASE_COLUMNS,
    TREND_COLUMNS,
    Window,
    fit_windows,
    harmonics_for,
)

EXACT = 1e-8
"""mm of 100 mm: normal equations in double precision; their condition is below 1e3 here."""


def stroke(
    seed: int, frames: int = 133, noise: float = 0.5
) -> tuple[FloatArray, FloatArray, FloatArray, Window]:
    """One revolution at uneven instants: x (n,), phase (n,), columns (n, 6), and its window."""
    random = np.random.default_rng(seed)
    x = np.linspace(3.0, 3.67, frames) + random.uniform(-1e-3, 1e-3, frames)
    centre, half = 3.333, 0.34
    turn = np.pi * (x - centre) / half
    phase = 40.0 + turn + 0.05 * np.sin(2 * turn) + random.normal(0, 0.003, frames)
    order = np.arange(1, 6)
    waves = np.cos(order[:, None] * turn + random.uniform(0, 6, (6, 5, 1)))
    columns = np.einsum("kht,h->tk", waves, 100.0 / order**2) + noise * random.normal(
        size=(frames, 6)
    )
    return x, phase, columns, Window(0, frames, centre, half)


def harmonic_design(u: FloatArray, harmonics: int) -> FloatArray:
    """Trend and harmonics (n, p), written out as the textbook does."""
    parts = [np.ones_like(u), u, u**2]
    for k in range(1, harmonics + 1):
        parts += [np.cos(np.pi * k * u), np.sin(np.pi * k * u)]
    return np.stack(parts, axis=1)


def slowly(
    x: FloatArray, phase: FloatArray, columns: FloatArray, window: Window, wanted: float
) -> tuple[float, FloatArray]:
    """Where on the abscissa the crank passes an angle, and each column there (c,)."""
    u = (x - window.centre) / window.half
    harmonics = harmonics_for(len(x))
    few = min(PHASE_COLUMNS, TREND_COLUMNS + 2 * harmonics)
    known = np.isfinite(phase)
    design = harmonic_design(u, (few - TREND_COLUMNS) // 2)
    turn = np.linalg.lstsq(design[known], (phase - np.pi * u)[known], rcond=None)[0]

    def ahead(at: float) -> float:
        here = harmonic_design(np.array([at]), (few - TREND_COLUMNS) // 2)
        return float((here @ turn)[0] + np.pi * at - wanted)

    at = float(brentq(ahead, -1.0, 1.0, xtol=1e-14))
    there = harmonic_design(np.array([at]), harmonics)
    values = np.empty(columns.shape[1])
    for k, column in enumerate(columns.T):
        seen = np.isfinite(column)
        coefficients = np.linalg.lstsq(
            harmonic_design(u[seen], harmonics), column[seen], rcond=None
        )[0]
        values[k] = (there @ coefficients)[0]
    return window.centre + at * window.half, values


@pytest.mark.parametrize("seed", range(4))
@pytest.mark.parametrize("frames", [133, 40, 22, 13])
def test_harmonic_regression_is_numpys_least_squares(seed: int, frames: int) -> None:
    x, phase, columns, window = stroke(seed, frames)
    wanted = 40.0 + np.radians([-90.0, -17.0, 0.0, 88.0])
    found = fit_windows(x, x, phase, columns, [window], wanted[None])
    for k, angle in enumerate(wanted):
        at, values = slowly(x, phase, columns, window, float(angle))
        assert found.t[0, k] == pytest.approx(at, abs=1e-9)
        assert found.positions[0, k] == pytest.approx(values, abs=EXACT)


def test_frames_that_miss_a_marker_or_the_crank_are_left_out() -> None:
    x, phase, columns, window = stroke(5)
    columns[20:35, 3:] = np.nan
    phase[60:80] = np.nan
    found = fit_windows(x, x, phase, columns, [window], np.array([[39.0, 40.5]]))
    for k, angle in enumerate((39.0, 40.5)):
        at, values = slowly(x, phase, columns, window, angle)
        assert found.t[0, k] == pytest.approx(at, abs=1e-9)
        assert found.positions[0, k] == pytest.approx(values, abs=EXACT)


def test_several_windows_at_once_are_each_as_alone() -> None:
    """Windows of unlike lengths, in one call and one by one, bit for bit."""
    strokes = [stroke(seed, frames) for seed, frames in ((1, 133), (2, 60), (3, 131), (4, 24))]
    x, phase, columns = (np.concatenate([s[k] for s in strokes]) for k in range(3))
    windows, first = [], 0
    for own in strokes:
        window = own[3]
        windows.append(Window(first, first + window.stop, window.centre, window.half))
        first += window.stop
    wanted = np.tile([40.0, 40.7], (4, 1))
    together = fit_windows(x, x, phase, columns, windows, wanted)
    for k, window in enumerate(windows):
        alone = fit_windows(x, x, phase, columns, [window], wanted[k : k + 1])
        assert np.array_equal(alone.positions[0], together.positions[k])
        assert np.array_equal(alone.t[0], together.t[k])


@pytest.mark.parametrize("frames", [21, 33, 65])
def test_local_quintic_is_scipys_savitzky_golay_in_the_middle(frames: int) -> None:
    """``scipy.signal.savgol_filter`` is the same regression for even frames, at their centre."""
    random = np.random.default_rng(frames)
    x = np.arange(frames) / 200.0
    columns = random.normal(size=(frames, 9))
    half = (frames - 1) / 2 / 200.0
    window = Window(0, frames, half, half)
    phase = 10.0 + 9.0 * (x - half)
    found = fit_local(x, x, phase, columns, window, 10.0)
    expected = savgol_filter(columns, frames, DEGREE, axis=0)[frames // 2]
    assert found.t == pytest.approx(half, abs=1e-12)
    assert found.positions == pytest.approx(expected, abs=1e-10)


def test_local_quintic_off_the_middle_is_numpys_polynomial() -> None:
    """``numpy.polynomial.Polynomial.fit``, at uneven instants and any place in the window."""
    random = np.random.default_rng(2)
    x = np.sort(random.uniform(-1.0, 1.0, 40))
    columns = random.normal(size=(40, 3)) + (30 * x**3)[:, None]
    window = Window(0, 40, 0.0, 1.0)
    for wanted in (-0.8, -0.2, 0.55):
        found = fit_local(x, x, 2 * x, columns, window, 2 * wanted)
        assert found.t == pytest.approx(wanted, abs=1e-12)
        for k in range(3):
            fitted = np.polynomial.Polynomial.fit(x, columns[:, k], DEGREE)
            assert found.positions[k] == pytest.approx(fitted(wanted), abs=1e-9)


def test_the_instant_is_on_the_devices_clock() -> None:
    """Fitted on the frame number, told in time stamps that jitter about another rate."""
    x, phase, columns, window = stroke(7)
    random = np.random.default_rng(7)
    stamps = 100.0 + 1.001 * x
    jittered = stamps + random.normal(0, 1e-3, len(x))
    wanted = np.array([[39.5, 40.0, 41.0]])
    clean = fit_windows(x, stamps, phase, columns, [window], wanted)
    found = fit_windows(x, jittered, phase, columns, [window], wanted)
    for k in range(3):
        at, _ = slowly(x, phase, columns, window, float(wanted[0, k]))
        assert clean.t[0, k] == pytest.approx(100.0 + 1.001 * at, abs=1e-9)
    assert np.array_equal(clean.positions, found.positions)
    # 1 ms a frame, 19 numbers of 133 frames: 0.4 ms.
    assert np.abs(found.t - clean.t).max() < 4 * 4e-4


def test_too_few_frames_give_nothing() -> None:
    for frames in range(2, 60):
        harmonics = harmonics_for(frames)
        assert harmonics in (0, *range(3, HARMONICS + 1))
        if harmonics:
            assert frames >= FRAMES_PER_COLUMN * (TREND_COLUMNS + 2 * harmonics)
    x, phase, columns, window = stroke(1, 10)
    found = fit_windows(x, x, phase, columns, [window], np.array([[40.0]]))
    assert np.isnan(found.positions).all()
    assert np.isnan(found.t).all()


def test_a_gap_wider_than_the_highest_harmonic_gives_nothing_there() -> None:
    """A position less certain than one frame's own is not given; elsewhere it is."""
    x, phase, columns, window = stroke(3)
    columns[50:90] = np.nan
    inside, outside = float(phase[70]), float(phase[20])
    found = fit_windows(x, x, phase, columns, [window], np.array([[inside, outside]]))
    assert np.isnan(found.positions[0, 0]).all()
    assert np.isfinite(found.positions[0, 1]).all()


def test_an_angle_that_the_window_does_not_reach_gives_nothing() -> None:
    x, phase, columns, window = stroke(4)
    found = fit_windows(x, x, phase, columns, [window], np.array([[40.0, 44.0]]))
    assert np.isnan(found.positions).all(axis=2).tolist() == [[False, True]]
