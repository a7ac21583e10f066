"""Segments that should keep their length, and markers that slip along the skin."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from livefit.checking.findings import Level, Sheet, level_of
from livefit.checking.heard import robust_sd
from livefit.checking.labels import Markers
from livefit.frames import FloatArray

SEGMENTS = {
    ("GT", "LE"): "thigh", ("LE", "LM"): "shank", ("CA", "VM"): "foot", ("AC", "GT"): "trunk",
    ("AC", "EL"): "upper arm", ("EL", "US"): "forearm",
}  # fmt: skip
FURTHER = (("LM", "CA"), ("LM", "VM"), ("ASIS", "PSIS"), ("ASIS", "GT"), ("PSIS", "GT"))
"""Further distances that a slipped marker changes."""

SLOPPY = ("trunk", "upper arm")
"""Segments of more than one joint: the trunk bends, the shoulder blade glides."""
SLOPPY_TIMES, FURTHER_TIMES = 3.0, 1.5
"""How much more these may change than a single bone, and the further distances."""

LENGTH_WARNING_MM, LENGTH_FAULT_MM = 4.0, 12.0
"""Standard deviation of a length beyond noise and beyond what comes back every stroke. 4 mm across
a shank of 415 mm turn it by 0.55 deg, and the knee with it; 12 mm by 1.7 deg, half the width of a
narrow band."""
SKIN_WARNING_MM = 12.0
"""The same of what does come back every stroke: skin over the trochanter glides by 10 to 20 mm
(Cappozzo et al. 1996, Clin Biomech 11:90-100), which strokes do not average out."""
SLIP_WARNING_MM, SLIP_FAULT_MM = 4.0, 10.0
"""A change of length that stays: a knee marker that slips by 4 mm along a thigh is read as up to
0.6 deg of another saddle, and nothing shows which; 10 mm are 1.4 deg."""
_SLIP_SURE = 5.0
_ALONE_MM = 0.5
"""A marker with no other distance is blamed if the one at the other end kept its own so well."""
_WITNESS_SHARE = 1 / 3
"""A marker that moves along one of its distances changes another by its slant, cos 70 deg or more:
arm and trunk, thigh and trunk are seldom nearer to a right angle."""
_FEWEST_WINDOWS = 6
_WINDOW_S = 1.0
_FINEST_MM = 0.05

SMOOTHED, SMOOTHED_MM = 2.0, 0.15
"""A shoe is rigid: its length scatters by the noise of its ends, by 1.7 times that where all of it
lies along the shoe. What scatters twice as much, and more than rounding, has been smoothed."""

STRAY_MM, STRAY_WARNING, STRAY_FAULT = 40.0, 0.002, 0.05
"""A length so far off in a frame is a ghost or another marker; one frame in 500 is one in every
four strokes."""
BINS = 24


@dataclass(frozen=True)
class Slip:
    """A change of a length that stays, if there is one.

    Attributes
    ----------
    mm, se_mm
        Longer after than before, and the standard error of that.
    at_s
        When, s since the first frame; for a slow one the middle.
    slow
        Whether it goes on like a straight line rather than a step.
    times
        How much more than a bone this length may change.
    """

    mm: float
    se_mm: float
    at_s: float
    slow: bool
    times: float = 1.0

    @property
    def matters(self) -> bool:
        """Whether it is large, and no chance."""
        return abs(self.mm) >= max(self.times * SLIP_WARNING_MM, _SLIP_SURE * self.se_mm)


def judge_body(
    markers: Markers,
    t: FloatArray,
    noise: Mapping[str, float],
    phases: Mapping[str, FloatArray],
    sheet: Sheet,
) -> None:
    """Judge segment lengths and slips; t (n,) s since the first frame."""
    told = []
    slips: dict[tuple[str, str], Slip] = {}
    for side in markers.sides():
        for (a, b), what in [*SEGMENTS.items(), *((pair, "") for pair in FURTHER)]:
            one, other = f"{side}_{a}", f"{side}_{b}"
            if one not in markers.columns or other not in markers.columns:
                continue
            length = np.sqrt(((markers.of(one) - markers.of(other)) ** 2).sum(axis=1))
            if np.isfinite(length).sum() < 2 * BINS:
                continue
            times = SLOPPY_TIMES if what in SLOPPY else 1.0 if what else FURTHER_TIMES
            locked, left = _split(length, t, phases.get(side))
            slip = slip_of(left, t, times)
            if slip is not None:
                slips[one, other] = slip
            if what:
                known = float(np.hypot(noise.get(one, 0.0), noise.get(other, 0.0)))
                rest = left if slip is None or not slip.matters else left - _trend(left, t)
                segment = _Segment(f"{side} {what}", float(np.nanmedian(length)), times)
                sd = segment.judge(locked, rest, known, sheet)
                told.append((segment.name, sd))
                if what == "foot" and sd < LENGTH_WARNING_MM:
                    _smoothed(segment.name, robust_sd(rest), known, sheet)
    sheet.look("segment lengths", _worst(told), "segment_length")
    sheet.look(
        "slips", f"{sum(slip.matters for slip in slips.values())} lengths changed",
        "marker_slipped",
    )  # fmt: skip
    _slipped(slips, sheet)


def _smoothed(name: str, sd: float, noise: float, sheet: Sheet) -> None:
    """Note a rigid segment that scatters more than its ends do from frame to frame."""
    if sd > max(SMOOTHED * noise, SMOOTHED_MM):
        sheet.find(
            "noise",
            "note",
            f"The {name} keeps its length only within {sd:.2f} mm (standard deviation), though its "
            f"ends scatter by no more than {noise:.2f} mm from frame to frame: positions have been "
            "smoothed before they were sent, and the true noise is larger.",
            "Send unfiltered positions: a filter bends the angles at the turning points of the "
            "stroke, and no averaging removes that.",
            subject=name,
            length_sd_mm=sd,
            frame_sd_mm=noise,
        )


def _worst(told: Sequence[tuple[str, float]]) -> str:
    if not told:
        return "none known"
    name, sd = max(told, key=lambda each: each[1])
    return f"constant within {sd:.1f} mm ({name} the least)"


def _split(length: FloatArray, t: FloatArray, phase: FloatArray | None) -> tuple[float, FloatArray]:
    """What comes back every stroke (sd, mm), and what is left of the length (n,)."""
    left = length - np.nanmedian(length)
    if phase is None or np.isfinite(phase).sum() < len(phase) / 2:
        return 0.0, left
    known = np.isfinite(phase)
    place = np.where(known, (phase / (2 * np.pi)) % 1.0 * BINS, 0.0).astype(np.int64) % BINS
    # Without what changes slowly: a slip in mid-ride must not become part of the pattern.
    quick = left - _trend(left, t)
    pattern = np.zeros(BINS)
    for k in range(BINS):
        inside = quick[(place == k) & known & np.isfinite(quick)]
        pattern[k] = np.median(inside) if len(inside) else 0.0
    return float(pattern.std()), left - pattern[place]


def _trend(left: FloatArray, t: FloatArray) -> FloatArray:
    """(n,) mm: the medians of the seconds, between them."""
    at, level = _seconds(left, t)
    return np.interp(t, at, level) if len(at) else np.zeros(len(t))


def _seconds(left: FloatArray, t: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Middle (s) and median (mm) of each second that has enough values."""
    window = (t / _WINDOW_S).astype(np.int64)
    at, level = [], []
    for k in range(int(window[-1]) + 1):
        inside = (window == k) & np.isfinite(left)
        if np.count_nonzero(inside) >= BINS / 2:
            at.append(float(t[inside].mean()))
            level.append(float(np.median(left[inside])))
    return np.array(at), np.array(level)


