"""Rate, scatter of the stamps, lost and repeated frames, stalls, new beginnings."""

from __future__ import annotations

import numpy as np

from livefit.checking.beat import Beat
from livefit.checking.findings import Sheet, level_of, times
from livefit.checking.heard import Heard, Series
from livefit.checking.stamps import stamps_followed
from livefit.frames import Sampling

RATE_WARNING, RATE_FAULT = 0.005, 0.05
"""Relative error of the stated rate. Angles do not suffer (a stroke's window scales along), but
cadence does where the numbers stand for time: 0.5 % is 0.45 rpm at 90 rpm. With 5 % the search for
the crank and the limits of a stroke are off too."""

CHANGE_WARNING, CHANGE_FAULT = 0.01, 0.05
"""Relative change of the rate in mid-stream. Within one stroke of 667 ms a change of 1 % shifts
frames by up to 2 ms against the even beat that the numbers promise: 0.7 deg of knee flexion where
it changes fastest (350 deg/s at 90 rpm)."""

JITTER_WARNING_S, JITTER_FAULT_S = 0.002, 0.010
"""Scatter of the stamps about an even beat. It costs no angle, but a stroke's duration is known
to sqrt(2) of it: 2 ms are 0.4 % of a stroke at 90 rpm, 0.4 rpm; from 10 ms on stamps of
neighbouring frames cross and the cadence of a single stroke says nothing (2 rpm)."""

UNEVEN_WARNING_S, UNEVEN_FAULT_S = 0.0005, 0.003
"""Scatter that is read the wrong way (true instants taken for an even beat, or the reverse). A knee
that turns by 350 deg/s is then wrong by 0.2 deg a frame with 0.5 ms and by 1 deg with 3 ms."""

STRAY_S, STRAY_WARNING, STRAY_FAULT = 0.1, 0.0005, 0.05
"""A stamp so far off its neighbours, and the share of them: each puts an event that rests on it at
another time. One in twenty reaches every stroke."""

LOST_WARNING, LOST_FAULT = 0.005, 0.10
"""Share of frames lost. Angles bear it (the noise of an event grows with 1/sqrt(1 - share), 5 % for
one in ten), but a local link loses none: something is too slow. From one in ten on strokes are
set aside."""

LONGEST_GAP_S = 0.100
"""A gap of 54 deg of crank at 90 rpm. From 90 deg on (167 ms) the stroke is set aside."""

BURSTY = 2.0
"""Mean length of the gaps over that of independent losses, 1 / (1 - share), from which losses
come in bursts (Gilbert EN 1960, Bell Syst Tech J 39:1253-1265)."""

AGAIN_FAULT = 0.01
"""Share of frames repeated or late. They are dropped, each is a frame lost."""

STALL_WARNING_S, STALL_FAULT_S = 0.5, 3.0
"""A pause. 0.5 s is most of a stroke; after 1 s the stream counts as silent; 3 s are what a fitter
takes for a crash."""

ENDED_S = 2.0
"""Silence at the end of listening that is no chance: 1 s counts as silent."""


def judge_timing(heard: Heard, series: Series, beat: Beat, sheet: Sheet) -> Sampling:
    """Judge the numbers and time stamps of the longest part; returns what the stamps really are."""
    _rate(series, beat, sheet)
    sampling = _jitter(series, beat, sheet)
    _gaps(series, beat, sheet)
    _repeats(series, sheet)
    _stalls(heard, series, beat, sheet)
    _beginnings(series, sheet)
    return sampling


def _rate(series: Series, beat: Beat, sheet: Sheet) -> None:
    stated, rate = series.info.rate_hz, beat.rate_hz
    sheet.look("frame rate", f"{rate:.2f} Hz, stated {stated:g} Hz", "rate_wrong", "rate_changed")
    level = level_of(abs(rate / stated - 1.0), RATE_WARNING, RATE_FAULT)
    if level:
        sheet.find(
            "rate_wrong",
            level,
            f"The description states {stated:g} frames a second; by numbers and time stamps there "
            f"are {rate:.2f}.",
            "State the rate at which the device really samples (rate_hz), or correct its stamps.",
            stated_hz=stated,
            found_hz=rate,
        )
    if len(beat.rates_hz) < 4:
        return
    rates = np.array(
        [np.median(beat.rates_hz[max(k - 1, 0) : k + 2]) for k in range(len(beat.rates_hz))]
    )
    low, high = float(rates.min()), float(rates.max())
    level = level_of(high / low - 1.0, CHANGE_WARNING, CHANGE_FAULT)
    if level and series.info.sampling == "stamped":
        level = "note"
    if level:
        k = int(np.argmax(np.abs(np.diff(np.log(rates)))))
        at = float(0.5 * (beat.rates_at_s[k] + beat.rates_at_s[k + 1]))
        sheet.find(
            "rate_changed",
            level,
            f"One rate was expected throughout; it went from {rates[k]:.2f} to "
            f"{rates[k + 1]:.2f} frames a second about {at:.0f} s after the first "
            f"frame (slowest {low:.2f}, fastest {high:.2f}).",
            "Fix the rate in the device (automatic exposure and thermal throttling change it); if "
            "it must change, begin a new stream with a new description.",
            slowest_hz=low,
            fastest_hz=high,
            at_s=at,
        )


