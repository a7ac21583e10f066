"""What a simulated ride is made of: the body, the bicycle, the rider's style, the sensor."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from livefit.frames import Sampling, Up

_THIGH, _SHANK = 0.245, 0.246
_TRUNK, _UPPER_ARM, _FOREARM = 0.288, 0.186, 0.146
_SHOULDER_BREADTH, _HIP_BREADTH = 0.259, 0.191
"""Segment lengths over stature: Drillis R, Contini R (1966) Body Segment Parameters, Tech. Rep.
1166.03, New York University."""

_REFERENCE_STATURE_MM = 1780.0
"""Stature for which the landmark offsets below are given; others scale with it."""


@dataclass(frozen=True)
class Body:
    """A rider's body, all of it from the stature.

    Attributes
    ----------
    stature_mm
        Height of the standing rider.
    left_shank_shorter_mm
        By how much the left shank is shorter than the right one.
    """

    stature_mm: float = _REFERENCE_STATURE_MM
    left_shank_shorter_mm: float = 0.0

    def __post_init__(self) -> None:
        if not 1200 <= self.stature_mm <= 2300:
            raise ValueError(f"stature must be 1200 to 2300 mm, got {self.stature_mm}")

    @property
    def scale(self) -> float:
        """Size of this body over the one whose landmark offsets are given."""
        return self.stature_mm / _REFERENCE_STATURE_MM

    @property
    def thigh_mm(self) -> float:
        """Hip centre to knee centre."""
        return _THIGH * self.stature_mm

    @property
    def shank_mm(self) -> tuple[float, float]:
        """Knee centre to ankle centre, left and right."""
        shank = _SHANK * self.stature_mm
        return shank - self.left_shank_shorter_mm, shank

    @property
    def trunk_mm(self) -> float:
        """Middle of the hips to middle of the shoulders."""
        return _TRUNK * self.stature_mm

    @property
    def upper_arm_mm(self) -> float:
        """Shoulder centre to elbow centre."""
        return _UPPER_ARM * self.stature_mm

    @property
    def forearm_mm(self) -> float:
        """Elbow centre to wrist centre."""
        return _FOREARM * self.stature_mm

    @property
    def shoulder_half_mm(self) -> float:
        """Mid-plane to shoulder centre."""
        return _SHOULDER_BREADTH / 2 * self.stature_mm

    @property
    def trochanter_half_mm(self) -> float:
        """Mid-plane to the outside of the hip, where the GT marker sits."""
        return _HIP_BREADTH / 2 * self.stature_mm

    @property
    def hip_half_mm(self) -> float:
        """Mid-plane to hip centre: half the pelvis less the way in to the joint."""
        return 86.0 * self.scale

    @property
    def preferred_saddle_mm(self) -> float:
        """Lowest pedal spindle to saddle top, along the seat tube, that the rider is used to.

        1.062 of an inseam of 0.47 of the stature (from memory): 1.06 to 1.09 is advised (Hamley
        and Thomas 1967, J Physiol 191:55P-57P), and this chain then bends the knee about 36 deg
        at the bottom of the stroke.
        """
        return 1.062 * 0.47 * self.stature_mm


@dataclass(frozen=True)
class Bicycle:
    """The bicycle's measures, from the crank axis.

    Attributes
    ----------
    saddle_height_mm
        Crank axis to saddle top along the seat tube.
    seat_tube_deg
        Seat tube from the horizontal.
    setback_mm
        How far the rider sits behind the line of the seat tube.
    crank_mm
        Crank axis to pedal spindle.
    q_factor_mm
        Between the outer faces of the cranks, where the pedals screw in.
    pedal_width_mm
        Crank face to the middle of the shoe.
    bar_reach_mm, bar_height_mm
        The wrists ahead of the crank axis, and above it.
    bar_width_mm
        Between the wrists.
    cleat_forward_mm
        Cleats from where the landmarks' places in the sole are given for: as they go forward on
        the shoe, the foot goes back on the pedal.
    """

    saddle_height_mm: float = 716.0
    seat_tube_deg: float = 73.0
    setback_mm: float = -20.0
    crank_mm: float = 172.5
    q_factor_mm: float = 148.0
    pedal_width_mm: float = 53.0
    bar_reach_mm: float = 480.0
    bar_height_mm: float = 650.0
    bar_width_mm: float = 420.0
    cleat_forward_mm: float = 0.0

    @classmethod
    def fitted(cls, body: Body, crank_mm: float = 172.5) -> Bicycle:
        """The default bicycle with saddle and bar set for the body."""
        size = cls()
        return cls(
            crank_mm=crank_mm,
            saddle_height_mm=body.preferred_saddle_mm - crank_mm,
            setback_mm=size.setback_mm * body.scale,
            bar_reach_mm=size.bar_reach_mm * body.scale,
            bar_height_mm=size.bar_height_mm * body.scale,
        )


@dataclass(frozen=True)
class Variation:
    """Standard deviations of what differs from stroke to stroke, independent on each side.

    Foot pitch of 1 deg is about 0.7 deg of knee flexion at the bottom of the stroke.
    """

    pitch_deg: float = 1.6
    swing_deg: float = 0.5
    elbow_deg: float = 1.0
    pelvis_mm: float = 1.5
    pelvis_deg: float = 0.3


STILL = Variation(0.0, 0.0, 0.0, 0.0, 0.0)
"""Every stroke like the one before."""


@dataclass(frozen=True)
class Style:
    """How the rider pedals. Crank angles are those of the side's own crank.

    Attributes
    ----------
    cadence_rpm
        Before the ride changes it; 0 stands still.
    start_deg
        The right crank's angle when the ride begins.
    speed_variation
        Half the swing of the crank's speed within the stroke, over its mean; fastest at 90 deg.
    cadence_wander
        Standard deviation of the slow change of cadence, over its mean.
    pitch_mean_deg, pitch_amplitude_deg, pitch_peak_deg
        Toe-down pitch of the sole on the preferred saddle: mean, first harmonic, and the crank
        angle at which the toe points lowest.
    pitch_second_deg
        Amplitude of the pitch's second harmonic, largest at top and bottom.
    pitch_per_saddle_deg_per_mm, sink_per_saddle
        What the rider gives way for each mm of saddle above the preferred height: toe-down
        pitch, and share of it by which the pelvis sinks on the saddle. The values share a
        change between knee and ankle as published riders do: 4 % of the saddle height are 7 deg
        of knee and 8 deg of ankle (Ferrer-Roca et al. 2014, J Strength Cond Res 28:784-791).
    settle_strokes
        Strokes that the rider takes to follow a change of saddle height.
    drift_deg_per_100_strokes
        Slow change of the pitch as the ride goes on.
    toe_out_deg
        Shoe turned outward on the pedal.
    swing_mean_deg, swing_amplitude_deg, swing_peak_deg
        Outward tilt of the leg's plane about the line from hip to ankle.
    roll_deg
        Amplitude of the pelvis's roll toward the side that pushes.
    rotation_deg
        Amplitude of the pelvis's turn about the vertical, the pushing side forward.
    bob_mm
        Amplitude of the pelvis's rise and fall, twice a revolution.
    elbow_deg
        Elbow flexion; with the bar it decides how far the trunk leans.
    left_pitch_deg, left_swing_deg
        Added on the left side only.
    variation
        Differences from stroke to stroke.
    """

    cadence_rpm: float = 90.0
    start_deg: float = 0.0
    speed_variation: float = 0.05
    cadence_wander: float = 0.01
    pitch_mean_deg: float = 15.0
    pitch_amplitude_deg: float = 16.0
    pitch_peak_deg: float = 282.0
    pitch_second_deg: float = 0.5
    pitch_per_saddle_deg_per_mm: float = 0.12
    sink_per_saddle: float = 0.3
    settle_strokes: float = 3.0
    drift_deg_per_100_strokes: float = 0.0
    toe_out_deg: float = 5.0
    swing_mean_deg: float = 0.5
    swing_amplitude_deg: float = 0.8
    swing_peak_deg: float = 30.0
    roll_deg: float = 1.5
    rotation_deg: float = 2.0
    bob_mm: float = 2.0
    elbow_deg: float = 19.0
    left_pitch_deg: float = 0.0
    left_swing_deg: float = 0.0
    variation: Variation = field(default_factory=Variation)

    def __post_init__(self) -> None:
        if not 0 <= self.speed_variation < 0.5:
            raise ValueError(f"speed_variation must be 0 to 0.5, got {self.speed_variation}")
        if not 0 <= self.cadence_wander <= 0.1:
            raise ValueError(f"cadence_wander must be 0 to 0.1, got {self.cadence_wander}")
        if not self.settle_strokes > 0:
            raise ValueError(f"settle_strokes must be above 0, got {self.settle_strokes}")


PLANAR = Style(
    toe_out_deg=0.0, swing_mean_deg=0.0, swing_amplitude_deg=0.0, roll_deg=0.0, rotation_deg=0.0,
    bob_mm=0.0, variation=STILL,
)  # fmt: skip
"""A leg that moves in one plane, every stroke like the one before."""


@dataclass(frozen=True)
class Sensor:
    """What a capture system makes of the true positions.

    Attributes
    ----------
    rate_hz
        Frames per second.
    noise_mm
        Standard deviation of white noise on every coordinate.
    soft_tissue_mm
        Amplitude with which skin slides over bone at the hip, in step with the crank; less
        elsewhere, nothing on the shoes.
    placement_mm, placement_seed
        Standard deviation with which the markers are put on, along each of three axes of the
        segment that carries them; and which placement it is: each seed is another one.
    dropout, burst_frames
        Share of a marker's frames in which it is not seen, and the mean length of such a gap.
    blank
        Share of frames in which no marker is seen, in gaps of the same mean length.
    lost
        Share of frames that never arrive.
    jitter_s
        Standard deviation of the time stamps about the even beat.
    sampling
        ``periodic``: the beat is even and only the stamps jitter. ``stamped``: frames are taken
        at the jittered instants.
    heading_deg
        Where the bicycle points in the capture volume, counter-clockwise seen from above.
    up
        The capture axis that points up.
    offset_mm
        The crank axis in the capture volume.
    side
        Which side's markers the rider carries.
    extra
        Further markers: HF, FM and PED on each side, and BIKE for five on the bicycle.
    crank_sensor
        Whether the right crank's angle travels with the frames.
    battery_s
        How long its battery lasts from the beginning; None: it says nothing of it.
    """

    rate_hz: float = 200.0
    noise_mm: float = 0.5
    soft_tissue_mm: float = 0.0
    placement_mm: float = 0.0
    placement_seed: int = 0
    dropout: float = 0.0
    burst_frames: int = 5
    blank: float = 0.0
    lost: float = 0.0
    jitter_s: float = 0.0
    sampling: Sampling = "periodic"
    heading_deg: float = 0.0
    up: Up = "+z"
    offset_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    side: Literal["both", "left", "right"] = "both"
    extra: tuple[str, ...] = ()
    crank_sensor: bool = False
    battery_s: float | None = None

    def __post_init__(self) -> None:
        for name in ("dropout", "blank", "lost"):
            share = getattr(self, name)
            if not 0 <= share < 1:
                raise ValueError(f"{name} is a share from 0 to below 1, got {share}")
        for name in ("noise_mm", "soft_tissue_mm", "placement_mm", "jitter_s"):
            size = getattr(self, name)
            if not (np.isfinite(size) and size >= 0):
                raise ValueError(f"{name} must be a number from 0 up, got {size}")
        if not self.rate_hz > 0:
            raise ValueError(f"rate_hz must be above 0, got {self.rate_hz}")
        if self.burst_frames < 1:
            raise ValueError(f"burst_frames must be at least 1, got {self.burst_frames}")
        unknown = sorted(set(self.extra) - {"HF", "FM", "PED", "BIKE"})
        if unknown:
            raise ValueError(f"extra markers are HF, FM, PED and BIKE, got {', '.join(unknown)}")
