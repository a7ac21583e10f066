"""How a rider gives way to a change: a few numbers, and what is believed of them beforehand.

What is published of it is one group's mean. A saddle moved by 4 % of its height (30 mm of 750)
straightened the knee at the bottom of the stroke by 7 degrees, opened the hip by 4 and pointed the
ankle by 8; at the top 4, 3 and 4 (Ferrer-Roca V et al. 2014, J Strength Cond Res 28(3):784-791).
From these follow, by the geometry of a leg bent by 35 degrees:

* 7 degrees of knee are 15 mm between hip and ankle (2.1 mm a degree with the foot held still);
* the shank turned by 7 - 4 and the foot by 8 - 3 = 5 degrees, which is 9 mm at a lever of 105 mm;
* so hip and pedal went apart by 24 mm of the 30, a share of 0.8, and the foot took 0.4 of those;
* at the top the foot turned by 4 - 1 = 3 degrees, 0.6 of the turn at the bottom.

How much riders differ is not published. The spreads are chosen so that 4 to 5 mm of saddle a degree
lies in the middle and a rider with a stiff ankle at the edge of the interval; they are assumptions,
and so is every number for arms, setback, cleats and the knee's way sideways. The elbow's share is
small because a nearly straight elbow turns by more than a degree for each millimetre it takes.
"""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np

from livefit.frames import FloatArray


@dataclass(frozen=True)
class Response:
    """How a rider gives way.

    Attributes
    ----------
    hip
        Share of a lengthening of the leg's way, at the crank angle where hip and spindle are
        farthest apart, that remains when the pelvis has given way: 1 = the hip goes with the
        saddle, 0 = it sinks by as much as the leg's way would have grown.
    slide
        Share of the saddle's way forward or back that the hips follow.
    ankle
        Of the change of the distance between hip and ankle that is left then, were the foot's
        inclination kept, the share that the foot takes by turning about the spindle: 0 = the foot
        keeps its inclination and the knee takes all, 1 = the knee keeps its angle there and the
        ankle takes all. To first order in the turn, with the rider's own foot as the lever.
    uneven
        Added to that share on the left, taken off on the right.
    elsewhere
        How far a lengthening by setback or cleats is answered by pelvis and foot as one by saddle
        height or crank is: 1 = alike, 0 = the knee takes it.
    ankle_top
        Turn of the foot at the opposite crank angle, over the turn there.
    ankle_forward
        What is added to the turn a quarter turn before it (and taken off a quarter turn behind),
        over the turn there.
    arm
        Of a change of the distance from shoulder to wrist, were trunk and hands moved with hips
        and bar alone, the share that the elbow takes: 0 = the elbow keeps its angle and the trunk
        leans, 1 = the trunk keeps its lean.
    swing
        rad of outward tilt of the leg's plane for each mm by which hip and ankle go apart.
    follow
        Share of a cleat's rotation that the foot follows; the rest is float.
    tilt
        rad of outward tilt of the leg's plane for each rad of a wedge, beside the ankle's own way.
    """

    hip: float = 0.8
    slide: float = 0.9
    ankle: float = 0.4
    uneven: float = 0.0
    elsewhere: float = 0.5
    ankle_top: float = 0.6
    ankle_forward: float = 0.0
    arm: float = 0.1
    swing: float = 0.0
    follow: float = 0.7
    tilt: float = 0.0

    def vector(self) -> FloatArray:
        """The numbers in their order."""
        return np.array([getattr(self, name) for name in NAMES])


NAMES = tuple(each.name for each in fields(Response))
SPREAD = Response(
    hip=0.15, slide=0.15, ankle=0.2, uneven=0.05, elsewhere=0.5, ankle_top=0.5, ankle_forward=0.4,
    arm=0.2, swing=0.0007, follow=0.3, tilt=0.3,
)  # fmt: skip
"""Standard deviations between riders."""


@dataclass(frozen=True)
class Belief:
    """A Gaussian belief about a rider's response.

    Attributes
    ----------
    mean
        (p,) the numbers of a `Response`, in its order.
    covariance
        (p, p).
    adjustments
        How many of the rider's own adjustments it was learned from.
    """

    mean: FloatArray
    covariance: FloatArray
    adjustments: int = 0

    @property
    def response(self) -> Response:
        """The most likely one."""
        return response_of(self.mean)


def response_of(vector: FloatArray) -> Response:
    """The response with these numbers (p,)."""
    return Response(*vector.tolist())


PUBLISHED = Belief(Response().vector(), np.diag(SPREAD.vector() ** 2))
"""Before anything is known of this rider."""
