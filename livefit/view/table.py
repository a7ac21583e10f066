"""What a fitter is shown of a snapshot: plain rows and words, for any kind of screen."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal

from livefit.definitions.models import Definitions, Event, Measure, Side
from livefit.view import words
from livefit.view.age import AgeMeter, Freshness, age_words
from livefit.view.scale import Scale, common_scale
from livefit.wire.messages import Row, Snapshot

MISSING_SHARE = 0.01
"""A marker out of sight for a smaller share of the last seconds is not worth a word."""
LOST_SHARE = 0.01
DELAY_MS = 250.0
"""Beyond these the stream is marked as one to look after."""
NOTICE_S = 4.0
MAX_ROWS = 12

Chosen = Sequence[tuple[str, str]]

PREFERRED = (
    (("knee_flexion", "bdc"),),
    (("knee_flexion", "maximum"), ("knee_flexion", "tdc")),
    (("hip_angle", "tdc"), ("hip_angle", "minimum")),
    (("ankle_angle", "bdc"),),
    (("trunk_inclination", "mean"),),
    (("knee_over_spindle", "forward"),),
    (("elbow_flexion", "mean"),),
)
"""The rows shown where the fitter chose none; of alternatives, the first that is defined."""


@dataclass(frozen=True)
class Cell:
    """One side of one row; numbers in the measure's unit, None where there is none."""

    side: Side
    n: int
    mean: float | None
    ci: tuple[float, float] | None
    baseline: float | None
    value_text: str
    spread_text: str
    """Half width of the 95 % interval of the mean, with the unit."""
    count_text: str
    verdict: words.Verdict


@dataclass(frozen=True)
class RowView:
    """One measure at one event, left and right (or one cell) on a common scale."""

    measure: str
    event: str
    title: str
    event_words: str
    unit: str
    band: tuple[float, float] | None
    scale: Scale | None
    cells: tuple[Cell, ...]
    stale: bool
    """The numbers are not of this moment: the data are old, or nobody pedals."""


@dataclass(frozen=True)
class Readout:
    """A captioned number of the header."""

    caption: str
    value: str
    unit: str = ""
    care: bool = False


@dataclass(frozen=True)
class AgeView:
    """How old the data are, as a number, a word and a state."""

    text: str
    word: str
    state: Literal["fresh", "old", "lost", "held"]


def default_chosen(definitions: Definitions) -> list[tuple[str, str]]:
    """The preferred rows, as far as they are defined."""
    defined = {(m.name, event) for m in definitions.measures for event in m.events}
    found = (next((c for c in choice if c in defined), None) for choice in PREFERRED)
    return [chosen for chosen in found if chosen is not None]


def format_value(value: float | None, decimals: int) -> str:
    """``value`` to ``decimals`` places with a true minus sign, and no minus before zero.

    Examples
    --------
    >>> format_value(-0.04, 1), format_value(-12.3, 0), format_value(None, 0)
    ('0.0', '−12', '–')
    """
    if value is None:
        return words.NOTHING
    text = f"{value:.{decimals}f}"
    if float(text) == 0.0:
        text = text.lstrip("-")
    return text.replace("-", words.MINUS)


