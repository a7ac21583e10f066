"""Another bicycle that holds the rider where the first one does: which parts, and what is left.

Plane geometry of the side view in mm, X forward, Y up, from the crank axis. Limits (minimum
insertion, piles of spacers) are never exceeded; what they cost is told.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import product
from operator import le

import numpy as np
from scipy.optimize import lsq_linear

from livefit.definitions.parts import BareFrame, Parts, SeatPost, Spacers, Stem
from livefit.frames import FloatArray

NEEDED = (
    "saddle_height", "saddle_setback", "saddle_tilt", "seat_tube_angle", "bar_forward", "bar_up",
    "crank_length",
)  # fmt: skip
"""Dimensions of the bicycle that fits."""
REACHED_MM = 0.5
"""What is left over within this is no worse than none."""


class TransferError(ValueError):
    """A set-up that does not say enough; the text says what is missing."""


@dataclass(frozen=True)
class Contact:
    """Where the rider touches the bicycle that fits.

    Attributes
    ----------
    nose
        (2,) mm: the saddle's nose.
    tilt
        rad: of the line from the saddle's rear to its nose, nose up positive.
    bar
        (2,) mm: top of the bar beside the stem.
    crank
        Crank length, mm.
    """

    nose: FloatArray
    tilt: float
    bar: FloatArray
    crank: float


@dataclass(frozen=True)
class RearEnd:
    """A seat post and how the saddle sits on it.

    Attributes
    ----------
    post
        Which.
    exposed_mm, inserted_mm
        Of its length above and below the seat tube's top.
    nose_to_clamp_mm
        Where on its rails the saddle is held.
    left
        (2,) mm: where the nose comes to lie, less where it should.
    limits
        Which limits hold it there: ``insertion_least``, ``insertion_most``, ``head``, ``rails``.
    """

    post: SeatPost
    exposed_mm: float
    inserted_mm: float
    nose_to_clamp_mm: float
    left: FloatArray
    limits: tuple[str, ...]


@dataclass(frozen=True)
class FrontEnd:
    """A stem on its spacers.

    Attributes
    ----------
    stem, turned_over
        Which, and whether its angle points the other way.
    spacers
        Heights of those below it, mm.
    left
        (2,) mm: where the bar comes to lie, less where it should.
    """

    stem: Stem
    turned_over: bool
    spacers: tuple[float, ...]
    left: FloatArray


@dataclass(frozen=True)
class Transfer:
    """How the other bicycle is built up.

    Attributes
    ----------
    rear, front
        The nearest that can be had.
    crank_mm, crank_left_mm
        Crank length, and by how much it is longer than it should be.
    ideal_stem
        Length (mm) and angle (deg) of a stem that would put the bar right on the same spacers.
    """

    rear: RearEnd
    front: FrontEnd
    crank_mm: float
    crank_left_mm: float
    ideal_stem: tuple[float, float]


def contact_points(dimensions: Mapping[str, float]) -> Contact:
    """Where the rider touches a bicycle of these dimensions (mm, deg).

    Raises
    ------
    TransferError
        If one of `NEEDED` is missing.
    """
    missing = [name for name in NEEDED if name not in dimensions]
    if missing:
        raise TransferError(
            f"expected the dimensions {', '.join(NEEDED)}, found no {', '.join(missing)}. Touch "
            "the points they need."
        )
    seat = np.radians(dimensions["seat_tube_angle"])
    tilt = float(np.radians(dimensions["saddle_tilt"]))
    on_line = dimensions["saddle_height"] * np.array([-np.cos(seat), np.sin(seat)])
    ahead = (-dimensions["saddle_setback"] - on_line[0]) / np.cos(tilt)
    return Contact(
        nose=on_line + ahead * np.array([np.cos(tilt), np.sin(tilt)]),
        tilt=tilt,
        bar=np.array([dimensions["bar_forward"], dimensions["bar_up"]]),
        crank=dimensions["crank_length"],
    )


def transfer(contact: Contact, frame: BareFrame, parts: Parts) -> Transfer:
    """Parts that bring the contact points nearest to where they should be.

    Raises
    ------
    TransferError
        If no seat post may be used.
    """
    middle = sum(parts.saddle.nose_to_clamp_mm) / 2
    usable = [post for post in parts.seat_posts if le(*post_range(frame, post))]
    if not usable:
        raise TransferError(
            "expected a seat post that may go into this frame as far as both makers ask, found "
            f"none of {', '.join(post.title for post in parts.seat_posts)}. Add a longer one."
        )
    rears = [_seated(contact, frame, parts, post) for post in usable]
    rear = min(rears, key=lambda one: _ease(one, middle))
    front = min(_fronts(contact, frame, parts), key=_plainness)
    crank = min(parts.cranks_mm, key=lambda length: (abs(length - contact.crank), length))
    return Transfer(
        rear, front, crank, crank - contact.crank, _ideal_stem(contact, frame, parts, front)
    )


def _ease(rear: RearEnd, middle: float) -> tuple[float, float]:
    """The nearer the better; among those that reach, the nearer to the middle of the rails."""
    return max(float(np.hypot(*rear.left)), REACHED_MM), abs(rear.nose_to_clamp_mm - middle)


def post_range(frame: BareFrame, post: SeatPost) -> tuple[float, float]:
    """How much of a post may be above the seat tube's top, mm: least and most.

    The most leaves both makers' minimum insertion in the tube. Where the least is greater, the
    post does not go with the frame.
    """
    most = post.length_mm - max(post.insertion_least_mm, frame.post_insertion_least_mm)
    least = post.head_mm
    if frame.post_insertion_most_mm is not None:
        least = max(least, post.length_mm - frame.post_insertion_most_mm)
    return least, most


def _seated(contact: Contact, frame: BareFrame, parts: Parts, post: SeatPost) -> RearEnd:
    """The saddle's nose as near to its place as this post and the rails let it come."""
    seat, saddle = np.radians(frame.seat_tube_deg), parts.saddle
    along = np.array([-np.cos(seat), np.sin(seat)])
    behind = np.array([-np.sin(seat), -np.cos(seat)])
    fore = np.array([np.cos(contact.tilt), np.sin(contact.tilt)])
    above = np.array([-np.sin(contact.tilt), np.cos(contact.tilt)])
    fixed = frame.seat_tube_mm * along + post.setback_mm * behind + saddle.height_mm * above
    least, most = post_range(frame, post)
    low, high = np.array([(least, most), saddle.nose_to_clamp_mm]).T
    slopes = np.stack([along, fore], axis=1)
    if most > least:
        exposed, clamp = lsq_linear(
            slopes, contact.nose - fixed, (low, high), method="bvls"
        ).x.tolist()
    else:
        exposed = most
        clamp = float(np.clip(fore @ (contact.nose - fixed - most * along), low[1], high[1]))
    left = fixed + exposed * along + clamp * fore - contact.nose
    at = []
    if np.hypot(*left) > REACHED_MM:
        if exposed > most - 1e-6:
            at.append("insertion_least")
        elif exposed < least + 1e-6:
            at.append("head" if least == post.head_mm else "insertion_most")
        if min(clamp - low[1], high[1] - clamp) < 1e-6:
            at.append("rails")
    return RearEnd(
        post, float(exposed), float(post.length_mm - exposed), float(clamp), left, tuple(at)
    )


