"""Everything that is judged, in order."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from livefit.checking.beat import Beat, beat_of
from livefit.checking.body import judge_body
from livefit.checking.clock import judge_clock
from livefit.checking.crank import judge_crank
from livefit.checking.exchanges import judge_exchanges, judge_places
from livefit.checking.findings import Report, Sheet
from livefit.checking.heard import Heard, Series, in_order
from livefit.checking.labels import (
    Markers,
    corrected,
    judge_channels,
    judge_description,
    known_markers,
)
from livefit.checking.missing import judge_hidden, judge_missing
from livefit.checking.noise import judge_noise
from livefit.checking.precision import judge_precision
from livefit.checking.timing import judge_timing
from livefit.definitions import Definitions, Event, Measure
from livefit.frames import FloatArray, IntArray
from livefit.kernel.follower import foot_columns

MANGLED_FAULT = 0.01
"""Share of messages refused from which it is more than a hiccup: each is frames lost."""
FEWEST_FRAMES = 30
"""With fewer there is nothing to say of time or movement."""


@dataclass(frozen=True)
class Wanted:
    """The precision that is wanted: a measure at an event, within so many deg or mm."""

    measure: str = "knee_flexion"
    event: str = "bdc"
    within: float = 1.0


@dataclass(frozen=True)
class Pictured:
    """What a picture of the check shows.

    Attributes
    ----------
    t
        (n,) s: device time without its scatter, since the first frame.
    scatter_s
        (n,) each stamp less the even beat.
    steps
        (n - 1,) steps of the frame number.
    missing
        By marker: (n,) whether it is missing.
    hidden
        By marker: share missing over the crank in equal bins from top dead centre; empty where no
        crank was found.
    """

    t: FloatArray
    scatter_s: FloatArray
    steps: IntArray
    missing: dict[str, NDArray[np.bool_]]
    hidden: dict[str, FloatArray]


def check(
    heard: Heard, known: Definitions, wanted: Wanted | None = None
) -> tuple[Report, Pictured | None]:
    """Judge what came.

    Parameters
    ----------
    heard
        The stream or the recording.
    known
        Marker sets, measures and events.
    wanted
        A precision that noise and rate should suffice for.

    Returns
    -------
    tuple of Report and Pictured or None
        The findings, and what there is to draw of them.

    Raises
    ------
    ValueError
        If the wanted measure or event does not exist, or depends on no marker.
    """
    wanted = wanted or Wanted()
    measure, event = known.measure(wanted.measure), known.event(wanted.event)
    if measure.kind == "cadence":
        raise ValueError(f"{measure.name} rests on no marker: choose an angle or a length")
    if not wanted.within > 0:
        raise ValueError(f"the precision must be above 0 {measure.unit}, got {wanted.within:g}")
    sheet = Sheet()
    _messages(heard, sheet)
    judge_description(heard, sheet)
    frames = sum(stream.frames for stream in heard.streams)
    pictured = None
    stream = max(heard.streams, key=lambda each: each.frames, default=None)
    if stream is not None and stream.frames:
        series = in_order(stream)
        judge_channels(stream.info.channels, sheet)
        if len(series) < FEWEST_FRAMES:
            sheet.find(
                "stall",
                "fault",
                f"At least {FEWEST_FRAMES} frames in a row are needed to judge by; there were "
                f"{len(series)}.",
                "Listen longer, or find out why so few frames come.",
                frames=len(series),
            )
        else:
            beat = beat_of(series)
            sampling = judge_timing(heard, series, beat, sheet)
            judge_clock(heard, series, beat, sheet)
            markers = known_markers(stream, series.positions, known, sheet)
            hidden: dict[str, FloatArray] = {}
            if markers is not None:
                markers = judge_missing(stream, corrected(markers, sheet), sheet)
                series = replace(series, info=replace(series.info, sampling=sampling))
                hidden = _rider(series, beat, markers, (measure, event, wanted.within), sheet)
            pictured = _pictured(series, beat, markers, hidden)
    report = Report(
        source=heard.source,
        live=heard.live,
        seconds=heard.seconds,
        frames=frames,
        looks=tuple(sheet.looks),
        findings=tuple(sheet.findings),
        notes=tuple(heard.notes),
    )
    return report, pictured


def _messages(heard: Heard, sheet: Sheet) -> None:
    frames = sum(stream.frames for stream in heard.streams)
    messages = sum(len(stream.arrivals) for stream in heard.streams) + heard.undescribed
    if heard.live:
        sheet.look(
            "messages", f"{messages} with frames, {heard.refused} refused", "silent", "mangled"
        )
    if heard.refused:
        share = heard.refused / (heard.refused + messages)
        described = any(reason.startswith("message 'description'") for reason in heard.reasons)
        sheet.find(
            "mangled",
            "fault" if described or share > MANGLED_FAULT else "warning",
            f"{heard.refused} messages ({100 * share:.1f} %) do not follow the protocol and were "
            f"refused. The last reason: {heard.reasons[-1]}.",
            "Compare with the bytes at the end of the protocol, field by field.",
            refused=heard.refused,
            share=share,
        )
    streams = len(heard.streams)
    if streams > 1:
        sheet.find(
            "restart",
            "warning",
            f"One stream was expected; {streams} stream ids came. The one with the most frames was "
            "judged.",
            "Find out why the sender starts again, or describes its stream anew: averages begin "
            "anew each time.",
            streams=streams,
        )
    if not frames:
        readable = "that could be read " if heard.refused or heard.undescribed else ""
        sheet.find(
            "silent",
            "fault",
            f"Frames were expected within {heard.seconds:.0f} s; none {readable}came.",
            "Start the sender, compare its address with this one, and let it send the topics "
            "'description' and 'frames' as the protocol has them.",
            seconds=heard.seconds,
        )


def _rider(
    series: Series,
    beat: Beat,
    markers: Markers,
    wanted: tuple[Measure, Event, float],
    sheet: Sheet,
) -> dict[str, FloatArray]:
    """Judge the rider in the frames; returns the share missing over the crank by marker."""
    measure, event, within = wanted
    t = beat.smooth_t - beat.smooth_t[0]
    markers = judge_exchanges(markers, t, sheet)
    judge_places(markers, sheet)
    noise = judge_noise(series, beat, markers, sheet)
    measure = measure.model_copy(update={"events": [event.name]})
    riding = None
    if foot_columns(list(markers.columns)):
        riding = judge_crank(series, markers, beat.rate_hz, t, [measure], [event], sheet)
    judge_body(markers, t, noise, riding.phases if riding else {}, sheet)
    if riding is None:
        return {}
    kept = len(series) / float(series.numbers[-1] - series.numbers[0] + 1)
    judge_precision(riding, markers, noise, kept * beat.rate_hz, measure, event, within, sheet)
    return judge_hidden(markers, riding.phases, sheet)


def _pictured(
    series: Series, beat: Beat, markers: Markers | None, hidden: dict[str, FloatArray]
) -> Pictured:
    names = dict(markers.columns) if markers else {}
    seen = markers.positions if markers else series.positions
    return Pictured(
        t=beat.smooth_t - beat.smooth_t[0],
        scatter_s=beat.scatter_s,
        steps=np.diff(series.numbers),
        missing={name: np.isnan(seen[:, column, 0]) for name, column in names.items()},
        hidden=hidden,
    )