def _jitter(series: Series, beat: Beat, sheet: Sheet) -> Sampling:
    sd = beat.jitter_s
    worst = float(np.abs(beat.scatter_s).max())
    sheet.look("time stamps", f"scatter {1e3 * sd:.2f} ms, at most {1e3 * worst:.1f} ms", "jitter")
    _strays(beat, sheet)
    stated = series.info.sampling
    followed = stamps_followed(series, beat) if sd > 0.5 * UNEVEN_WARNING_S else None
    if followed is not None and (followed > 0.5) == (stated == "periodic"):
        return _misread(stated, followed, sd, sheet)
    level = level_of(sd, JITTER_WARNING_S, JITTER_FAULT_S) if stated == "periodic" else None
    if level:
        sheet.find(
            "jitter",
            level,
            f"The stamps scatter by {1e3 * sd:.1f} ms (standard deviation) about an even beat, at "
            f"most {1e3 * worst:.0f} ms; {1e3 * JITTER_WARNING_S:g} ms at most were expected.",
            "Stamp frames in the device or its driver, not where they arrive.",
            sd_ms=1e3 * sd,
            worst_ms=1e3 * worst,
        )
    return stated


def _strays(beat: Beat, sheet: Sheet) -> None:
    stray = np.abs(beat.scatter_s) > max(STRAY_S, 8 * beat.jitter_s)
    share, worst = float(stray.mean()), float(np.abs(beat.scatter_s).max())
    level = level_of(share, STRAY_WARNING, STRAY_FAULT)
    if level:
        sheet.find(
            "jitter",
            level,
            f"{stray.sum()} of {len(stray)} stamps lie more than {1e3 * STRAY_S:.0f} ms off those "
            f"of their neighbours, by up to {worst:.2f} s.",
            "Stamp every frame from one steady clock, of the instant of exposure.",
            stray_share=share,
            worst_s=worst,
        )


def _misread(stated: Sampling, followed: float, sd: float, sheet: Sheet) -> Sampling:
    """Stamps that are not what the description says; returns what they are."""
    really: Sampling = "stamped" if stated == "periodic" else "periodic"
    how = "at the stamped instants" if really == "stamped" else "evenly"
    level = level_of(sd, UNEVEN_WARNING_S, UNEVEN_FAULT_S)
    if level:
        sheet.find(
            "jitter",
            level,
            f"The stream is described as {stated!r}, but the markers move as if the frames had "
            f"been taken {how}: the stamps scatter by {1e3 * sd:.1f} ms (standard deviation), and "
            f"the positions follow them to {100 * np.clip(followed, 0, 1):.0f} %. The rest was "
            f"judged as {really!r}.",
            f"Describe the stream as sampling = {really!r}; better, sample evenly and stamp so.",
            sd_ms=1e3 * sd,
            followed=followed,
        )
    return really


