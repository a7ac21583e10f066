"""The line on top: what the stream, the averages and the session are like at this moment."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from typing import Literal

from livefit.definitions.models import Definitions
from livefit.view import words
from livefit.view.chart_words import mark_words
from livefit.view.numbers import format_value, signed
from livefit.wire.messages import Snapshot

LOST_SHARE = 0.01
DELAY_MS = 250.0
LOW_BATTERY = 0.2
SHORT_OF_ROOM_S = 600.0
"""Beyond these the stream is marked as one to look after."""
SECOND = 6
"""Read-outs of this rank and beyond are shown while nothing else is to be said."""


@dataclass(frozen=True)
class Readout:
    """A captioned number of the header."""

    caption: str
    value: str
    unit: str = ""
    care: bool = False
    rank: int = 0
    """What comes first where there is not room for all; from ``SECOND`` on it can wait."""
    lead: str = ""
    """The caption in one short word, where the unit does not say what it is."""
    spare: bool = False
    """The unit may be left out where there is no room."""


@dataclass(frozen=True)
class AgeView:
    """How old the data are, as a number, a word and a state."""

    text: str
    word: str
    state: Literal["fresh", "old", "lost", "held"]


def header_readouts(
    snapshot: Snapshot | None, definitions: Definitions, chosen: Collection[tuple[str, str]]
) -> tuple[Readout, ...]:
    """Cadence, workload, strokes, state of the stream, recording, bands and mark.

    ``chosen`` are the rows that must hold before the averages are said to. Workload is left out
    where no device tells it.
    """
    if snapshot is None:
        return _UNKNOWN
    health = snapshot.health
    share = health.lost / max(health.frames + health.lost, 1)
    late = health.delay_ms is not None and health.delay_ms >= DELAY_MS
    watts = snapshot.workload_w
    titles = {d.name: d.title for d in definitions.disciplines}
    return (
        Readout(words.CADENCE, format_value(snapshot.cadence_rpm, 0), "rpm", rank=1),
        *([] if watts is None else [Readout(words.WORKLOAD, format_value(watts, 0), "W", rank=4)]),
        *_battery(snapshot),
        _strokes(snapshot, chosen),
        Readout(words.RATE, format_value(health.rate_hz, 0), "Hz", rank=5),
        _told(words.LOST, f"{health.lost}", _percent(share), share >= LOST_SHARE, 8),
        _told(words.DELAY, format_value(health.delay_ms, 0), "ms", late, 9),
        _recording(snapshot),
        Readout(
            words.EDITED if snapshot.edited_bands else words.DISCIPLINE,
            titles.get(snapshot.discipline, snapshot.discipline),
            rank=7,
        ),
        _mark(snapshot, definitions),
    )


_UNKNOWN = (
    Readout(words.CADENCE, words.NOTHING, "rpm", rank=1),
    Readout(words.STROKES, words.NOTHING, rank=2, lead=words.LEAD[words.STROKES]),
    Readout(words.RATE, words.NOTHING, "Hz", rank=5),
    *(
        Readout(caption, words.NOTHING, rank=rank, lead=words.LEAD.get(caption, caption))
        for caption, rank in (
            (words.LOST, 8), (words.DELAY, 9), (words.RECORDING, 3), (words.DISCIPLINE, 7),
            (words.MARK, SECOND),
        )
    ),
)  # fmt: skip


def _told(caption: str, value: str, unit: str, care: bool, rank: int) -> Readout:
    """What comes first once there is something wrong with it."""
    rank = 0 if care else rank
    return Readout(caption, value, unit, care, rank, words.LEAD[caption], spare=not care)


def _recording(snapshot: Snapshot) -> Readout:
    """Whether and how long it records, and how long the disk has room for."""
    recorded = snapshot.recorded
    if recorded is None:
        known = snapshot.recording is not None
        text = words.ON if known else words.OFF
        name = snapshot.recording or ""
        return _told(words.RECORDING, text, name, care=False, rank=3)
    left = recorded.left_s
    room = "" if left is None else words.LEFT.format(time=words.span(left))
    short = left is not None and left < SHORT_OF_ROOM_S
    return _told(words.RECORDING, words.span(recorded.seconds), room, short, 3)


def _mark(snapshot: Snapshot, definitions: Definitions) -> Readout:
    """The latest mark with what was measured of its part; without one, what moved most clearly."""
    adjustments = {a.name: a for a in definitions.adjustments}
    clear = {}
    for moved in snapshot.moved:
        by, half, since = moved.baseline, moved.baseline_half, words.SINCE_BASELINE
        if by is None or half is None:
            by, half, since = moved.mark, moved.mark_half, words.SINCE_MARK
        if moved.part in adjustments and by is not None and half and abs(by) > half:
            clear[moved.part] = by, half, since
    if snapshot.marks:
        mark, caption = snapshot.marks[-1], words.MARK
        if mark.part in clear:
            by, half, since = clear[mark.part]
            caption = words.MARK_MEASURED.format(
                since=since, amount=signed(by, 1), half=format_value(half, 1)
            )
        return Readout(caption, mark_words(mark, definitions.adjustments), rank=SECOND)
    if not clear:
        return Readout(words.MARK, words.NOTHING, rank=SECOND, lead=words.LEAD[words.MARK])
    part = max(clear, key=lambda name: abs(clear[name][0]) / clear[name][1])
    known, (by, half, _) = adjustments[part], clear[part]
    way = known.more if by > 0 else known.less
    caption = words.MOVED.format(part=known.short)
    value = f"{way} {abs(by):.1f}{words.UNIT_WORD[known.unit]}"
    return Readout(caption, value, f"±{half:.1f}", rank=SECOND, lead=known.short)


def _battery(snapshot: Snapshot) -> list[Readout]:
    """The sensor's battery, where it tells of it."""
    share = None if snapshot.device is None else snapshot.device.battery
    if share is None:
        return []
    text = format_value(100 * share, 0)
    return [_told(words.BATTERY, text, "%", share < LOW_BATTERY, 10)]


def _strokes(snapshot: Snapshot, chosen: Collection[tuple[str, str]]) -> Readout:
    window = words.window_words(snapshot.window)
    counts = "  ".join(f"{side} {n}" for side, n in sorted(snapshot.strokes.items()))
    needed = [row.needed for row in snapshot.rows if (row.measure, row.event) in chosen]
    known = [n for n in needed if n is not None]
    more = max(known) if known and len(known) == len(needed) else None
    short = any(row.too_short for row in snapshot.rows if (row.measure, row.event) in chosen)
    return Readout(
        f"{words.STROKES}, {window}" if window else words.STROKES,
        counts or words.NOTHING,
        words.TOO_SHORT if short else words.all_hold_words(more),
        rank=2,
        spare=True,
    )


def _percent(share: float) -> str:
    if share == 0.0:
        return ""
    return "<0.1 %" if share < 0.0005 else f"{100 * share:.1f} %"
