"""The crank from the feet: spindle, axis, length and heading from the markers of the shoes.

Nobody puts a marker on the pedal spindle. It is the point fixed in the foot whose path, seen from
the side, is a circle. Its place in the foot (two numbers), the crank axis and the crank length
are solved for together; the heading of the bicycle is that in which the path has no sideways
motion along the direction of travel.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from livefit.frames import FloatArray, Up
from livefit.kernel.crank import BikeFrame, CrankGeometry, foot_direction, spindle_from_side
from livefit.kernel.crank_noise import pull_of_noise

SHORTEST_CRANK_MM, LONGEST_CRANK_MM = 60.0, 260.0
WORST_RESIDUAL_MM = 6.0
"""A foot whose spindle leaves its circle by more (RMS) is not on a pedal."""
SPINDLE_PRIOR_MM = 100.0
"""Standard deviation, about the fifth metatarsal head, of what is known of the spindle's place
before a frame is seen (common practice, no source: it lies under the forefoot). It only speaks
where the ankle hardly moves."""
_SMALLEST_TURN = 2.1 * np.pi
_ITERATIONS = 20
_CONVERGED_MM = 1e-4
_HEADING_ROUNDS = 3

_NO_CIRCLE = "the feet do not go round a circle yet: keep pedalling"

_UP_ROTATION: dict[str, tuple[tuple[float, ...], ...]] = {
    "+y": ((1, 0, 0), (0, 1, 0), (0, 0, 1)),
    "-y": ((1, 0, 0), (0, -1, 0), (0, 0, -1)),
    "+z": ((1, 0, 0), (0, 0, 1), (0, -1, 0)),
    "-z": ((1, 0, 0), (0, 0, -1), (0, 1, 0)),
    "+x": ((0, 1, 0), (1, 0, 0), (0, 0, -1)),
    "-x": ((0, 1, 0), (-1, 0, 0), (0, 0, 1)),
}


class CrankNotFoundError(ValueError):
    """The feet do not show a crank; the text says why, for the fitter."""


def level_rotation(up: Up) -> FloatArray:
    """Proper rotation (3, 3) from capture axes to axes whose second one points up."""
    return np.array(_UP_ROTATION[up], dtype=float)


def find_bike(feet: Mapping[str, FloatArray], up: Up, near: BikeFrame | None = None) -> BikeFrame:
    """Find heading, crank axis and both cranks from the feet over at least one revolution.

    Parameters
    ----------
    feet
        By side: (n, k, 3) mm in capture axes, k = CA, VM and, where there is one, a marker on
        the pedal spindle, which is then used instead of the foot's fitted point.
    up
        The capture axis that points up.
    near
        An earlier answer to start from; it only saves time.

    Raises
    ------
    CrankNotFoundError
        When there is no whole revolution, or the path is no circle.

    Notes
    -----
    Gauss-Newton on the geometric distance to the circle. The standard errors rest on the
    residuals' spread and on their autocorrelation (initial positive sequence, Geyer 1992,
    Statist. Sci. 7:473-483).
    """
    seen = {side: foot[np.isfinite(foot).all(axis=(1, 2))] for side, foot in feet.items()}
    seen = {side: foot for side, foot in seen.items() if len(foot) >= 12}
    if not seen:
        raise CrankNotFoundError("no foot is seen: heel (CA) and fifth metatarsal head (VM) needed")
    level = level_rotation(up)
    seen = {side: foot @ level.T for side, foot in seen.items()}
    turn = _first_heading(seen) if near is None else near.rotation @ level.T
    places = {s: np.array(c.spindle) for s, c in near.cranks.items()} if near else {}
    for _ in range(_HEADING_ROUNDS):
        for side in seen.keys() - places.keys():
            places[side] = _fit_circle(seen[side] @ turn.T).spindle
        turn = _heading_turn(_sideways_slope(seen, places, turn)) @ turn
        if near is not None:
            break
        places = {}
    turned = {side: foot @ turn.T for side, foot in seen.items()}
    fits = {side: _fit_circle(foot, places.get(side)) for side, foot in turned.items()}
    planes = {side: float(foot[:, -1, 2].mean()) for side, foot in turned.items()}
    _check(fits, turned)
    axle = np.mean([fit.centre for fit in fits.values()], axis=0)
    origin = np.array([axle[0], axle[1], np.mean(list(planes.values()))])
    rotation = turn @ level
    cranks = {
        side: CrankGeometry(
            length=fit.length,
            centre=(float(fit.centre[0] - axle[0]), float(fit.centre[1] - axle[1])),
            outward=planes[side] - float(origin[2]),
            spindle=(float(fit.spindle[0]), float(fit.spindle[1])),
            length_se=fit.length_se,
            spindle_se=fit.spindle_se,
            residual=fit.residual,
        )
        for side, fit in fits.items()
    }
    bike = BikeFrame(rotation=rotation, origin=rotation.T @ origin, cranks=cranks)
    return replace(bike, apart=_apart(bike, feet))


def _apart(bike: BikeFrame, feet: Mapping[str, FloatArray]) -> float:
    if len(bike.cranks) < 2:
        return 0.0
    arms = (bike.cranks[side].arm(bike.by_axis(feet[side])) for side in ("L", "R"))
    left, right = (np.arctan2(forward, up) for forward, up, _ in arms)
    lead = (left + np.pi - right)[np.isfinite(left) & np.isfinite(right)]
    return float(np.arctan2(np.sin(lead).mean(), np.cos(lead).mean())) if len(lead) else 0.0


@dataclass(frozen=True)
class _Circle:
    spindle: FloatArray
    centre: FloatArray
    length: float
    length_se: float
    spindle_se: tuple[float, float]
    residual: float


def _foot_length_squared(side_view: FloatArray) -> float:
    """Mean square of the distance from heel to toe seen from the side, mm2."""
    along = side_view[:, :, 1] - side_view[:, :, 0]
    return float((along**2).sum(axis=0).mean())


def circle_through(points: FloatArray) -> tuple[FloatArray, float]:
    """Algebraic circle (Kasa 1976, IEEE Trans. Instrum. Meas. 25:8-14) -> centre (2,), radius."""
    mean = points.mean(axis=0)
    d = points - mean
    design = np.column_stack([2 * d, np.ones(len(d))])
    solution = np.linalg.lstsq(design, (d**2).sum(axis=1), rcond=None)[0]
    return mean + solution[:2], float(np.sqrt(solution[2] + solution[:2] @ solution[:2]))


def _fit_circle(foot: FloatArray, place: FloatArray | None = None) -> _Circle:
    """Spindle place, axis and length together; foot (n, k, 3), first axis forward, second up.

    Gauss-Newton; what noise does to the answer on average is then taken out in one step. Noise
    turns the foot as well, and what it says of the spindle's place is false: its share of all that
    the foot's turning says, times the prior's width, is added to the standard error.
    """
    view = np.moveaxis(foot[..., :2], -1, 0)
    marked = foot.shape[1] > 2
    place = np.zeros(2) if place is None or marked else place
    centre, radius = circle_through(np.stack(spindle_from_side(view, place), axis=1))
    parameters = np.array([*place, *centre, radius])
    cosine, sine = foot_direction(view)
    free = slice(2, 5) if marked else slice(0, 5)
    spread = 1.0
    for _ in range(_ITERATIONS):
        forward, up = spindle_from_side(view, parameters[:2])
        forward, up = forward - parameters[2], up - parameters[3]
        distance = np.sqrt(forward**2 + up**2)
        forward, up = forward / distance, up / distance
        residual = distance - parameters[4]
        along, across = forward * cosine + up * sine, up * cosine - forward * sine
        jacobian = np.stack([along, across, -forward, -up, np.full(len(up), -1.0)])[free]
        prior = np.zeros(5)
        prior[:2] = (spread / SPINDLE_PRIOR_MM) ** 2
        gram = jacobian @ jacobian.T + np.diag(prior[free])
        right = jacobian @ residual + (prior * parameters)[free]
        try:
            step = np.linalg.solve(gram, right)
        except np.linalg.LinAlgError as singular:
            raise CrankNotFoundError(_NO_CIRCLE) from singular
        parameters[free] -= step
        spread = float(np.sqrt(residual @ residual / max(len(residual) - 5, 1)))
        if np.abs(step).max() < _CONVERGED_MM:
            break
    covariance = np.full(5, 0.0)
    inverse = np.diag(np.linalg.inv(gram))
    if not (inverse > 0).all():
        raise CrankNotFoundError(_NO_CIRCLE)
    covariance[free] = inverse * spread**2 * _inefficiency(residual)
    error = np.sqrt(covariance)
    place = parameters[:2]
    if marked:
        forward, up = view[:, :, 2] - view[:, :, 1]
        inside = np.column_stack([forward * cosine + up * sine, up * cosine - forward * sine])
        place = inside.mean(axis=0)
        error[:2] = inside.std(axis=0, ddof=1) / np.sqrt(len(inside))
    else:
        foot_squared = _foot_length_squared(view)
        pull = pull_of_noise(jacobian, place, distance, np.sqrt(foot_squared), spread)
        parameters += np.linalg.solve(gram, pull)
        noise = len(residual) * spread**2 / foot_squared
        error[:2] = np.hypot(error[:2], np.minimum(noise * inverse[:2], 1.0) * SPINDLE_PRIOR_MM)
    return _Circle(
        spindle=place,
        centre=parameters[2:4],
        length=float(parameters[4]),
        length_se=float(error[4]),
        spindle_se=(float(error[0]), float(error[1])),
        residual=spread,
    )


def _inefficiency(residual: FloatArray) -> float:
    """1 + 2 sum of autocorrelations up to the first that is not positive (at least 1)."""
    d = residual - residual.mean()
    power = np.fft.rfft(d, 2 * len(d))
    correlation = np.fft.irfft(np.abs(power) ** 2)[: len(d) // 2]
    if correlation[0] <= 0:
        return 1.0
    correlation = correlation / correlation[0]
    ends = np.flatnonzero(correlation <= 0)
    last = int(ends[0]) if len(ends) else len(correlation)
    return float(1 + 2 * correlation[1:last].sum())


def _heading_turn(angle: float) -> FloatArray:
    """Rotation (3, 3) about the upward axis that brings direction (cos, -sin) onto the first."""
    c, s = np.cos(angle), np.sin(angle)
    return np.array([[c, 0.0, s], [0.0, 1.0, 0.0], [-s, 0.0, c]])


def _first_heading(feet: Mapping[str, FloatArray]) -> FloatArray:
    """Forward from the main horizontal direction of the feet; its sense from heel to toe."""
    spread = np.zeros((2, 2))
    toes = np.zeros(2)
    for foot in feet.values():
        d = foot[:, 1, ::2] - foot[:, 1, ::2].mean(axis=0)
        spread += d.T @ d
        toes += (foot[:, 1, ::2] - foot[:, 0, ::2]).mean(axis=0)
    forward = np.linalg.eigh(spread)[1][:, -1]
    if forward @ toes < 0:
        forward = -forward
    return _heading_turn(float(np.arctan2(forward[1], forward[0])))


def _sideways_slope(
    feet: Mapping[str, FloatArray], places: Mapping[str, FloatArray], turn: FloatArray
) -> float:
    """Angle (rad) by which the spindles still move sideways as they move forward."""
    together, squared = 0.0, 0.0
    for side, foot in feet.items():
        turned = foot @ turn.T
        path, _ = spindle_from_side(np.moveaxis(turned[..., :2], -1, 0), places[side])
        x = path - path.mean()
        sideways = turned[:, -1, 2] - turned[:, -1, 2].mean()
        together += float(x @ sideways)
        squared += float(x @ x)
    return float(np.arctan2(together, squared))


def _check(fits: Mapping[str, _Circle], feet: Mapping[str, FloatArray]) -> None:
    for side, fit in fits.items():
        if not SHORTEST_CRANK_MM <= fit.length <= LONGEST_CRANK_MM:
            raise CrankNotFoundError(
                f"the {side} foot's path gives a crank of {fit.length:.0f} mm, expected "
                f"{SHORTEST_CRANK_MM:.0f} to {LONGEST_CRANK_MM:.0f}: check units and foot markers"
            )
        if fit.residual > WORST_RESIDUAL_MM:
            raise CrankNotFoundError(
                f"the {side} foot's path leaves a circle by {fit.residual:.0f} mm (RMS): "
                "check its heel and fifth metatarsal markers"
            )
        forward, up = spindle_from_side(np.moveaxis(feet[side][..., :2], -1, 0), fit.spindle)
        angle = np.unwrap(np.arctan2(forward - fit.centre[0], up - fit.centre[1]))
        if angle.max() - angle.min() < _SMALLEST_TURN:
            raise CrankNotFoundError("no whole turn of the cranks yet: keep pedalling")
