"""The simulated rider: true positions as a pure function of time."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property

import numpy as np

from livefit.frames import FloatArray
from simulators.chain import Joints, OutOfReachError, Pose, close_chain
from simulators.chance import stroke_variation
from simulators.markers import landmarks
from simulators.pedalling import Pedalling
from simulators.schedule import Change, Quantity, Ride, Schedule
from simulators.settings import Bicycle, Body, Style

_VARIATION_STREAM = 2
_CHANCES = 9
_SPARE_REACH_MM = 8.0
"""Left in the legs on the longest way of an even stroke, so that uneven strokes reach too."""
_CHECKED_ANGLES = 72
_ROLL_LAG = np.radians(90.0)
_TURN_LAG = np.radians(120.0)


@dataclass(frozen=True)
class RiderSimulation:
    """A body on a bicycle, pedalling in a style through a ride.

    Every quantity is a function of time alone, so that any times in any order and any number at
    once give the same positions.

    Attributes
    ----------
    seed
        Of the differences from stroke to stroke.
    """

    body: Body = field(default_factory=Body)
    bicycle: Bicycle = field(default_factory=Bicycle)
    style: Style = field(default_factory=Style)
    ride: Ride = field(default_factory=Ride)
    seed: int = 1

    def __post_init__(self) -> None:
        self._check_reach()

    @cached_property
    def pedalling(self) -> Pedalling:
        """The crank's motion."""
        return Pedalling(
            cadence_rpm=Schedule(self.style.cadence_rpm, self.ride.cadence_rpm),
            start=float(np.radians(self.style.start_deg)),
            speed_variation=self.style.speed_variation,
            wander=self.style.cadence_wander,
            seed=self.seed,
        )

    @cached_property
    def saddle(self) -> tuple[Schedule, Schedule]:
        """Saddle height and setback over time, mm."""
        return (
            Schedule(self.bicycle.saddle_height_mm, self.ride.saddle_height_mm),
            Schedule(self.bicycle.setback_mm, self.ride.setback_mm),
        )

    @cached_property
    def heading(self) -> Schedule:
        """The bicycle's turn in the capture volume over time, deg."""
        return Schedule(0.0, self.ride.heading_deg)

    def changed(self, quantity: Quantity, change: Change) -> RiderSimulation:
        """The same ride with one more change; what comes before the change stays as it was."""
        return replace(self, ride=self.ride.with_change(quantity, change))

    def positions(self, t: FloatArray) -> FloatArray:
        """True marker positions (n, m, 3) mm in bike axes at t (n,) s, by `markers.LABELS`."""
        return landmarks(self.body, self.bicycle, self.toe_out, self.joints(t))

    def joints(self, t: FloatArray) -> Joints:
        """The whole chain at t (n,) s."""
        t = np.asarray(t, dtype=float)
        return close_chain(self.body, self.bicycle, self.toe_out, self._pose(t))

    @property
    def toe_out(self) -> float:
        """Shoe turned outward on the pedal, rad."""
        return float(np.radians(self.style.toe_out_deg))

    def _pose(self, t: FloatArray) -> Pose:
        phase = self.pedalling.phase(t)
        height, setback = self.saddle
        return self._stance(
            phase,
            np.stack([height.at(t), setback.at(t)], axis=1),
            self._learned_saddle(t),
            stroke_variation(self.seed, _VARIATION_STREAM, phase / (2 * np.pi), _CHANCES),
        )

    def _stance(
        self, phase: FloatArray, saddle: FloatArray, learned: FloatArray, chance: FloatArray
    ) -> Pose:
        """Pose at right crank angles (n,), on saddles (n, 2), with chance (n, 9).

        `learned` (n,) mm is the height above the preferred one that the rider gives way for.
        """
        style, varied = self.style, self.style.variation
        crank = phase[:, None] + np.array([np.pi, 0.0])
        left = np.array([1.0, 0.0])
        pitch = (
            style.pitch_mean_deg
            + style.pitch_amplitude_deg * np.cos(crank - np.radians(style.pitch_peak_deg))
            + style.pitch_second_deg * np.cos(2 * crank)
            + style.pitch_per_saddle_deg_per_mm * learned[:, None]
            + style.drift_deg_per_100_strokes * phase[:, None] / (200 * np.pi)
            + style.left_pitch_deg * left
            + varied.pitch_deg * chance[:, :2]
        )
        swing = (
            style.swing_mean_deg
            + style.swing_amplitude_deg * np.cos(crank - np.radians(style.swing_peak_deg))
            + style.left_swing_deg * left
            + varied.swing_deg * chance[:, 2:4]
        )
        shift = np.zeros((len(phase), 3))
        shift[:, :2] = varied.pelvis_mm * chance[:, 4:6]
        shift[:, 1] += style.bob_mm * np.cos(2 * phase) - style.sink_per_saddle * learned
        roll = style.roll_deg * np.cos(phase - _ROLL_LAG) + varied.pelvis_deg * chance[:, 7]
        turn = style.rotation_deg * np.cos(phase - _TURN_LAG) + varied.pelvis_deg * chance[:, 8]
        return Pose(
            crank=crank,
            pitch=np.radians(pitch),
            swing=np.radians(swing),
            saddle=saddle,
            pelvis=shift,
            roll=np.radians(roll),
            rotation=np.radians(turn),
            elbow=np.radians(style.elbow_deg + varied.elbow_deg * chance[:, 6]),
        )

    @property
    def _preferred(self) -> float:
        """Saddle height from the crank axis that the rider is used to, mm."""
        return self.body.preferred_saddle_mm - self.bicycle.crank_mm

    def _learned_saddle(self, t: FloatArray) -> FloatArray:
        """Height (n,) mm above the preferred one that the rider has got used to by t."""
        strokes, height = self.pedalling.turned(t) / (2 * np.pi), self.saddle[0]
        learned = np.full(len(t), height.start - self._preferred)
        for change, by in height.steps():
            before = self.pedalling.turned(np.array([change.at_s])) / (2 * np.pi)
            since = np.maximum(strokes - before, 0.0) / self.style.settle_strokes
            learned += by * (1.0 - (1.0 + since) * np.exp(-since))
        return learned

    def _check_reach(self) -> None:
        """Refuse a saddle that an even stroke does not reach, also before the rider gives way."""
        ends = [change.at_s + change.over_s for s in self.saddle for change in s.changes]
        moments = np.array([0.0, *sorted(ends)])
        saddle = np.stack([schedule.at(moments) for schedule in self.saddle], axis=1)
        now = saddle[:, 0] - self._preferred
        before = np.concatenate([now[:1], now[:-1]])
        phase = np.linspace(0.0, 2 * np.pi, _CHECKED_ANGLES, endpoint=False)
        pose = self._stance(
            np.tile(phase, 2 * len(moments)),
            np.repeat(np.concatenate([saddle, saddle]), len(phase), axis=0),
            np.repeat(np.concatenate([now, before]), len(phase)),
            np.zeros((2 * len(moments) * len(phase), _CHANCES)),
        )
        leg = close_chain(self.body, self.bicycle, self.toe_out, pose).leg
        length = np.sqrt(((leg.ankle - leg.hip) ** 2).sum(axis=-1)).max(axis=0)
        spare = self.body.thigh_mm + np.array(self.body.shank_mm) - length
        if spare.min() < _SPARE_REACH_MM:
            raise OutOfReachError(
                f"the saddle at {saddle[:, 0].max():.0f} mm leaves {spare.min():.0f} mm of the "
                f"leg's length at the bottom of the stroke, expected {_SPARE_REACH_MM:.0f} mm or "
                f"more: choose a lower saddle, a smaller step, or a taller rider than "
                f"{self.body.stature_mm:.0f} mm"
            )
