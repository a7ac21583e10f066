"""A bicycle's geometry from touched points: axes, dimensions with their uncertainty, findings."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np

from livefit.bicycle.axes import Axes, GeometryError, Level, find_axes, up_vector
from livefit.bicycle.dimensions import DIMENSIONS, Dimension
from livefit.bicycle.findings import Finding, find_mistakes
from livefit.bicycle.touching import Touch
from livefit.bicycle.twins import names_with_twins, with_twins
from livefit.definitions.bicycle import TouchPoint
from livefit.frames import FloatArray, Up

COVERING = 1.959964
"""Standard errors to either side that hold the truth 19 times in 20 (normal)."""

_STEP_MM = 0.05
"""Of the central differences: below it rounding counts, above it the curvature."""


class Tip(Protocol):
    """The pointer's tip, as far as dimensions depend on it."""

    @property
    def covariance(self) -> FloatArray:
        """(3, 3) mm2 in the pointer's axes."""


@dataclass(frozen=True)
class Measured:
    """A dimension as measured.

    Attributes
    ----------
    dimension
        Which, with its definition.
    value, se
        In the dimension's unit, and its standard error; NaN = points coincide.
    """

    dimension: Dimension
    value: float
    se: float

    @property
    def interval(self) -> tuple[float, float]:
        """The range that holds the truth 19 times in 20."""
        return self.value - COVERING * self.se, self.value + COVERING * self.se


@dataclass(frozen=True)
class Stance:
    """How the bicycle stood, and what of it was taken out.

    Attributes
    ----------
    level
        What counted as level.
    lean_deg
        To the rider's right, from the upright.
    nose_up_deg
        How far the axles' line, less its rise on flat ground, pointed up.
    heading_deg
        Forward from the capture volume's first level axis, counter-clockwise seen from above.
    """

    level: Level
    lean_deg: float
    nose_up_deg: float
    heading_deg: float

    @property
    def text(self) -> str:
        """The correction, said."""
        side = "right" if self.lean_deg >= 0 else "left"
        end = "nose-up" if self.nose_up_deg >= 0 else "nose-down"
        lean, nose = f"{abs(self.lean_deg):.1f}°", f"{abs(self.nose_up_deg):.1f}°"
        turned = f"{self.heading_deg:.0f}°"
        if self.level == "axles":
            return f"Taken out: lean {lean} to the {side}, {nose} {end}, turned {turned}."
        return f"Taken out: lean {lean} to the {side}, turned {turned}. Left in: {nose} {end}."


@dataclass(frozen=True)
class BicycleGeometry:
    """All that the touched points tell.

    Attributes
    ----------
    axes
        Where the bicycle stands.
    points
        (3,) mm in bike axes, by name; those that were touched, and their twins.
    measured
        By dimension; those whose points were not touched are missing.
    stance
        The correction.
    findings
        What looks like a mistake; empty = nothing.
    """

    axes: Axes
    points: Mapping[str, FloatArray]
    measured: Mapping[str, Measured]
    stance: Stance
    findings: tuple[Finding, ...]


def measure_bicycle(
    touches: Mapping[str, Touch],
    points: Sequence[TouchPoint],
    calibration: Tip,
    *,
    level: Level = "axles",
    up: Up = "+z",
    axle_rise_mm: float = 0.0,
) -> BicycleGeometry:
    """Turn touches into the bicycle's dimensions.

    The uncertainty of a dimension goes back, by central differences, to the spread of the still
    frames, to how well a hand finds the point, and to the pointer's tip, whose error all touches
    share.

    Parameters
    ----------
    touches
        By point; points left out cost the dimensions that need them.
    points
        What is known of the points.
    calibration
        Of the pointer they were touched with.
    level, up
        What counts as level, and the capture axis that points up.
    axle_rise_mm
        How much higher the front axle is than the rear one on flat ground.

    Raises
    ------
    GeometryError
        If the crank axis or an axle is missing, or the points leave the mid-plane open.
    """
    known = {point.name: point for point in points}
    spread = Spread.of(touches, points, level=level, up=up, axle_rise_mm=axle_rise_mm)
    variance = spread.own_variance() + spread.shared_variance(calibration.covariance)
    measured = {
        dimension.name: Measured(dimension, float(value), float(error))
        for dimension, value, error in zip(
            spread.able, spread.sizes, np.sqrt(variance), strict=True
        )
    }
    axes, inside = spread.axes, spread.inside
    stance = _stance(axes, inside, level, up, axle_rise_mm)
    touched = {name: place for name, place in inside.items() if name in touches}
    findings = find_mistakes(touched, known, even_pairs(touched, known))
    return BicycleGeometry(axes, inside, measured, stance, findings)