def piles(spacers: Sequence[Spacers], most: int, most_mm: float) -> Iterator[tuple[float, ...]]:
    """Every pile of spacers within the limits: heights, the highest first."""
    for counts in product(*(range(each.count + 1) for each in spacers)):
        heights = [
            each.height_mm
            for each, count in zip(spacers, counts, strict=True)
            for _ in range(count)
        ]
        if len(heights) <= most and sum(heights) <= most_mm + 1e-9:
            yield tuple(sorted(heights, reverse=True))


def bar_place(
    frame: BareFrame, stem_mm: float, stem_deg: float, height_mm: float, pile_mm: float
) -> FloatArray:
    """Centre of the bar (2,) mm: up the steering axis, then out along the stem."""
    head = np.radians(frame.head_tube_deg)
    rise = np.pi / 2 - head + np.radians(stem_deg)
    up = frame.headset_mm + pile_mm + height_mm / 2
    base = np.array([frame.reach_mm, frame.stack_mm])
    steering = up * np.array([-np.cos(head), np.sin(head)])
    place: FloatArray = base + steering + stem_mm * np.array([np.cos(rise), np.sin(rise)])
    return place


def _fronts(contact: Contact, frame: BareFrame, parts: Parts) -> Iterator[FrontEnd]:
    wanted = _bar_centre(contact, parts)
    for pile in set(piles(parts.spacers, parts.spacers_most, frame.spacers_most_mm)):
        for stem in parts.stems:
            for over in (False, True) if stem.angle_deg else (False,):
                angle = -stem.angle_deg if over else stem.angle_deg
                at = bar_place(frame, stem.length_mm, angle, stem.height_mm, sum(pile))
                yield FrontEnd(stem, over, pile, at - wanted)


def _plainness(front: FrontEnd) -> tuple[float, float, int, bool, str, tuple[float, ...]]:
    """The nearer the better; among those that reach, the lower and the fewer spacers."""
    far = max(float(np.hypot(*front.left)), REACHED_MM)
    pile = front.spacers
    return far, sum(pile), len(pile), front.turned_over, front.stem.title, pile


def _bar_centre(contact: Contact, parts: Parts) -> FloatArray:
    centre: FloatArray = contact.bar - [0.0, parts.bar_mm / 2]
    return centre


def _ideal_stem(
    contact: Contact, frame: BareFrame, parts: Parts, front: FrontEnd
) -> tuple[float, float]:
    start = bar_place(frame, 0.0, 0.0, front.stem.height_mm, sum(front.spacers))
    way = _bar_centre(contact, parts) - start
    rise = np.degrees(np.arctan2(way[1], way[0])) - (90.0 - frame.head_tube_deg)
    return float(np.hypot(*way)), float(rise)
