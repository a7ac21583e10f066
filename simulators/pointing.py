"""A pointer in an unsteady hand: turned about its tip, and touching one point after the other."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.spatial.transform import Rotation

from livefit.frames import FloatArray

LABELS = ("POINTER_1", "POINTER_2", "POINTER_3", "POINTER_4")
SHAPE = np.array([[0.0, 0, 0], [75, 10, 15], [-70, 15, 40], [10, -20, 105]])
"""(4, 3) mm: where the markers sit, in the pointer's own axes; z runs along the handle."""
TIP = np.array([4.0, -3.0, -160.0])
"""(3,) mm in the same axes."""


@dataclass(frozen=True)
class Hand:
    """How the pointer is held and seen.

    Attributes
    ----------
    rate_hz
        Frames per second.
    noise_mm
        White noise on every coordinate of every marker, standard deviation.
    lost
        Share of a marker's frames in which it is not seen.
    tremor_mm
        How far the tip trembles on its point, standard deviation along each axis.
    tremor_s
        How slowly: the width of the window that smooths it.
    wobble_deg
        How far the pointer turns in the hand while its tip is held still.
    travel_s, hold_s
        From point to point, and on each.
    """

    rate_hz: float = 100.0
    noise_mm: float = 0.5
    lost: float = 0.02
    tremor_mm: float = 0.15
    tremor_s: float = 0.05
    wobble_deg: float = 2.0
    travel_s: float = 0.5
    hold_s: float = 1.6


@dataclass(frozen=True)
class Pointing:
    """What the cameras saw.

    Attributes
    ----------
    t
        (n,) s.
    seen
        (n, 4, 3) mm in capture axes; NaN = not seen.
    tips
        (n, 3) mm: the true tip.
    """

    t: FloatArray
    seen: FloatArray
    tips: FloatArray


def _smooth(random: np.random.Generator, n: int, columns: int, width: float) -> FloatArray:
    """Chance (n, columns) of unit standard deviation, smoothed over so many frames."""
    white = random.standard_normal((n, columns))
    if width < 0.3:
        return white
    smooth = gaussian_filter1d(white, width, axis=0, mode="wrap")
    scale = np.sqrt((gaussian_filter1d(np.eye(1, n)[0], width, mode="wrap") ** 2).sum())
    return np.asarray(smooth / scale)


def _see(
    random: np.random.Generator, hand: Hand, tips: FloatArray, turns: Rotation, shape: FloatArray
) -> Pointing:
    """Markers of a pointer whose tip and rotation are known; shape (4, 3) or (n, 4, 3)."""
    arms = np.broadcast_to(shape - TIP, (len(tips), *SHAPE.shape))
    seen = np.einsum("nij,nmj->nmi", turns.as_matrix(), arms) + tips[:, None]
    seen = seen + hand.noise_mm * random.standard_normal(seen.shape)
    seen[random.random(seen.shape[:2]) < hand.lost] = np.nan
    return Pointing(np.arange(len(tips)) / hand.rate_hz, seen, tips)


