"""A recording through the live kernel."""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field

import numpy as np

from livefit.analysis.passing import passed
from livefit.change.doubts import Doubts
from livefit.change.trials import TrialStrokes
from livefit.change.workload import LOAD_UNITS, StrokeLoads
from livefit.definitions import Definitions, MarkerSet, canonical_labels, match_marker_set
from livefit.frames import MarkerBlock, StreamInfo
from livefit.kernel.crank import CrankGeometry
from livefit.kernel.events import EventValues
from livefit.kernel.kernel import Kernel
from livefit.kernel.plan import DEFAULT_SEAT_TUBE_DEG
from livefit.kernel.results import Difference, ResultRow, RollingResults, bands_of, differences
from livefit.kernel.rolling import Rolling


@dataclass(frozen=True)
class SideFound:
    """What one side's foot says of the crank, and its strokes."""

    crank: CrankGeometry
    strokes: int
    cadence_rpm: float


@dataclass(frozen=True)
class StrokeValue:
    """One measure at one event in one stroke; t in s, value in the measure's unit."""

    measure: str
    side: str
    event: str
    stroke: int
    t: float
    value: float


@dataclass(frozen=True)
class Analysis:
    """What a recording holds.

    Attributes
    ----------
    discipline
        Whose bands judged.
    marker_set
        Which the labels were read by; `unused` are the labels that it does not know.
    frames, lost_frames
        Frames there, and frame numbers missing between the first and the last.
    rate_hz
        From the time stamps.
    missing
        Share of the frames without the marker, by canonical name.
    sides
        By side, where the crank was found.
    refused
        Strokes set aside, by reason.
    problem
        What kept numbers from coming, in plain words.
    moved
        Markers that moved, and from which stroke on what rests on them is left out.
    rows, differences
        Results, and left minus right.
    per_stroke
        Every value, when asked for.
    strokes
        Those of every row, whatever the window.
    under_way
        For each cut, by side: the last stroke that belongs to what was before.
    """

    discipline: str
    marker_set: MarkerSet
    unused: tuple[str, ...]
    frames: int
    lost_frames: int
    rate_hz: float
    duration_s: float
    missing: dict[str, float]
    sides: dict[str, SideFound]
    refused: dict[str, int]
    problem: str | None
    moved: list[str]
    rows: list[ResultRow]
    differences: list[Difference]
    per_stroke: list[StrokeValue] = field(default_factory=list)
    strokes: TrialStrokes = field(default_factory=lambda: TrialStrokes({}))
    under_way: list[dict[str, float]] = field(default_factory=list)


def analyse(
    info: StreamInfo,
    block: MarkerBlock,
    definitions: Definitions,
    *,
    discipline: str,
    window: Rolling | None = None,
    marker_set: str | None = None,
    seat_tube_deg: float = DEFAULT_SEAT_TUBE_DEG,
    per_stroke: bool = False,
    cuts: Sequence[int] = (),
    restarts: Collection[int] = (),
    progress: Callable[[int], None] = lambda _: None,
) -> Analysis:
    """Analyse a recording with the kernel that also works live.

    Parameters
    ----------
    info, block
        The recording.
    definitions, discipline, marker_set, seat_tube_deg
        What to compute and judge by; without a marker set the best fitting one is taken.
    window
        Which strokes count; None = all.
    per_stroke
        Whether to list every stroke's values.
    cuts
        Rows, rising, before which the averages began anew; what is found counts all strokes.
    restarts
        Those of them that are restarts, by which a marker that slipped is taken as it is.
    progress
        Called with the number of frames done.

    Raises
    ------
    ValueError
        When the labels fit no marker set, or a name is not known.
    """
    chosen = (
        definitions.marker_set(marker_set)
        if marker_set
        else match_marker_set(info.labels, definitions.marker_sets)
    )
    labels = canonical_labels(info.labels, chosen)
    kernel = Kernel(
        info, labels, definitions.measures, definitions.events, seat_tube_deg=seat_tube_deg,
        with_cycles=True,
    )  # fmt: skip
    doubts = Doubts(definitions.measures, kernel.labels)
    bands = bands_of(definitions.discipline(discipline))
    results = RollingResults(kernel.plan.sides, definitions.measures, window or Rolling(), bands)
    units = {measure.name: measure.unit for measure in definitions.measures} | LOAD_UNITS
    strokes, loads = TrialStrokes(units, kept=None), StrokeLoads(info)
    found: list[EventValues] = []
    done = 0

    def take(frames: MarkerBlock, values: list[EventValues]) -> None:
        nonlocal done
        found.extend(values)
        doubts.take(kernel.take_poses())
        loads.take(frames.t, frames.channels)
        strokes.add(loads.of(values))
        done += len(frames)
        progress(done)

    under_way = passed(
        kernel, block, take, rate_hz=info.rate_hz, cuts=cuts, restarts=restarts,
        at_restart=doubts.accept,
    )  # fmt: skip
    counted = list(doubts.without(found))
    results.add(counted)
    strokes.add(counted)
    rows_found = results.rows()
    span = float(block.t[-1] - block.t[0]) if len(block) else 0.0
    numbers = int(block.numbers[-1] - block.numbers[0]) if len(block) else 0
    return Analysis(
        discipline=discipline,
        marker_set=chosen,
        unused=tuple(
            name for name, canonical in zip(info.labels, labels, strict=True) if canonical is None
        ),
        frames=len(block),
        lost_frames=numbers + 1 - len(block) if len(block) else 0,
        rate_hz=numbers / span if span > 0 else info.rate_hz,
        duration_s=span,
        missing=_missing(block, labels),
        sides=_sides(kernel, rows_found),
        refused=dict(kernel.refused),
        problem=kernel.problem,
        moved=doubts.words(),
        rows=rows_found,
        differences=differences(rows_found),
        per_stroke=_per_stroke(results) if per_stroke else [],
        strokes=strokes,
        under_way=under_way,
    )


def _missing(block: MarkerBlock, labels: Sequence[str | None]) -> dict[str, float]:
    share = np.isnan(block.positions[:, :, 0]).mean(axis=0) if len(block) else np.zeros(len(labels))
    return {
        label: float(part) for label, part in zip(labels, share, strict=True) if label is not None
    }


def _sides(kernel: Kernel, rows: Sequence[ResultRow]) -> dict[str, SideFound]:
    cadence = {row.side: row.mean for row in rows if row.measure == "cadence"}
    if kernel.bike is None:
        return {}
    return {
        side: SideFound(crank, kernel.strokes[side], cadence.get(side, np.nan))
        for side, crank in sorted(kernel.bike.cranks.items())
    }


def _per_stroke(results: RollingResults) -> list[StrokeValue]:
    return [
        StrokeValue(measure, side, event, stroke, t, value)
        for side, event, measures, strokes, times, values in results.values()
        for stroke, t, row in zip(strokes.tolist(), times.tolist(), values.tolist(), strict=True)
        for measure, value in zip(measures, row, strict=True)
    ]