@dataclass(frozen=True)
class Spread:
    """Dimensions of touched points, and how each follows an error of each touch.

    Attributes
    ----------
    axes, inside
        Where the bicycle stands, and its points and their twins (3,) mm in these axes.
    able
        The d dimensions whose points were touched.
    sizes
        (d,) in the dimensions' units.
    names
        The k points, in the order of the next three.
    slopes
        (d, k, 3): change of a size with a point's place in capture axes.
    covariances, turns
        (k, 3, 3): of each touch, its placement by hand included; and the pointer's rotation.
    """

    axes: Axes
    inside: Mapping[str, FloatArray]
    able: tuple[Dimension, ...]
    sizes: FloatArray
    names: tuple[str, ...]
    slopes: FloatArray
    covariances: FloatArray
    turns: FloatArray

    @classmethod
    def of(
        cls,
        touches: Mapping[str, Touch],
        points: Sequence[TouchPoint],
        *,
        level: Level,
        up: Up,
        axle_rise_mm: float,
    ) -> Spread:
        """By central differences; arguments and errors as of :func:`measure_bicycle`."""
        known = {point.name: point for point in points}
        names = tuple(point.name for point in points if point.name in touches)
        if len(names) < len(touches):
            strange = ", ".join(sorted(set(touches) - set(names)))
            raise GeometryError(f"expected touches of {', '.join(known)}, found {strange} as well")
        complete = names_with_twins(names, known)
        there = {*complete, *_pairs(complete)}
        even = [*even_pairs(names, known), *_turned_pairs(names, known)]
        axles = [pair for pair in even if known[f"{pair}_left"].axle]
        able = tuple(d for d in DIMENSIONS if there.issuperset(d.needs))

        def values(positions: FloatArray) -> tuple[Axes, dict[str, FloatArray], FloatArray]:
            """Positions (..., k, 3) -> axes, points in them, dimensions (..., d)."""
            placed = {name: positions[..., k, :] for k, name in enumerate(names)}
            axes = find_axes(placed, even, axles, level=level, up=up, axle_rise_mm=axle_rise_mm)
            inside = {name: axes.to_bike(place) for name, place in placed.items()}
            inside = with_twins(inside, known)
            with np.errstate(invalid="ignore", divide="ignore"):
                # Points that coincide by mistake leave a dimension NaN; the findings name them.
                sizes = [d.formula(inside) * (1 if d.unit == "mm" else 180 / np.pi) for d in able]
            return axes, inside, np.stack(sizes, axis=-1)

        positions = np.stack([touches[name].point for name in names])
        steps = _STEP_MM * np.eye(positions.size).reshape(-1, *positions.shape)
        change = values(positions + steps)[2] - values(positions - steps)[2]
        slopes = (change / (2 * _STEP_MM)).T.reshape(len(able), len(names), 3)
        axes, inside, sizes = values(positions)
        return cls(
            axes, inside, able, sizes, names, slopes,
            np.stack([touch_covariance(touches[name], known[name]) for name in names]),
            np.stack([touches[name].turn for name in names]),
        )  # fmt: skip

    def own_variance(self) -> FloatArray:
        """(d,): from what each touch has for itself."""
        variance: FloatArray = np.einsum(
            "dki,kij,dkj->d", self.slopes, self.covariances, self.slopes, optimize=True
        )
        return variance

    def by_tip(self) -> FloatArray:
        """(d, 3): change of a size with the tip's place in the pointer, which all touches share."""
        slopes: FloatArray = np.einsum("dki,kij->dj", self.slopes, self.turns)
        return slopes

    def shared_variance(self, tip: FloatArray) -> FloatArray:
        """(d,): from the tip, whose covariance (3, 3) mm2 is given."""
        slopes = self.by_tip()
        variance: FloatArray = np.einsum("di,ij,dj->d", slopes, tip, slopes)
        return variance


def _pairs(names: Collection[str]) -> list[str]:
    """Pairs of which both sides were touched."""
    lefts = [name.removesuffix("_left") for name in names if name.endswith("_left")]
    return [pair for pair in lefts if f"{pair}_right" in names]


def even_pairs(names: Collection[str], known: Mapping[str, TouchPoint]) -> list[str]:
    """Touched pairs that lie evenly about the mid-plane, whichever way the bar is turned."""
    return [pair for pair in _pairs(names) if known[f"{pair}_left"].twin == "mid_plane"]


def _turned_pairs(names: Collection[str], known: Mapping[str, TouchPoint]) -> list[str]:
    """Touched pairs half a turn apart: their middle lies in the mid-plane as well."""
    return [pair for pair in _pairs(names) if known[f"{pair}_left"].twin == "half_turn"]


def touch_covariance(touch: Touch, point: TouchPoint) -> FloatArray:
    """Of a touched point (3, 3) mm2: of its mean, and of how well a hand finds the place."""
    return np.asarray(touch.covariance + point.placement_mm**2 * np.eye(3))


def _stance(
    axes: Axes, inside: Mapping[str, FloatArray], level: Level, up: Up, axle_rise_mm: float
) -> Stance:
    upward = up_vector(up)
    line = sum(inside[f"front_axle_{s}"] - inside[f"rear_axle_{s}"] for s in ("left", "right")) / 2
    line = np.asarray(line)
    line[2] = 0.0
    above = axes.rotation.T @ line @ upward / np.linalg.norm(line)
    first = "xyz".index(up[1])
    level_axes = np.roll(np.eye(3), -first - 1, axis=0)[:2]
    if up[0] == "-":
        level_axes = level_axes * np.array([[1.0], [-1.0]])
    forward = level_axes @ axes.rotation[0]
    return Stance(
        level,
        lean_deg=float(np.degrees(np.arcsin(-axes.rotation[2] @ upward))),
        nose_up_deg=float(
            np.degrees(np.arcsin(above) - np.arcsin(axle_rise_mm / np.linalg.norm(line)))
        ),
        heading_deg=float(np.degrees(np.arctan2(forward[1], forward[0]))),
    )
