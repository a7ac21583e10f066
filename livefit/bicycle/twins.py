"""The other one of a pair of which one was touched: where it must lie."""

from __future__ import annotations

from collections.abc import Collection, Mapping

import numpy as np

from livefit.definitions.bicycle import TouchPoint
from livefit.frames import FloatArray

_ACROSS = np.array([1.0, 1.0, -1.0])


def with_twins(
    inside: Mapping[str, FloatArray], known: Mapping[str, TouchPoint]
) -> dict[str, FloatArray]:
    """Touched points and the twins that follow from them, (..., 3) mm in bike axes.

    Parameters
    ----------
    inside
        By name, those that were touched.
    known
        What is known of each point.
    """
    found = dict(inside)
    bar = _bar(inside, known)
    for name in inside:
        point, twin = known[name], twin_of(name)
        if twin is None or twin in inside:
            continue
        if point.twin == "mid_plane":
            found[twin] = inside[name] * _ACROSS
        elif point.twin == "half_turn":
            found[twin] = -inside[name]
        elif point.twin == "bar" and bar is not None:
            middle, along = bar
            outward = ((inside[name] - middle) * along).sum(axis=-1, keepdims=True)
            found[twin] = inside[name] - 2.0 * outward * along
    return found


def names_with_twins(names: Collection[str], known: Mapping[str, TouchPoint]) -> set[str]:
    """What :func:`with_twins` finds."""
    nowhere = {name: np.array([0.0, 0.0, 1.0 if known[name].side == "right" else -1.0])
               for name in names}  # fmt: skip
    return set(with_twins(nowhere, known))


def twin_of(name: str) -> str | None:
    """The name of the other one of a pair."""
    pair, _, side = name.rpartition("_")
    if not pair or side not in ("left", "right"):
        return None
    return f"{pair}_{'right' if side == 'left' else 'left'}"


def _bar(
    inside: Mapping[str, FloatArray], known: Mapping[str, TouchPoint]
) -> tuple[FloatArray, FloatArray] | None:
    """Middle of the bar and the unit vector along it, (..., 3), by the widest pair on it."""
    on_bar = {name: place for name, place in inside.items() if known[name].twin == "bar"}
    pairs = [
        (place, on_bar[twin])
        for name, place in on_bar.items()
        if (twin := twin_of(name)) is not None and twin in on_bar
    ]
    if not pairs:
        return None
    one, two = max(pairs, key=lambda pair: float(np.abs(pair[1] - pair[0]).max()))
    along = two - one
    return (two + one) / 2, along / np.linalg.norm(along, axis=-1, keepdims=True)