@dataclass(frozen=True)
class _Segment:
    """A segment, its usual length in mm, and how much more than a bone it may change."""

    name: str
    mm: float
    times: float

    def judge(self, locked: float, left: FloatArray, noise: float, sheet: Sheet) -> float:
        """Judge it; returns the sd of its length without noise, mm.

        locked: sd of what comes back every stroke; left (n,): what does not; noise: of the length.
        """
        sd = float(np.sqrt(max(robust_sd(left) ** 2 - noise**2, 0.0)))
        level = level_of(sd, self.times * LENGTH_WARNING_MM, self.times * LENGTH_FAULT_MM)
        if level:
            self._changes(sd, level, sheet)
        elif locked > self.times * SKIN_WARNING_MM:
            self._glides(locked, sheet)
        if not level:
            self._strays(left, sheet)
        return sd

    def _changes(self, sd: float, level: Level, sheet: Sheet) -> None:
        sheet.find(
            "segment_length",
            level,
            f"The {self.name} should keep its length of {self.mm:.0f} mm within "
            f"{self.times * LENGTH_WARNING_MM:.0f} mm; beyond noise and what comes back every "
            f"stroke it changes by {sd:.1f} mm (standard deviation).",
            "Fix the markers on bone, not on loose cloth; look for one that swings, or that is "
            "taken for another.",
            subject=self.name,
            sd_mm=sd,
            length_mm=self.mm,
        )

    def _glides(self, locked: float, sheet: Sheet) -> None:
        sheet.find(
            "segment_length",
            "warning",
            f"The {self.name} changes its length of {self.mm:.0f} mm by {locked:.1f} mm (standard "
            "deviation) in step with the crank; the bone does not.",
            "Move the markers to where skin glides less, or see whether positions lag behind at "
            "speed.",
            subject=self.name,
            locked_mm=locked,
            length_mm=self.mm,
        )

    def _strays(self, left: FloatArray, sheet: Sheet) -> None:
        far = np.abs(left) > max(STRAY_MM, 8 * robust_sd(left))
        share = float(far.sum() / max(np.isfinite(left).sum(), 1))
        level = level_of(share, STRAY_WARNING, STRAY_FAULT)
        if level:
            sheet.find(
                "segment_length",
                level,
                f"In {far.sum()} frames ({100 * share:.1f} %) the {self.name} is more than "
                f"{STRAY_MM:.0f} mm off its length of {self.mm:.0f} mm: one of its markers is "
                "somewhere else.",
                "Look for reflections that are taken for markers, and tighten what the tracking "
                "accepts.",
                subject=self.name,
                share=share,
                length_mm=self.mm,
            )