def _gaps(series: Series, beat: Beat, sheet: Sheet) -> None:
    steps = np.diff(series.numbers) - 1
    unnumbered = np.where(beat.jumps_s < STALL_WARNING_S, beat.jumps_s, 0.0)
    unnumbered = np.rint(np.maximum(unnumbered, 0.0) / beat.period_s).astype(np.int64)
    if series.info.sampling == "stamped":
        unnumbered[:] = 0
    lengths = (steps + unnumbered)[steps + unnumbered > 0]
    lost = int(lengths.sum())
    share = lost / (len(series) + lost)
    longest = int(lengths.max(initial=0))
    told = f"{lost} ({100 * share:.2f} %), at most {longest} at once" if lost else "none"
    sheet.look("lost frames", told, "gaps")
    if not lost:
        return
    mean = float(lengths.mean())
    bursty = mean > BURSTY / (1.0 - share)
    longest_s = longest * beat.period_s
    level = level_of(share, LOST_WARNING, LOST_FAULT) or "note"
    if level == "note" and longest_s > LONGEST_GAP_S:
        level = "warning"
    without = int(unnumbered.sum())
    if without:
        level = "fault"
    how = (
        f"in bursts of {mean:.1f} frames on average" if bursty else "one here and there, at random"
    )
    unsaid = f" {without} of them left no hole in the numbers." if without else ""
    sheet.find(
        "gaps",
        level,
        f"No frame should be lost; {lost} of {len(series) + lost} were ({100 * share:.2f} %), "
        f"{how}, the longest gap {1e3 * longest_s:.0f} ms.{unsaid}",
        (
            "A lost frame must keep its number: count frames where they are taken. "
            if without
            else ""
        )
        + (
            "Bursts come from a sender or network that pauses: look for other load, power saving "
            "and wireless links."
            if bursty
            else "Scattered losses come from a link that drops packets or a camera at its limit: "
            "use a cable, or a lower rate."
        ),
        lost=lost,
        share=share,
        longest_s=longest_s,
        mean_length=mean,
        bursty=float(bursty),
        unnumbered=without,
    )


def _repeats(series: Series, sheet: Sheet) -> None:
    again = series.duplicates
    frozen = _frozen(series)
    sheet.look(
        "numbers",
        f"{again} repeated, {series.late} late, {frozen} frames like the one before",
        "duplicates",
        "disorder",
    )
    if again:
        sheet.find(
            "duplicates",
            "fault" if again > AGAIN_FAULT * len(series) else "warning",
            f"Every number should come once; {again} frames came with a number that had come.",
            "Send each frame once; look for a second sender or a driver that sends again.",
            repeated=again,
        )
    if frozen:
        share = frozen / len(series)
        sheet.find(
            "duplicates",
            "fault" if share > LOST_FAULT else "warning",
            f"{frozen} frames ({100 * share:.1f} %) hold exactly the positions of the frame "
            "before, under a new number: old data sent again.",
            "Send what was measured, at the rate at which it was measured.",
            frozen=frozen,
            share=share,
        )
    if series.late:
        sheet.find(
            "disorder",
            "fault" if series.late > AGAIN_FAULT * len(series) else "warning",
            f"Numbers must rise from message to message; {series.late} frames came after a later "
            f"one, by up to {series.latest_by} frames. They are dropped.",
            "Send frames in order over one connection; wait for a late one at the sender.",
            late=series.late,
            latest_by=series.latest_by,
        )


def _frozen(series: Series) -> int:
    """Frames in which every marker seen stands exactly where it stood in the frame before."""
    before, after = series.positions[:-1], series.positions[1:]
    gone = np.isnan(after)
    same = ((before == after) | (gone & np.isnan(before))).all(axis=(1, 2))
    return int(np.count_nonzero(same & ~gone.all(axis=(1, 2))))


def _stalls(heard: Heard, series: Series, beat: Beat, sheet: Sheet) -> None:
    waits = np.diff(np.maximum.accumulate(series.at)) if heard.live else np.empty(0)
    paused = np.diff(series.numbers) * beat.period_s + beat.jumps_s
    lengths = [float(pause) for pause in waits[waits > STALL_WARNING_S]]
    if not lengths:
        lengths = [float(pause) for pause in paused[paused > STALL_WARNING_S]]
    ended = heard.ended_s if heard.live and heard.ended_s > ENDED_S else 0.0
    longest = max([*lengths, ended], default=0.0)
    sheet.look("pauses", f"longest {longest:.1f} s" if longest else "none", "stall")
    if not longest:
        return
    told = []
    if lengths:
        told.append(f"it paused {times(len(lengths))}, at most {max(lengths):.1f} s")
    if ended:
        told.append(f"it fell silent: nothing came in the last {ended:.1f} s")
    sheet.find(
        "stall",
        "fault" if ended or longest > STALL_FAULT_S else "warning",
        f"A steady stream was expected; {', and '.join(told)}.",
        "See whether the device, its driver or the sender waits for something or has stopped; a "
        "sender must not block on a slow reader.",
        stalls=len(lengths),
        longest_s=longest,
        ended_s=ended,
    )


def _beginnings(series: Series, sheet: Sheet) -> None:
    sheet.look("new beginnings", times(series.anew) if series.anew else "none", "restart")
    if series.anew:
        sheet.find(
            "restart",
            "fault",
            f"Numbers and device time must go on rising within a stream; they began anew "
            f"{times(series.anew)}. The frames after it are dropped, or averages begin anew.",
            "Give every start of the device a stream id of its own, and never set its clock.",
            times=series.anew,
        )
