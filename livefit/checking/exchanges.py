"""Labels that exchange their markers in mid-ride, or stand at the wrong places throughout."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from livefit.checking.findings import Sheet, times
from livefit.checking.labels import Markers
from livefit.frames import FloatArray, IntArray, Up

FASTEST_MM_S = 3_500.0
"""No marker of a rider goes faster: a foot at 140 rpm on 175 mm cranks does 2,600 mm/s."""
JUMP_MM, MOST_MM = 30.0, 150.0
"""A marker jumps if it goes so much farther than its speed allows; after a longer gap every step
beyond the second one counts. Wrong labels are farther apart."""
CLOSER = 0.3
"""The exchanged labels must fit so much better than the ones that came."""
LONGEST_S = 0.5
"""Gap across which an exchange is looked for: a stroke takes 0.67 s at 90 rpm."""

HEIGHTS = ("AC", "GT", "LE", "LM")
"""Mean heights on a bicycle fall in this order (VM lies below LM only over the whole stroke)."""
_CLEARLY_MM = 50.0
_CLEARLY_ASIDE_MM = 30.0


@dataclass(frozen=True)
class Exchange:
    """Two labels that change places from one frame on."""

    one: str
    other: str
    row: int


def exchanges(markers: Markers, t: FloatArray) -> list[Exchange]:
    """Every exchange of two labels, in order of time; t (n,) s."""
    names = list(markers.columns)
    tracks = markers.positions[:, [markers.columns[name] for name in names]]
    before = _newest(tracks)
    rows = np.arange(len(t))[:, None]
    gap = t[rows] - t[np.maximum(before, 0)]
    came = np.take_along_axis(tracks, np.maximum(before, 0)[:, :, None], axis=0)
    step = np.sqrt(((tracks - came) ** 2).sum(axis=2))
    allowed = np.minimum(JUMP_MM + FASTEST_MM_S * gap, MOST_MM)
    jumped = (before >= 0) & (gap <= LONGEST_S) & (step > allowed)
    found = []
    for row in np.flatnonzero(jumped.sum(axis=1) > 1).tolist():
        moved = np.flatnonzero(jumped[row])
        now, then = tracks[row, moved], came[row, moved]
        found += [Exchange(names[moved[i]], names[moved[j]], row) for i, j in _pairs(now, then)]
    return found


def _newest(tracks: FloatArray) -> IntArray:
    """Row (n, m) of each marker's newest position before the frame, -1 for none."""
    seen = np.isfinite(tracks[:, :, 0])
    own = np.where(seen, np.arange(len(tracks))[:, None], -1)
    newest = np.maximum.accumulate(own, axis=0)
    return np.concatenate([np.full((1, tracks.shape[1]), -1), newest[:-1]])


def _pairs(now: FloatArray, then: FloatArray) -> list[tuple[int, int]]:
    """Which of the markers (k, 3) stand where another one stood, and that one where they did."""
    apart = np.sqrt(((now[:, None] - then[None]) ** 2).sum(axis=2))
    stay = np.diag(apart)[:, None] + np.diag(apart)[None]
    fit = np.where(np.eye(len(now), dtype=bool), np.inf, (apart + apart.T) / stay)
    pairs = []
    while len(fit) and fit.min() < CLOSER:
        i, j = divmod(int(np.argmin(fit)), len(fit))
        pairs.append((i, j))
        fit[[i, j]] = fit[:, [i, j]] = np.inf
    return pairs


def judge_exchanges(markers: Markers, t: FloatArray, sheet: Sheet) -> Markers:
    """Judge labels that exchange in mid-ride; returns the markers with the exchanges undone."""
    positions = markers.positions.copy()
    pairs: dict[frozenset[str], list[int]] = {}
    for exchange in exchanges(markers, t):
        pairs.setdefault(frozenset((exchange.one, exchange.other)), []).append(exchange.row)
        pair = [markers.columns[exchange.one], markers.columns[exchange.other]]
        positions[exchange.row :, pair] = positions[exchange.row :, pair[::-1]]
    for names, rows in pairs.items():
        edges = [*rows, len(t)] if len(rows) % 2 else rows
        frames = sum(b - a for a, b in zip(edges[::2], edges[1::2], strict=True))
        one, other = sorted(names)
        sheet.find(
            "labels_swapped",
            "fault",
            f"{one} and {other} change places {times(len(rows))}, first {t[rows[0]] - t[0]:.2f} s "
            f"after the first frame, for {frames} frames in all.",
            "Let the tracking use the distances between markers, or mark one of them differently; "
            "the angles of these frames are nonsense.",
            subject=f"{one}, {other}",
            times=len(rows),
            frames=frames,
            first_s=float(t[rows[0]] - t[0]),
        )
    sheet.look("labels change places", times(sum(map(len, pairs.values()))), "labels_swapped")
    return replace(markers, positions=positions)