class TableModel:
    """Rows, header and message of the newest snapshot.

    Parameters
    ----------
    definitions
        Names and words of measures and events.
    chosen
        (measure, event) of each row, from top to bottom; None for the default rows.
    endpoint
        Where the results are expected from, for the words that say none have come.

    Notes
    -----
    All times are of one monotonic clock, in seconds, and come with the calls.
    """

    def __init__(
        self, definitions: Definitions, chosen: Chosen | None = None, *, endpoint: str = ""
    ) -> None:
        self._pairs = _resolve(
            definitions, default_chosen(definitions) if chosen is None else chosen
        )
        self._disciplines = {d.name: d.title for d in definitions.disciplines}
        self._endpoint = endpoint
        self._meter = AgeMeter()
        self._snapshot: Snapshot | None = None
        self._node: tuple[str, str | None, str] | None = None
        self._scales: dict[tuple[str, str], Scale | None] = {}
        self._now: float | None = None
        self._notice: tuple[str, float] | None = None
        self._rows: list[RowView] = []
        self.fault: str | None = None
        """In words, why nothing can be received at all."""
        self.held = False
        self._build_rows()

    def apply_snapshot(self, snapshot: Snapshot, now: float) -> None:
        """Show ``snapshot``, received at ``now``; while the picture is held it is passed over."""
        self._now = now
        if self.held:
            return
        node = (snapshot.node, snapshot.stream, snapshot.discipline)
        if node != self._node:
            if self._node is not None:
                self._start_anew()
            self._node = node
        self._meter.note(snapshot.node, sent=snapshot.sent, now=now)
        self._snapshot = snapshot
        self._build_rows()

    def apply_silence(self, now: float) -> None:
        """Let time pass: the data grow older."""
        self._now = now

    def notify(self, text: str, now: float) -> None:
        """Show a short notice for some seconds."""
        self._notice = (text, now + NOTICE_S)

    def toggle_hold(self) -> None:
        """Hold the picture as it is, or let it go on."""
        self.held = not self.held

    @property
    def rows(self) -> tuple[RowView, ...]:
        """The chosen rows, top to bottom."""
        stale = self._stale()
        return tuple(row if row.stale == stale else replace(row, stale=stale) for row in self._rows)

    @property
    def age(self) -> AgeView:
        """Age of the snapshot shown."""
        if self._snapshot is None or self._now is None:
            return AgeView(words.NOTHING, words.AGE_WORD["lost"], "lost")
        text = age_words(self._meter.age_s(self._now))
        state = "held" if self.held else self._meter.freshness(self._now)
        return AgeView(text, words.AGE_WORD[state], state)

    @property
    def header(self) -> tuple[Readout, ...]:
        """Cadence, strokes, state of the stream and the bands in use."""
        snapshot = self._snapshot
        if snapshot is None:
            captions = (
                words.CADENCE, words.STROKES, words.RATE, words.LOST, words.DELAY, words.DISCIPLINE,
            )  # fmt: skip
            return tuple(Readout(caption, words.NOTHING) for caption in captions)
        health = snapshot.health
        window = words.window_words(snapshot.window)
        strokes = "   ".join(f"{side} {n}" for side, n in sorted(snapshot.strokes.items()))
        share = health.lost / max(health.frames + health.lost, 1)
        return (
            Readout(words.CADENCE, format_value(snapshot.cadence_rpm, 0), "rpm"),
            Readout(f"{words.STROKES}, {window}" if window else words.STROKES,
                    strokes or words.NOTHING),
            Readout(words.RATE, format_value(health.rate_hz, 0), "Hz"),
            Readout(words.LOST, f"{health.lost}", _percent(share), share >= LOST_SHARE),
            Readout(words.DELAY, format_value(health.delay_ms, 0), "ms",
                    health.delay_ms is not None and health.delay_ms >= DELAY_MS),
            Readout(words.DISCIPLINE,
                    self._disciplines.get(snapshot.discipline, snapshot.discipline)),
        )  # fmt: skip

    @property
    def missing(self) -> tuple[str, ...]:
        """Markers out of sight in the last seconds with their share, the worst first."""
        if self._snapshot is None:
            return ()
        shares = self._snapshot.health.missing
        worst = sorted((s for s in shares if shares[s] >= MISSING_SHARE), key=lambda s: -shares[s])
        return tuple(f"{words.marker_words(name)} {100 * shares[name]:.0f} %" for name in worst)

    @property
    def message(self) -> words.Message | None:
        """The one thing that the fitter must know first, if there is any."""
        if self.fault is not None:
            return words.Message("bad", words.CANNOT_RECEIVE, self.fault)
        if self.held:
            return words.Message("care", words.HELD, words.HELD_DETAIL)
        snapshot = self._snapshot
        if snapshot is None:
            detail = words.NO_DATA_YET_DETAIL.format(endpoint=self._endpoint or "the node")
            return words.Message("bad", words.NO_DATA_YET, detail)
        age = self.age
        if age.state == "lost":
            title = words.NO_DATA.format(age=age.text)
            return words.Message("bad", title, words.NO_DATA_DETAIL)
        state = words.STATES.get(snapshot.state)
        if state is not None:
            return words.Message(state.level, state.title, snapshot.problem or state.detail)
        if snapshot.problem:
            return words.Message("care", words.PLEASE_CHECK, snapshot.problem)
        return None

    @property
    def notice(self) -> str | None:
        """The newest notice, while it is to be seen."""
        if self._notice is None or self._now is None or self._now > self._notice[1]:
            return None
        return self._notice[0]

    def _start_anew(self) -> None:
        self._scales.clear()

    def _freshness(self) -> Freshness:
        return "lost" if self._now is None else self._meter.freshness(self._now)

    def _stale(self) -> bool:
        riding = self._snapshot is not None and self._snapshot.state == "riding"
        return not riding or self._freshness() != "fresh"

    def _build_rows(self) -> None:
        found = self._snapshot.rows if self._snapshot is not None else []
        by_key: dict[tuple[str, str, str], Row] = {
            (row.measure, row.event, row.side): row for row in found
        }
        stale = self._stale()
        self._rows = [self._row(measure, event, by_key, stale) for measure, event in self._pairs]

    def _row(
        self,
        measure: Measure,
        event: Event,
        by_key: dict[tuple[str, str, str], Row],
        stale: bool,
    ) -> RowView:
        sides: tuple[Side, ...] = ("B",) if measure.sides == "once" else ("L", "R")
        rows = [by_key.get((measure.name, event.name, side)) for side in sides]
        band = next((_pair(row.band) for row in rows if row is not None and row.band), None)
        means = [row.mean for row in rows if row is not None and row.mean is not None]
        key = (measure.name, event.name)
        self._scales[key] = common_scale(band, means, measure.unit, self._scales.get(key))
        return RowView(
            measure=measure.name,
            event=event.name,
            title=measure.title,
            event_words=event.title,
            unit=measure.unit,
            band=band,
            scale=self._scales[key],
            cells=tuple(_cell(measure, side, row) for side, row in zip(sides, rows, strict=True)),
            stale=stale,
        )


