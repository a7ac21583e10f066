"""Mistakes that touched points give away: a wrong turn, a wrong side, a turned bar or crank."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np

from livefit.bicycle.axes import either, middle
from livefit.definitions.bicycle import TouchPoint
from livefit.frames import FloatArray

FACING_MM = 5.0
"""A pair's two points lie this close to square across the bicycle: a hand half-way round a tube."""
MIDDLE_MM = 2.5
"""A pair's middle lies this close to the mid-plane."""
TURNED_DEG = 1.5
"""A bar turned farther than this is not straight."""
CRANKS_MM = 2.0
"""Left and right crank differ by less than this."""
HEAD_TUBE_DEG = (58.0, 82.0)
"""From the level toward the rear (common practice, no source)."""
STRAIGHT_MM = 5.0
"""Of two straight cranks the pedals' middle lies this close to the crank axis."""
ORDER: tuple[tuple[str, Literal["ahead of", "above", "outside"], str], ...] = (
    ("saddle_nose", "ahead of", "saddle_wide"),
    ("saddle_wide", "ahead of", "saddle_rear"),
    ("hood", "above", "drops"),
    ("drops", "ahead of", "bar_end"),
    ("pad", "above", "bar_top"),
    ("pad", "above", "drops"),
    ("hood", "outside", "pad"),
    ("extension", "ahead of", "pad"),
    ("extension", "ahead of", "bar_top"),
    ("bar_front", "ahead of", "bar_top"),
    ("bar_top", "above", "bar_front"),
    ("bar_top", "ahead of", "stem_top"),
    ("stem_top", "above", "stem_bottom"),
    ("stem_bottom", "above", "head_top"),
)
"""Points and pairs, side by side, that lie so on every bicycle (common practice, no source)."""


@dataclass(frozen=True)
class Finding:
    """Something that looks like a mistake.

    Attributes
    ----------
    kind
        ``place``: out of its range. ``facing``, ``middle``: a pair that is not one. ``bar``: the
        bar was turned. ``cranks``: unequal or turned between their two touches. ``order``: two
        points the wrong way round.
    points
        Which to touch again.
    text
        What was expected, what came, what to do.
    """

    kind: Literal["place", "facing", "middle", "bar", "cranks", "order"]
    points: tuple[str, ...]
    text: str


def find_mistakes(
    inside: Mapping[str, FloatArray], points: Mapping[str, TouchPoint], even: Sequence[str]
) -> tuple[Finding, ...]:
    """Look for mistakes in points (3,) mm in bike axes.

    Parameters
    ----------
    inside
        By name, those that were touched.
    points
        What is known of each.
    even
        Pairs that lie evenly about the mid-plane.
    """
    return (
        *_misplaced(inside, points),
        *_unpaired(inside, points, even),
        *_turned_bar(inside),
        *_cranks(inside),
        *_head_tube(inside),
        *_out_of_order(inside, points),
    )


def _fits(place: FloatArray, point: TouchPoint) -> bool:
    outward = place[2] * (-1 if point.side == "left" else 1)
    ranges = (point.forward_mm, point.up_mm, point.outward_mm)
    values = (place[0], place[1], outward)
    return all(low <= value <= high for (low, high), value in zip(ranges, values, strict=True))


def _misplaced(
    inside: Mapping[str, FloatArray], points: Mapping[str, TouchPoint]
) -> Iterator[Finding]:
    for name, place in inside.items():
        if _fits(place, points[name]):
            continue
        x, y, z = (round(value) for value in place.tolist())
        fitting = [other.title for other in points.values() if _fits(place, other)]
        hint = f", where one expects {' or '.join(fitting)}" if fitting else ""
        text = (
            f"{points[name].title}: expected forward {_range(points[name].forward_mm)}, up "
            f"{_range(points[name].up_mm)} and outward {_range(points[name].outward_mm)} mm, found "
            f"{x} forward, {y} up and {z} to the right{hint}. Touch it again."
        )
        yield Finding("place", (name,), text)


def _range(limits: Sequence[float]) -> str:
    return f"{limits[0]:.0f} to {limits[1]:.0f}"


