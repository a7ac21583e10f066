"""Markers that are not seen: how often, and where in the stroke."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from livefit.checking.findings import Sheet, level_of
from livefit.checking.heard import StreamHeard, runs
from livefit.checking.labels import Markers
from livefit.checking.noise import step_of
from livefit.frames import FloatArray

MISSING_WARNING, MISSING_FAULT = 0.05, 0.40
"""Share of frames without a marker. The noise of an event grows with 1/sqrt(1 - share): 3 % with
one frame in twenty missing, 29 % with 40 %; and gaps over 90 deg of crank set strokes aside."""

HELD_FRAMES = 3
"""Frames in which a marker stands exactly still: with noise none does so by chance."""
_MOVES_MM = 20.0
_FINE_MM = 0.2

BINS = 24
"""Of the crank's turn, 15 deg each: finer than any arm or crank that hides a marker."""
HIDDEN_WARNING, HIDDEN_FAULT = 0.20, 0.60
"""Share of frames missing in the worst bin. An event there then rests on frames from elsewhere in
the stroke; where two in three are missing, on hardly any."""
CHANCE = 0.001
"""Chance with which a pattern may look tied to the crank without being so."""
_TURNINGS = 1999
_CELLS = 200_000
_FEWEST_STROKES = 5


def judge_missing(stream: StreamHeard, markers: Markers, sheet: Sheet) -> Markers:
    """Judge how often markers are missing; returns them with held positions missing too."""
    _zeros(stream, sheet)
    held = {name: _held(markers.of(name)) for name in markers.columns}
    positions = markers.positions.copy()
    shares = {}
    for name, still in held.items():
        column = markers.columns[name]
        positions[still, column] = np.nan
        shares[name] = float(np.isnan(positions[:, column, 0]).mean())
        _missing(name, shares[name], int(still.sum()), positions[:, column], sheet)
    worst = sorted(shares, key=lambda name: -shares[name])[:3]
    told = ", ".join(f"{name} {100 * shares[name]:.1f} %" for name in worst if shares[name] > 0)
    sheet.look("markers missing", told or "none", "missing_marker", "zero_positions")
    return replace(markers, positions=positions)


def _zeros(stream: StreamHeard, sheet: Sheet) -> None:
    for label, count in stream.zeros.items():
        if count:
            sheet.find(
                "zero_positions",
                "warning",
                f"A marker that is not seen must be NaN; {label} came {count} times as exactly "
                "(0, 0, 0), which was taken as missing.",
                "Send NaN for a marker that is not seen.",
                subject=label,
                zeros=count,
            )


def _held(track: FloatArray) -> NDArray[np.bool_]:
    """Frames (n,) of a moving marker in which its last position was sent again."""
    held = np.zeros(len(track), dtype=bool)
    seen = track[np.isfinite(track[:, 0])]
    moves = len(seen) and np.ptp(np.quantile(seen, [0.05, 0.95], axis=0), axis=0).max() > _MOVES_MM
    if not moves or step_of(track) > _FINE_MM:
        return held
    step = np.abs(np.diff(track, axis=0)).sum(axis=1)
    for begin, end in runs(step == 0.0):
        if end - begin >= HELD_FRAMES:
            held[begin + 1 : end + 1] = True
    return held


def _missing(name: str, share: float, held: int, track: FloatArray, sheet: Sheet) -> None:
    level = level_of(share, MISSING_WARNING, MISSING_FAULT)
    if held and level is None:
        level = "warning"
    if level is None:
        return
    gaps = [end - begin for begin, end in runs(np.isnan(track[:, 0]))]
    text = (
        f"{name} was never seen."
        if share == 1.0
        else f"{name} is missing in {100 * share:.1f} % of the frames; up to "
        f"{100 * MISSING_WARNING:g} % were expected. The longest gap lasts {max(gaps)} frames."
    )
    remedy = "Look where the camera loses it: another camera or angle, a larger marker, less glare."
    if held:
        text += f" In {held} of them the last position was sent again instead."
        remedy = "Send NaN for a marker that is not seen, never an old position. " + remedy
    sheet.find(
        "missing_marker", level, text, remedy, subject=name, share=share, held=held,
        longest_frames=max(gaps),
    )  # fmt: skip


@dataclass(frozen=True)
class Hidden:
    """Where in the stroke a marker is missing.

    Attributes
    ----------
    shares
        (BINS,) share missing by crank angle of its own side.
    chance
        With which a pattern so uneven comes about if the crank has nothing to do with it.
    from_deg, to_deg
        The worst arc, in which more than half the worst bin's share is missing.
    """

    shares: FloatArray
    chance: float
    from_deg: float
    to_deg: float