def _cell(measure: Measure, side: Side, row: Row | None) -> Cell:
    mean = None if row is None or row.n == 0 else row.mean
    ci = None if row is None or mean is None else _pair(row.ci95)
    if row is None or mean is None:
        verdict = words.VERDICTS["no_data"]
    else:
        verdict = words.VERDICTS.get(row.verdict, words.VERDICTS["no_band"])
    half = None if ci is None else (ci[1] - ci[0]) / 2
    unit = "" if mean is None else words.UNIT_WORD[measure.unit]
    value = format_value(mean, measure.decimals)
    return Cell(
        side=side,
        n=0 if row is None else row.n,
        mean=mean,
        ci=ci,
        baseline=None if row is None else row.baseline,
        value_text=f"{value}°" if measure.unit == "deg" and mean is not None else value,
        spread_text=unit.strip() if half is None else f"±{half:.1f}{unit}",
        count_text="" if row is None else f"n {row.n}",
        verdict=verdict,
    )


def _percent(share: float) -> str:
    return "<0.1 %" if 0 < share < 0.0005 else f"{100 * share:.1f} %"


def _pair(values: list[float] | None) -> tuple[float, float] | None:
    return None if values is None or len(values) != 2 else (values[0], values[1])


def _resolve(definitions: Definitions, chosen: Chosen) -> list[tuple[Measure, Event]]:
    if len(chosen) > MAX_ROWS:
        raise ValueError(f"a dashboard holds up to {MAX_ROWS} rows, {len(chosen)} were chosen")
    pairs = [(definitions.measure(measure), definitions.event(event)) for measure, event in chosen]
    for measure, event in pairs:
        if event.name not in measure.events and event.kind != "crank":
            raise ValueError(
                f"row {measure.name!r} at {event.name!r}: the measure is not taken at that event; "
                f"it is taken at any crank angle or {', '.join(measure.events)}"
            )
    return pairs
