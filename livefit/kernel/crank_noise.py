"""What the markers' noise does to the fit of a crank, so that it can be taken out again.

The spindle's place in the foot follows from how the foot turns. Noise turns the foot too, and in
step with the spindle's distance from the axis: left alone, least squares reads noise of 2 mm as
1 mm of spindle and 0.09 degrees of crank angle at 90 degrees, and as ten times as much spindle
where the ankle moves by a third.
"""

from __future__ import annotations

import numpy as np

from livefit.frames import FloatArray


def pull_of_noise(
    jacobian: FloatArray, place: FloatArray, distance: FloatArray, foot: float, spread: float
) -> FloatArray:
    """What noise alone adds to ``jacobian @ residual``, on average (5,).

    Parameters
    ----------
    jacobian
        (5, n): derivatives of the spindle's distance from the axis by the spindle's place along
        the foot and square to it, by the axis forward and up, and by the crank length.
    place
        (a, b) mm: the spindle in the foot.
    distance
        (n,) mm: the spindle from the axis.
    foot
        mm from heel to toe marker; infinite for a marker on the spindle itself.
    spread
        RMS of the residuals, mm.

    Notes
    -----
    Expectations to the second order in equal, independent noise of both markers' coordinates;
    its size follows from the spread of the residuals. Errors in variables: Fuller WA (1987)
    Measurement Error Models, ch. 3 (from memory).
    """
    along, across, back, down, _ = jacobian
    radial = (place[0] * across - place[1] * along) / foot
    tangential = (place[0] * along + place[1] * across) / foot
    variance = spread**2 / np.mean(1 + 2 * across * radial + 2 * radial**2)
    arm_turns = (along * radial + across * tangential + 2 * radial * tangential) / distance
    foot_turns = (across + 2 * radial) / foot
    lengthens = (1 + 2 * along * tangential + 2 * tangential**2) / (2 * distance)
    lengthens -= tangential / foot
    turns = foot_turns - arm_turns
    change = np.stack(
        [across * turns, -along * turns, -down * arm_turns, back * arm_turns, np.zeros(len(back))]
    )
    pull: FloatArray = variance * (change + jacobian * lengthens).sum(axis=1)
    return pull