def hidden_at(missing: NDArray[np.bool_], phase: FloatArray, *, seed: int = 0) -> Hidden | None:
    """Compare the share missing over the crank; None with fewer than five whole strokes.

    Parameters
    ----------
    missing
        (n,) whether the marker was missing.
    phase
        (n,) rad, unwrapped, of its own side's crank.

    Notes
    -----
    Frames go missing in gaps, so that single frames are no independent trials. Each stroke is
    therefore turned as a whole by a random angle: what is not tied to the crank looks the same
    after it. The statistic is the sum of squares of the share over bins of the crank. Randomization
    test: Edgington ES, Onghena P (2007) Randomization Tests, 4th ed., ch. 3.
    """
    turns = phase / (2 * np.pi)
    whole = np.floor(turns)
    strokes = np.arange(np.ceil(turns[0]), np.floor(turns[-1]))
    if len(strokes) < _FEWEST_STROKES:
        return None
    place = np.minimum(((turns - whole) * BINS).astype(np.int64), BINS - 1)
    row = (whole - strokes[0]).astype(np.int64)
    inside = (row >= 0) & (row < len(strokes))
    cell = row[inside] * BINS + place[inside]
    size = len(strokes) * BINS
    seen = np.bincount(cell, minlength=size).reshape(-1, BINS)
    gone = np.bincount(cell, missing[inside], minlength=size).reshape(-1, BINS)
    shares = gone.sum(axis=0) / np.maximum(seen.sum(axis=0), 1)
    by_stroke = gone / np.maximum(seen, 1)
    first, last = _arc(shares)
    return Hidden(
        shares=shares,
        chance=_chance(by_stroke, np.random.default_rng(seed)),
        from_deg=first * 360.0 / BINS,
        to_deg=last * 360.0 / BINS,
    )


def _chance(by_stroke: FloatArray, rng: np.random.Generator) -> float:
    """Chance of a pattern so uneven, from strokes (s, BINS) turned by random angles."""
    found = float((by_stroke.sum(axis=0) ** 2).sum()) * (1 - 1e-9)
    spectrum = np.fft.rfft(by_stroke, axis=1)
    turn = np.exp(2j * np.pi * np.outer(np.arange(BINS), np.arange(spectrum.shape[1])) / BINS)
    reached, at_once = 0, max(1, _CELLS // by_stroke.size)
    for start in range(0, _TURNINGS, at_once):
        by = rng.integers(BINS, size=(min(at_once, _TURNINGS - start), len(by_stroke)))
        sums = np.fft.irfft(np.einsum("sk,tsk->tk", spectrum, turn[by]), BINS, axis=1)
        reached += int(np.count_nonzero((sums**2).sum(axis=1) >= found))
    return (reached + 1) / (_TURNINGS + 1)


def _arc(shares: FloatArray) -> tuple[int, int]:
    """First bin, and bin after the last, of the arc about the worst bin."""
    worst = int(np.argmax(shares))
    much = shares > 0.5 * shares[worst]
    if much.all():
        return 0, BINS
    first, last = worst, worst + 1
    while much[(first - 1) % BINS]:
        first -= 1
    while much[last % BINS]:
        last += 1
    return first % BINS, (last - 1) % BINS + 1


def judge_hidden(
    markers: Markers, phases: Mapping[str, FloatArray], sheet: Sheet
) -> dict[str, FloatArray]:
    """Judge whether gaps are tied to the crank; returns the share missing by bin and marker.

    phases: by side, (n,) rad, unwrapped.
    """
    seen: dict[str, FloatArray] = {}
    for name in markers.columns:
        phase = phases.get(name[0], next(iter(phases.values())))
        missing = np.isnan(markers.of(name)[:, 0])
        known = np.isfinite(phase)
        if not missing.any():
            seen[name] = np.zeros(BINS)
            continue
        hidden = hidden_at(missing[known], phase[known])
        if hidden is None:
            continue
        seen[name] = hidden.shares
        worst = float(hidden.shares.max())
        level = level_of(worst, HIDDEN_WARNING, HIDDEN_FAULT)
        if level and hidden.chance <= CHANCE and hidden.shares.min() < 0.5 * worst:
            sheet.find(
                "missing_at_crank",
                level,
                f"{name} goes missing with the crank: between {hidden.from_deg:.0f} and "
                f"{hidden.to_deg:.0f} deg of its own crank (0 top, 90 forward) up to "
                f"{100 * worst:.0f} % of the frames lack it, elsewhere down to "
                f"{100 * float(hidden.shares.min()):.0f} %.",
                "Something passes in front of it there: move the camera (higher, or further to the "
                "front or back), or add one; events in this part of the stroke cannot be trusted.",
                subject=name,
                from_deg=hidden.from_deg,
                to_deg=hidden.to_deg,
                worst_share=worst,
                chance=hidden.chance,
            )
    worst_of = {name: float(share.max()) for name, share in seen.items() if share.max() > 0}
    told = ", ".join(
        f"{name} {100 * worst_of[name]:.0f} %"
        for name in sorted(worst_of, key=lambda name: -worst_of[name])[:3]
    )
    sheet.look("missing over the crank", told or "none", "missing_at_crank")
    return seen
