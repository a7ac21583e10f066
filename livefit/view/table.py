"""What a fitter is shown of a snapshot: plain rows and words, for any kind of screen."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from livefit.definitions import default_rows
from livefit.definitions.models import Definitions, Event, Measure, Side
from livefit.view import words
from livefit.view.age import AgeMeter, Freshness, age_words
from livefit.view.header import AgeView, Readout, header_readouts
from livefit.view.loads import load_shorts, load_words
from livefit.view.rows import Key, RowView, band_of, change_words, make_cells, sides_of
from livefit.view.scale import Scale, common_scale
from livefit.wire.change_messages import Against, ChangeRow, Changes, OfferedMark
from livefit.wire.messages import Mark, Row, Snapshot

MISSING_SHARE = 0.01
"""A marker out of sight for a smaller share of the last seconds is not worth a word."""
NOTICE_S = 4.0
MAX_ROWS = 12
SCREEN = "fitter"
"""Under this name the choice of rows is known to the node, so that every window shows the same."""

Chosen = Sequence[tuple[str, str]]


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
        self.definitions = definitions
        self._own = _resolve(definitions, default_rows(definitions) if chosen is None else chosen)
        self._pairs = self._own
        self._selected: int | None = None
        self._endpoint = endpoint
        self._meter = AgeMeter()
        self._snapshot: Snapshot | None = None
        self._node: tuple[str, str | None] | None = None
        self._scales: dict[tuple[str, str], Scale | None] = {}
        self._now: float | None = None
        self._notice: tuple[str, float] | None = None
        self._rows: list[RowView] = []
        self._changes: Changes | None = None
        self._judged: dict[Key, ChangeRow] = {}
        self.fault: str | None = None
        """In words, why nothing can be received at all."""
        self.held = False
        self._build_rows()

    def apply_snapshot(self, snapshot: Snapshot, now: float) -> None:
        """Show ``snapshot``, received at ``now``; while the picture is held it is passed over."""
        self._now = now
        if self.held:
            return
        node = (snapshot.node, snapshot.stream)
        if node != self._node:
            if self._node is not None:
                self._start_anew()
            self._node = node
        elif self._snapshot is not None and snapshot.discipline != self._snapshot.discipline:
            self._scales.clear()
        self._meter.note(snapshot.node, sent=snapshot.sent, now=now)
        self._snapshot = snapshot
        self._follow(snapshot.chosen.get(SCREEN))
        self._build_rows()

    def apply_changes(self, changes: Changes) -> None:
        """Show what has changed, and what the node offers as a mark; not while it is held."""
        if self.held:
            return
        self._changes = changes
        self._judged = {(row.measure, row.event, row.side): row for row in changes.rows}
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
        return tuple(
            row if row.stale == stale and row.selected == (i == self._selected)
            else replace(row, stale=stale, selected=i == self._selected)
            for i, row in enumerate(self._rows)
        )  # fmt: skip

    @property
    def chosen(self) -> tuple[tuple[str, str], ...]:
        """(measure, event) of each row."""
        return tuple((measure.name, event.name) for measure, event in self._pairs)

    @property
    def rider_chosen(self) -> tuple[tuple[str, str], ...]:
        """(measure, event) of what the rider sees, as far as it is known."""
        chosen = self._snapshot.chosen.get("rider") if self._snapshot is not None else None
        return tuple((pair[0], pair[1]) for pair in chosen or () if len(pair) == 2)

    @property
    def offer(self) -> OfferedMark | None:
        """The oldest change that nobody marked, neither taken nor dropped."""
        changes = self._changes
        return changes.offers[0] if changes is not None and changes.offers else None

    @property
    def marks(self) -> tuple[Mark, ...]:
        """Adjustments that were marked, oldest first."""
        return () if self._snapshot is None else tuple(self._snapshot.marks)

    @property
    def measured(self) -> dict[str, float]:
        """By adjustment: what the markers on the bicycle show since the latest mark."""
        moved = [] if self._snapshot is None else self._snapshot.moved
        return {
            m.part: m.mark
            for m in moved
            if m.mark is not None and m.mark_half is not None and abs(m.mark) > m.mark_half
        }

    @property
    def window(self) -> dict[str, float]:
        """What is averaged over."""
        return {} if self._snapshot is None else self._snapshot.window

    @property
    def discipline(self) -> str | None:
        """Name of the bands in use."""
        return None if self._snapshot is None else self._snapshot.discipline

    @property
    def selected(self) -> int | None:
        """Number of the selected row, from 0."""
        return self._selected

    def select(self, row: int | None) -> None:
        """Select the row of this number, or the nearest there is; None selects none."""
        self._selected = None if row is None else min(max(row, 0), len(self._pairs) - 1)

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
        """Cadence, strokes, state of the stream, recording, the bands in use and the mark."""
        return header_readouts(self._snapshot, self.definitions, self.chosen)

    @property
    def missing(self) -> tuple[str, ...]:
        """Markers out of sight in the last seconds with their share, the worst first."""
        if self._snapshot is None:
            return ()
        shares = self._snapshot.health.missing
        worst = sorted((s for s in shares if shares[s] >= MISSING_SHARE), key=lambda s: -shares[s])
        return tuple(f"{words.marker_words(name)} {100 * shares[name]:.0f} %" for name in worst)

    @property
    def missing_short(self) -> tuple[str, ...]:
        """The worst of them and how many more there are, ever shorter; empty where all are seen."""
        if not self.missing or self._snapshot is None:
            return ()
        shares = self._snapshot.health.missing
        label = max(shares, key=lambda each: shares[each])
        more = f"+{len(self.missing) - 1}" if len(self.missing) > 1 else ""
        name, share = words.marker_letter(label), f"{100 * shares[label]:.0f} %"
        texts = (text.format(name=name, share=share, more=more) for text in words.MISSING_SHORT)
        return tuple(text.strip() for text in texts)

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
            return words.Message("bad", words.NO_DATA_YET, detail, words.NO_DATA_YET_SHORT)
        age = self.age
        if age.state == "lost":
            title = words.NO_DATA.format(age=age.text)
            return words.Message("bad", title, words.NO_DATA_DETAIL, words.NO_DATA_SHORT)
        state = words.STATES.get(snapshot.state)
        if state is not None:
            if snapshot.problem:
                return replace(state, detail=snapshot.problem, short="")
            return state
        if snapshot.problem:
            return words.Message("care", words.PLEASE_CHECK, snapshot.problem)
        if snapshot.warnings:
            return words.Message("care", words.PLEASE_CHECK, ". ".join(snapshot.warnings))
        if self.offer is not None:
            detail = words.OFFER_DETAIL.format(what=words.sentence(self.offer.rows[0].words))
            return words.Message("care", words.OFFER, detail, words.OFFER_SHORT)
        return self._change_message()

    def _change_message(self) -> words.Message | None:
        """What became of the selected row, in words."""
        if self._selected is None:
            return None
        measure, event = self._pairs[self._selected]
        found = [self._judged.get((measure.name, event.name, side)) for side in sides_of(measure)]
        rows = [row for row in found if row is not None]
        baseline = any(row.baseline for row in rows)
        since = [row.baseline if baseline else row.mark for row in rows]
        pairs = [(row, one) for row, one in zip(rows, since, strict=True) if one is not None]
        if not pairs:
            return None
        told = [_change_sentence(row, against, measure) for row, against in pairs]
        short = [change_words(row, against, measure) for row, against in pairs]
        anew = _markers_sentence([against for _, against in pairs], measure)
        title = words.CHANGED_SINCE_BASELINE if baseline else words.CHANGED_SINCE_MARK
        detail = ". ".join([*told, *anew]) + "."
        return words.Message("note", title, detail, ", ".join([*short, *anew]))

    @property
    def loads(self) -> str:
        """How cadence and workload differ, in a sentence; empty where they do not surely."""
        return "" if self._changes is None else load_words(self._changes)

    @property
    def loads_short(self) -> tuple[str, ...]:
        """By how much each of them differs."""
        return () if self._changes is None else load_shorts(self._changes)

    @property
    def notice(self) -> str | None:
        """The newest notice, while it is to be seen."""
        if self._notice is None or self._now is None or self._now > self._notice[1]:
            return None
        return self._notice[0]

    def _start_anew(self) -> None:
        self._scales.clear()
        self._changes = None
        self._judged = {}

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

    def _row(self, measure: Measure, event: Event, rows: dict[Key, Row], stale: bool) -> RowView:
        key = (measure.name, event.name)
        band = band_of(measure, event, rows)
        cells = make_cells(measure, event, rows, self._recent(measure, event), self._judged)
        means = [cell.mean for cell in cells if cell.mean is not None]
        self._scales[key] = common_scale(band, means, measure.unit, self._scales.get(key))
        return RowView(
            measure=measure.name,
            event=event.name,
            title=measure.title,
            short=measure.short,
            event_words=event.title,
            event_short=event.short,
            unit=measure.unit,
            band=band,
            scale=self._scales[key],
            cells=cells,
            stale=stale,
        )

    def _recent(self, measure: Measure, event: Event) -> Mapping[Side, Sequence[float]]:
        """The last strokes by side, where a screen shows them."""
        return {}

    def _follow(self, chosen: Sequence[Sequence[str]] | None) -> None:
        """Show the rows chosen at the node, as far as they are defined here, or else our own."""
        pairs = self._own
        if chosen is not None:
            found = [self._known(pair) for pair in chosen]
            pairs = [pair for pair in found if pair is not None][:MAX_ROWS] or self._own
        if pairs != self._pairs:
            kept = None if self._selected is None else self._pairs[self._selected]
            self._pairs = pairs
            if kept is not None:
                self._selected = pairs.index(kept) if kept in pairs else 0

    def _known(self, pair: Sequence[str]) -> tuple[Measure, Event] | None:
        try:
            measure, event = pair
            return _resolved(self.definitions, measure, event)
        except ValueError:
            return None


def _change_sentence(row: ChangeRow, against: Against, measure: Measure) -> str:
    """A change in words; of one that may be chance no more than how large it can be."""
    if against.verdict != "hidden" or against.smallest is None:
        return words.sentence(against.words)
    smallest = f"{against.smallest:.1f}{words.UNIT_WORD[measure.unit]}"
    side = words.sentence(words.SIDE_WORD.get(row.side, measure.short))
    return words.NO_SURE_CHANGE.format(side=side, smallest=smallest)


def _markers_sentence(sides: Sequence[Against], measure: Measure) -> list[str]:
    """What putting the markers on anew has to do with it; nothing where that was not measured."""
    smallest = [one.anew_smallest for one in sides if one.anew_smallest is not None]
    if any(one.markers == "anew" for one in sides):
        return [words.MARKERS_COUNTED if smallest else words.MARKERS_NOT_COUNTED]
    if not smallest:
        return []
    largest = f"{max(smallest):.1f}{words.UNIT_WORD[measure.unit]}"
    return [words.MARKERS_STAYED.format(smallest=largest)]


def _resolve(definitions: Definitions, chosen: Chosen) -> list[tuple[Measure, Event]]:
    if len(chosen) > MAX_ROWS:
        raise ValueError(f"a dashboard holds up to {MAX_ROWS} rows, {len(chosen)} were chosen")
    return [_resolved(definitions, measure, event) for measure, event in chosen]


def _resolved(definitions: Definitions, name: str, where: str) -> tuple[Measure, Event]:
    measure, event = definitions.measure(name), definitions.event(where)
    if event.name not in measure.events and event.kind != "crank":
        raise ValueError(
            f"row {measure.name!r} at {event.name!r}: the measure is not taken at that event; "
            f"it is taken at any crank angle or {', '.join(measure.events)}"
        )
    return measure, event