def judge_places(markers: Markers, sheet: Sheet) -> None:
    """Judge whether the markers stand where their labels say, on the whole."""
    up = _direction(markers.up)
    middles = {name: np.nanmedian(markers.of(name), axis=0) for name in _ever_seen(markers)}
    _heights(middles, up, sheet)
    forward = _forward(middles, up)
    if forward is None:
        return
    right = np.cross(forward, up)
    wrong = [
        name
        for name in ("GT", "LE", "LM", "CA", "VM", "AC", "EL", "US", "ASIS", "PSIS")
        if f"L_{name}" in middles
        and f"R_{name}" in middles
        and (middles[f"R_{name}"] - middles[f"L_{name}"]) @ right < -_CLEARLY_ASIDE_MM
    ]
    both = [name for name in middles if name[0] == "L" and f"R_{name[2:]}" in middles]
    if len(wrong) > len(both) / 2:
        sheet.find(
            "labels_swapped",
            "fault",
            "Looking the way the rider rides, markers labelled L_ are on the right and those "
            "labelled R_ on the left.",
            "Exchange the labels; if they are right, the capture axes are left-handed: turn one "
            "axis round.",
            pairs=len(wrong),
        )
        return
    for name in wrong:
        sheet.find(
            "labels_swapped",
            "fault",
            f"L_{name} is on the rider's right and R_{name} on the left.",
            "Exchange these two labels.",
            subject=f"L_{name}, R_{name}",
        )
    for side in "LR":
        heel, toe = middles.get(f"{side}_CA"), middles.get(f"{side}_VM")
        if heel is not None and toe is not None and (toe - heel) @ forward < -_CLEARLY_MM:
            sheet.find(
                "labels_swapped",
                "fault",
                f"{side}_VM is behind {side}_CA, seen the way the rider rides.",
                "Exchange these two labels.",
                subject=f"{side}_CA, {side}_VM",
            )


def _ever_seen(markers: Markers) -> list[str]:
    return [name for name in markers.columns if np.isfinite(markers.of(name)[:, 0]).any()]


def _heights(middles: dict[str, FloatArray], up: FloatArray, sheet: Sheet) -> None:
    for side in "LR":
        there = [name for name in HEIGHTS if f"{side}_{name}" in middles]
        for high, low in pairwise(there):
            above = float((middles[f"{side}_{high}"] - middles[f"{side}_{low}"]) @ up)
            if above < -_CLEARLY_MM:
                sheet.find(
                    "labels_swapped",
                    "fault",
                    f"{side}_{high} should be above {side}_{low} on a bicycle; on average it is "
                    f"{-above:.0f} mm below it.",
                    "Exchange these two labels.",
                    subject=f"{side}_{high}, {side}_{low}",
                    below_mm=-above,
                )


def _forward(middles: dict[str, FloatArray], up: FloatArray) -> FloatArray | None:
    """The way the rider rides, level: from hips to knees and from heels to toes, all together."""
    pairs = [
        (f"{side}_{a}", f"{side}_{b}") for side in "LR" for a, b in (("GT", "LE"), ("CA", "VM"))
    ]
    steps = [middles[b] - middles[a] for a, b in pairs if a in middles and b in middles]
    if not steps:
        return None
    level = np.sum(steps, axis=0)
    level = level - (level @ up) * up
    length = float(np.linalg.norm(level))
    return level / length if length > _CLEARLY_MM else None


def _direction(up: Up) -> FloatArray:
    arrow = np.zeros(3)
    arrow["xyz".index(up[1])] = 1.0 if up[0] == "+" else -1.0
    return arrow