def turn_about_tip(
    seed: int,
    *,
    hand: Hand | None = None,
    seconds: float = 20.0,
    tilt_deg: tuple[float, float] = (30.0, 30.0),
    spin_deg: float = 40.0,
    slip_mm: float = 0.0,
    moved_mm: float = 0.0,
) -> Pointing:
    """A pointer turned about its tip, which stands in a hollow.

    Parameters
    ----------
    seed
        Of all that is left to chance.
    hand
        How it is held and seen.
    seconds
        For how long.
    tilt_deg, spin_deg
        Amplitudes of the tilting to two sides and of the turning about the handle.
    slip_mm
        How far the tip slips out of its hollow half-way through.
    moved_mm
        How far the last marker is pushed out of place after two thirds.
    """
    hand = Hand() if hand is None else hand
    random = np.random.default_rng([seed, 1])
    t = np.arange(round(seconds * hand.rate_hz)) / hand.rate_hz
    phase = random.uniform(0, 2 * np.pi, 3)
    beat = 2 * np.pi * np.array([0.31, 0.43, 0.17])
    angles = np.sin(t[:, None] * beat + phase) * [*tilt_deg, spin_deg]
    turns = Rotation.from_euler("xyz", angles, degrees=True)
    place = random.uniform(-500, 500, 3)
    tips = np.broadcast_to(place, (len(t), 3)).copy()
    tips[len(t) // 2 :] += slip_mm * _direction(random)
    shape = np.broadcast_to(SHAPE, (len(t), *SHAPE.shape)).copy()
    shape[2 * len(t) // 3 :, -1] += moved_mm * _direction(random)
    return _see(random, hand, tips, turns, shape)


def touch_points(
    seed: int,
    places: Mapping[str, FloatArray],
    order: Sequence[str],
    *,
    hand: Hand | None = None,
    placement_mm: Mapping[str, float] | None = None,
    slips_mm: Mapping[str, float] | None = None,
    outward: Mapping[str, FloatArray] | None = None,
) -> Pointing:
    """A pointer that touches points one after the other, lifted off in between.

    Parameters
    ----------
    seed
        Of all that is left to chance.
    places
        Where the points are, (3,) mm in capture axes.
    order
        In which order they are touched; wrong if it is not the one asked for.
    hand
        How the pointer is held and seen.
    placement_mm
        By point, how far along each axis the hand misses it (standard deviation).
    slips_mm
        By point, how far the tip slips after a third of the touch.
    outward
        By point, the direction (3,) in which the handle points; straight up where none is given.
    """
    hand = Hand() if hand is None else hand
    random = np.random.default_rng([seed, 2])
    travel, hold = round(hand.travel_s * hand.rate_hz), round(hand.hold_s * hand.rate_hz)
    share = np.linspace(0, 1, travel)
    blend = (share**3 * (10 - 15 * share + 6 * share**2))[:, None]
    arch = 120.0 * np.sin(np.pi * share)[:, None] ** 2
    where = places[order[0]] + [0.0, 0.0, 250.0]
    held = Rotation.identity()
    tips, turns = [], []
    for name in order:
        miss = (placement_mm or {}).get(name, 0.0) * random.standard_normal(3)
        target = places[name] + miss
        handle = np.array([0.0, 0.0, 1.0]) if outward is None else outward[name]
        handle = handle + 0.25 * random.standard_normal(3)
        turn = Rotation.align_vectors([handle], [[0.0, 0.0, 1.0]])[0]
        turn = turn * Rotation.from_euler("z", random.uniform(-60, 60), degrees=True)
        between = (held.inv() * turn).as_rotvec()
        tips.append(where + (target - where) * blend + arch * handle / np.linalg.norm(handle))
        turns.append(held * Rotation.from_rotvec(between * blend))
        slip = np.zeros((hold, 3))
        slip[hold // 3 :] = (slips_mm or {}).get(name, 0.0) * _direction(random)
        tremor = hand.tremor_mm * _smooth(random, hold, 3, hand.tremor_s * hand.rate_hz)
        wobble = hand.wobble_deg * _smooth(random, hold, 3, 0.3 * hand.rate_hz)
        tips.append(target + slip + tremor)
        turns.append(turn * Rotation.from_rotvec(wobble, degrees=True))
        where, held = tips[-1][-1], turns[-1][-1]
    return _see(random, hand, np.concatenate(tips), Rotation.concatenate(turns), SHAPE)


def hover(
    seed: int, place: FloatArray, *, hand: Hand | None = None, seconds: float = 1.0
) -> Pointing:
    """A pointer that waits above a place (3,) mm, swaying: nowhere near still."""
    hand = Hand() if hand is None else hand
    random = np.random.default_rng([seed, 5])
    t = np.arange(max(round(seconds * hand.rate_hz), 1)) / hand.rate_hz
    sway = np.sin(2 * np.pi * t[:, None] * [0.9, 0.7, 1.1]) * [60.0, 50.0, 30.0]
    tips = sway + place + (0.0, 0.0, 200.0)
    turns = Rotation.from_euler("x", 20 * np.sin(np.pi * t[:, None]), degrees=True)
    return _see(random, hand, tips, turns, SHAPE)


def _direction(random: np.random.Generator) -> FloatArray:
    """A direction (3,) by chance."""
    v = random.standard_normal(3)
    direction: FloatArray = v / np.linalg.norm(v)
    return direction