def _unpaired(
    inside: Mapping[str, FloatArray], points: Mapping[str, TouchPoint], even: Sequence[str]
) -> Iterator[Finding]:
    for pair in even:
        both = (f"{pair}_left", f"{pair}_right")
        titles = " and ".join(points[name].title for name in both)
        apart = float(np.hypot(*(inside[both[1]] - inside[both[0]])[:2]))
        if apart > FACING_MM:
            text = (
                f"{titles}: expected straight across from each other, found {apart:.0f} mm apart "
                "seen from the side. Touch both again."
            )
            yield Finding("facing", both, text)
        aside = float(middle(inside, pair)[2])
        if abs(aside) > MIDDLE_MM:
            text = (
                f"{titles}: expected as far to the left as to the right, found their middle "
                f"{abs(aside):.1f} mm off the mid-plane. Touch both again."
            )
            yield Finding("middle", both, text)


def _turned_bar(inside: Mapping[str, FloatArray]) -> Iterator[Finding]:
    for pair in ("bar_end", "hood"):
        both = (f"{pair}_left", f"{pair}_right")
        if not inside.keys() >= set(both):
            continue
        across = inside[both[1]] - inside[both[0]]
        turned = float(np.degrees(np.arctan2(np.hypot(across[0], across[1]), abs(across[2]))))
        if turned > TURNED_DEG:
            text = (
                f"Bar: expected straight, found it {turned:.1f}° from square to the bicycle. Hold "
                "the front wheel straight and touch the bar's points and the front axle again."
            )
            yield Finding("bar", both, text)
            return


def _head_tube(inside: Mapping[str, FloatArray]) -> Iterator[Finding]:
    both = tuple(name for name in inside if name.startswith(("head_top", "head_bottom")))
    if len({name.rpartition("_")[0] for name in both}) < 2:
        return
    along = either(inside, "head_top") - either(inside, "head_bottom")
    leans = float(np.degrees(np.arctan2(along[1], -along[0])))
    low, high = HEAD_TUBE_DEG
    if not low <= leans <= high:
        text = (
            f"Head tube: expected its top above and behind its bottom, {low:g} to {high:g}° from "
            f"the level, found {leans:.0f}°. Touch both again."
        )
        yield Finding("order", both, text)


def _out_of_order(
    inside: Mapping[str, FloatArray], points: Mapping[str, TouchPoint]
) -> Iterator[Finding]:
    for one, relation, other in ORDER:
        for side in ("", "_left", "_right"):
            both = (one + side, other + side)
            if not inside.keys() >= set(both):
                continue
            apart = inside[both[0]] - inside[both[1]]
            outward = -apart[2] if side == "_left" else apart[2]
            by = float({"ahead of": apart[0], "above": apart[1], "outside": outward}[relation])
            if by <= 0:
                text = (
                    f"{points[both[0]].title}: expected {relation} {points[both[1]].title}, found "
                    f"it {-by:.0f} mm the other way. Touch both again."
                )
                yield Finding("order", both, text)


def _cranks(inside: Mapping[str, FloatArray]) -> Iterator[Finding]:
    both = ("pedal_left", "pedal_right")
    if not inside.keys() >= set(both):
        return
    axis = either(inside, "crank_axis")[:2]
    left, right = (inside[name][:2] - axis for name in both)
    lengths = np.linalg.norm([left, right], axis=1)
    if abs(lengths[1] - lengths[0]) > CRANKS_MM:
        text = (
            f"Cranks: expected equal lengths, found {lengths[0]:.1f} mm left and "
            f"{lengths[1]:.1f} mm right. Touch both pedal axles again."
        )
        yield Finding("cranks", both, text)
    elif np.linalg.norm(left + right) / 2 > STRAIGHT_MM:
        text = (
            "Cranks: expected one straight line from pedal to pedal, found it broken by "
            f"{np.degrees(np.arccos(np.clip(-left @ right / lengths.prod(), -1, 1))):.0f}°. Keep "
            "the cranks still and touch both pedal axles again."
        )
        yield Finding("cranks", both, text)
