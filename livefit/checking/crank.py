"""What the feet say of the crank: whether there is one, how long, and where it is in each frame."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from livefit.checking.findings import Z95, Sheet, level_of, times
from livefit.checking.heard import Series, robust_sd
from livefit.checking.labels import Markers
from livefit.definitions.models import Event, Measure
from livefit.frames import FloatArray, MarkerBlock, StreamInfo
from livefit.kernel.crank import BikeFrame
from livefit.kernel.events import EventValues
from livefit.kernel.follower import foot_columns, foot_places
from livefit.kernel.kernel import CRANK_CHANNEL, Kernel
from livefit.kernel.phase import TURN, Unwrapper, feet_phase, wrapped

FEWEST_STROKES = 8
"""Below it neither a stroke's spread nor where markers hide can be judged: the spread of eight is
known to 27 %."""
STILL_MM = 60.0
"""Range of a foot marker that does not go round: the shortest crank makes twice as much."""

ROUND_WARNING_MM = 3.0
"""RMS distance of the pedal spindle from its circle. 3 mm on a crank of 170 mm are 1 deg of crank,
0.7 deg of knee flexion where it changes fastest; from 6 mm on a foot is not on a pedal."""

SHORT_MM, LONG_MM = 140.0, 195.0
SHORTEST_MM, LONGEST_MM = 100.0, 225.0
"""Cranks for adults are 145 to 190 mm long; what lies outside the second pair no shop sells. A
length 10 % off means that every length is, and that a saddle moved by 10 mm is read as 11 mm."""
UNLIKE_WARNING_MM, UNLIKE_FAULT_MM = 2.5, 8.0
"""Left and right cranks are alike to 0.5 mm. 2.5 mm between them mean that one side is seen 1.5 %
larger, or tilted by 10 deg: its knee is off by half a degree."""
_SURE = 4.0

SENSOR_WARNING_DEG = 5.0
"""Scatter of a crank sensor about the feet's angle. It takes their place, and 5 deg of crank are
3.5 deg of knee flexion where it changes fastest."""
_PIECE = 4000


@dataclass(frozen=True)
class Riding:
    """The crank as the feet show it.

    Attributes
    ----------
    bike
        The last that was found.
    phases
        By side: (n,) rad, unwrapped, 0 at top dead centre; frames without feet are filled in.
    strokes
        Whole turns.
    rpm
        Cadence over all of them.
    values
        What the kernel made final of the wanted measures.
    """

    bike: BikeFrame
    phases: Mapping[str, FloatArray]
    strokes: float
    rpm: float
    values: Sequence[EventValues]


def judge_crank(
    series: Series,
    markers: Markers,
    rate_hz: float,
    t: FloatArray,
    measures: Sequence[Measure],
    events: Sequence[Event],
    sheet: Sheet,
) -> Riding | None:
    """Run the kernel over the frames and judge what it finds; None if it finds no crank.

    rate_hz: the true one; t (n,) s: device time without its scatter, since the first frame.
    """
    info = StreamInfo(
        labels=series.info.labels,
        rate_hz=rate_hz,
        up=markers.up,
        sampling=series.info.sampling,
    )
    kernel = Kernel(info, markers.names, measures, events)
    stamps = series.t if series.info.sampling == "stamped" else t
    bike, values = None, []
    for start in range(0, len(series), _PIECE):
        rows = slice(start, start + _PIECE)
        block = MarkerBlock(series.numbers[rows], stamps[rows], markers.positions[rows])
        values += kernel.push(block)
        bike = kernel.bike or bike
    moved = kernel.refused["the bicycle moved"]
    if bike is None:
        _no_crank(markers, kernel.problem or "no reason is known", sheet)
        return None
    riding = _riding(bike, markers, t, values)
    _pedalling(riding, sheet)
    _paths(bike, moved, sheet)
    _lengths(bike, sheet)
    _sensor(series, riding, sheet)
    return riding


def _no_crank(markers: Markers, problem: str, sheet: Sheet) -> None:
    sheet.look("pedalling", "no crank found", "no_pedalling", "foot_path")
    ranges = [
        float(np.ptp(np.nanquantile(markers.of(name), [0.05, 0.95], axis=0), axis=0).max())
        for name in ("L_VM", "R_VM", "L_CA", "R_CA")
        if name in markers.columns and np.isfinite(markers.of(name)[:, 0]).any()
    ]
    if not ranges or max(ranges) >= STILL_MM:
        sheet.find(
            "foot_path",
            "fault",
            "The feet should go round a circle; none was found in them: "
            f"{problem}. Without the crank there is no angle at a crank position.",
            "Heel (CA) and fifth metatarsal head (VM) must sit on the shoe and be seen round the "
            "whole stroke; check labels, axes and calibration.",
            range_mm=max(ranges, default=0.0),
        )
        return
    sheet.find(
        "no_pedalling",
        "fault",
        f"Pedalling was expected; the feet move by no more than {max(ranges):.0f} mm.",
        "Let the rider pedal steadily while the stream is checked.",
        range_mm=max(ranges),
    )


def _riding(
    bike: BikeFrame, markers: Markers, t: FloatArray, values: Sequence[EventValues]
) -> Riding:
    feet = _feet(markers)
    positions = markers.positions[:, [k for foot in feet.values() for k in foot]]
    arms = bike.arms(bike.by_axis(positions), foot_places(feet))
    right = Unwrapper().extend(feet_phase(bike, arms))
    known = np.flatnonzero(np.isfinite(right))
    inside = slice(int(known[0]), int(known[-1]) + 1)
    filled = np.full(len(t), np.nan)
    filled[inside] = np.interp(t[inside], t[known], right[known])
    span = float(t[known[-1]] - t[known[0]])
    strokes = float(right[known[-1]] - right[known[0]]) / TURN
    return Riding(
        bike=bike,
        phases={"R": filled, "L": filled - np.pi},
        strokes=strokes,
        rpm=60.0 * strokes / span if span > 0 else float("nan"),
        values=values,
    )


def _feet(markers: Markers) -> dict[str, list[int]]:
    names = list(markers.columns)
    return {
        side: [markers.columns[names[k]] for k in columns]
        for side, columns in foot_columns(names).items()
    }


def _pedalling(riding: Riding, sheet: Sheet) -> None:
    sheet.look("pedalling", f"{riding.strokes:.0f} strokes at {riding.rpm:.1f} rpm", "no_pedalling")
    if riding.strokes < FEWEST_STROKES:
        sheet.find(
            "no_pedalling",
            "warning",
            f"At least {FEWEST_STROKES} strokes are needed to judge by; there were "
            f"{max(riding.strokes, 0):.0f}.",
            "Let the rider pedal steadily for the whole check, or listen longer.",
            strokes=riding.strokes,
        )


def _paths(bike: BikeFrame, moved: int, sheet: Sheet) -> None:
    off = {side: crank.residual for side, crank in bike.cranks.items()}
    told = ", ".join(f"{side} {mm:.2f} mm" for side, mm in sorted(off.items()))
    sheet.look("foot paths, off the circle", told, "foot_path")
    for side, mm in sorted(off.items()):
        if mm > ROUND_WARNING_MM:
            sheet.find(
                "foot_path",
                "warning",
                f"The pedal spindle of side {side} should stay within {ROUND_WARNING_MM:g} mm of "
                f"its circle; it is {mm:.1f} mm off (RMS).",
                "Fix heel and forefoot markers on the shoe's sole; check noise and calibration.",
                subject=side,
                residual_mm=mm,
            )
    if moved:
        sheet.find(
            "foot_path",
            "warning",
            f"The feet left their circle for another one {times(moved)}: the bicycle, the camera "
            "or a foot marker moved.",
            "Fix bicycle and cameras; look for labels or markers of the feet that change.",
            times=moved,
        )


def _lengths(bike: BikeFrame, sheet: Sheet) -> None:
    cranks = bike.cranks
    told = ", ".join(
        f"{s} {c.length:.1f} ± {Z95 * c.length_se:.2f} mm" for s, c in sorted(cranks.items())
    )
    sheet.look("crank length", told, "crank_length")
    for side, crank in sorted(cranks.items()):
        if SHORT_MM <= crank.length <= LONG_MM:
            continue
        usual = SHORTEST_MM <= crank.length <= LONGEST_MM
        sheet.find(
            "crank_length",
            "warning" if usual else "fault",
            f"The crank of side {side} should be {SHORT_MM:g} to {LONG_MM:g} mm long; it is found "
            f"{crank.length:.1f} ± {Z95 * crank.length_se:.2f} mm long.",
            "Compare with the number stamped on the crank: if it differs, so does every length; "
            "calibrate the volume anew.",
            subject=side,
            length_mm=crank.length,
            se_mm=crank.length_se,
        )
    if len(cranks) == 2:
        left, right = cranks["L"], cranks["R"]
        apart = abs(left.length - right.length)
        sure = apart - _SURE * float(np.hypot(left.length_se, right.length_se))
        level = level_of(apart, UNLIKE_WARNING_MM, UNLIKE_FAULT_MM)
        if level and sure > 0:
            sheet.find(
                "crank_length",
                level,
                f"Both cranks are equally long; left is found {left.length:.1f} mm, right "
                f"{right.length:.1f} mm.",
                "The two sides are not seen alike: calibrate the volume anew, or see whether one "
                "foot's markers sit loose.",
                left_mm=left.length,
                right_mm=right.length,
            )


def _sensor(series: Series, riding: Riding, sheet: Sheet) -> None:
    names = [channel.name for channel in series.info.channels]
    if CRANK_CHANNEL not in names:
        return
    said = np.radians(series.channels[:, names.index(CRANK_CHANNEL)])
    apart = wrapped(riding.phases["R"] - said)
    known = apart[np.isfinite(apart)]
    if not len(known):
        return
    zero = np.angle(np.exp(1j * known).mean())
    scatter = float(np.degrees(robust_sd(wrapped(known - zero))))
    sheet.look("crank sensor", f"within {scatter:.1f} deg of the feet", "description_incomplete")
    if scatter > SENSOR_WARNING_DEG:
        sheet.find(
            "description_incomplete",
            "fault",
            f"The channel {CRANK_CHANNEL} should turn with the feet, in deg, rising forward; it "
            f"scatters by {scatter:.0f} deg about them.",
            "Check its unit, its direction and its delay, or leave it out: the feet suffice.",
            subject=CRANK_CHANNEL,
            scatter_deg=scatter,
        )