def slip_of(left: FloatArray, t: FloatArray, times: float = 1.0) -> Slip | None:
    """The change of a length (n,) mm over t (n,) s; None with fewer than six seconds.

    The split of the second-long medians into two halves that leaves the least absolute deviation
    from the halves' medians; a straight line through the slopes' median where that leaves less.
    """
    x, y = _seconds(left, t)
    if len(y) < _FEWEST_WINDOWS:
        return None
    splits = range(2, len(y) - 1)
    halves = {k: np.concatenate([_centred(y[:k]), _centred(y[k:])]) for k in splits}
    best = min(splits, key=lambda k: float(np.abs(halves[k]).sum()))
    i, j = np.triu_indices(len(y), 1)
    line = _centred(y - float(np.median((y[j] - y[i]) / (x[j] - x[i]))) * x)
    slow = bool(np.abs(line).sum() < np.abs(halves[best]).sum())
    ends = max(len(y) // 5, 2)
    mm = (
        np.median(y[-ends:]) - np.median(y[:ends])
        if slow
        else np.median(y[best:]) - np.median(y[:best])
    )
    spread = max(robust_sd(line if slow else halves[best]), _FINEST_MM)
    return Slip(
        mm=float(mm),
        se_mm=spread * float(np.sqrt(1 / best + 1 / (len(y) - best))),
        at_s=float(np.median(x)) if slow else float(0.5 * (x[best - 1] + x[best])),
        slow=slow,
        times=times,
    )


def _centred(values: FloatArray) -> FloatArray:
    centred: FloatArray = values - np.median(values)
    return centred


def _slipped(slips: Mapping[tuple[str, str], Slip], sheet: Sheet) -> None:
    """Find the fewest markers that explain the lengths that changed."""
    changed = {pair: slip for pair, slip in slips.items() if slip.matters}
    for pair in [pair for pair in changed if _bends(pair, slips)]:
        _posture(pair, changed.pop(pair), sheet)
    while changed:
        worst = max(changed, key=lambda pair: abs(changed[pair].mm))
        marker = max(worst, key=lambda name: _guilt(name, worst, slips))
        slip = changed[worst]
        other = worst[0] if worst[1] == marker else worst[1]
        how = "slowly, about" if slip.slow else "at once,"
        sheet.find(
            "marker_slipped",
            "fault" if abs(slip.mm) >= SLIP_FAULT_MM else "warning",
            f"{marker} slipped {how} {slip.at_s:.0f} s after the first frame: its distance to "
            f"{other} is {abs(slip.mm):.1f} mm {'longer' if slip.mm > 0 else 'shorter'} after it, "
            "and stays so.",
            f"Stick {marker} on again (clean, dry skin; tape over cloth) and measure anew from "
            "there on.",
            subject=marker,
            mm=slip.mm,
            at_s=slip.at_s,
            slow=float(slip.slow),
        )
        changed = {pair: slip for pair, slip in changed.items() if marker not in pair}


def _bends(pair: tuple[str, str], slips: Mapping[tuple[str, str], Slip]) -> bool:
    """Whether a length of more than one joint changed alone: a marker takes its others along."""
    others = [s for own, s in slips.items() if own != pair and set(own) & set(pair)]
    witnessed = all(any(name in own for own in slips if own != pair) for name in pair)
    return (
        slips[pair].times == SLOPPY_TIMES
        and witnessed
        and all(abs(s.mm) < _WITNESS_SHARE * abs(slips[pair].mm) for s in others)
    )


def _posture(pair: tuple[str, str], slip: Slip, sheet: Sheet) -> None:
    """Note a rider who sits or bends otherwise than at the beginning."""
    one, other = pair
    sheet.find(
        "posture",
        "note",
        f"{one} is {abs(slip.mm):.1f} mm {'farther from' if slip.mm > 0 else 'nearer to'} {other} "
        f"from {slip.at_s:.0f} s after the first frame on, while both keep their other distances: "
        "the rider bends otherwise, no marker slipped.",
        "Let the rider find the position first; compare only what was ridden alike.",
        subject=one,
        mm=slip.mm,
        at_s=slip.at_s,
        slow=float(slip.slow),
    )


def _guilt(name: str, pair: tuple[str, str], slips: Mapping[tuple[str, str], Slip]) -> float:
    """By how much (RMS, mm) a marker's other distances surely changed too."""
    others = [
        slip.mm if abs(slip.mm) > _SLIP_SURE * slip.se_mm else 0.0
        for own, slip in slips.items()
        if name in own and own != pair
    ]
    return float(np.sqrt(np.mean(np.square(others)))) if others else _ALONE_MM
