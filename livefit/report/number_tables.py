"""The numbers of a report: strip charts with what stands beside them, and the full table."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from markupsafe import Markup

from livefit.definitions import Definitions
from livefit.report.names import Names
from livefit.report.rows import MeasureRow, SideRow, band_of
from livefit.report.strip import scale_of, strip
from livefit.report.svg import verdict_shape
from livefit.session.models import FitSession, Number

KEY_ROWS = (
    ("knee_flexion", "bdc"),
    ("hip_angle", "minimum"),
    ("ankle_angle", "bdc"),
    ("trunk_inclination", "mean"),
    ("knee_lateral", "range"),
    ("cadence", "mean"),
)
"""Shown with a chart though they have no target."""


@dataclass(frozen=True)
class Line:
    """One side's line, ready to be printed."""

    side: str
    chart: Markup
    before: str
    after: str
    now: str
    change: str
    note: str
    """Whether the change is told."""
    verdict: str
    shape: Markup
    strokes: str


@dataclass(frozen=True)
class Group:
    """One measure at one event."""

    title: str
    event: str
    plain: str
    band: str
    source: int | None
    """Number of the band's source in the list at the end."""
    lines: list[Line]


@dataclass
class Sources:
    """Where the bands come from, numbered as they are first named."""

    session: FitSession
    definitions: Definitions
    names: Names

    def __post_init__(self) -> None:
        self.lines: list[str] = []

    def number(self, row: MeasureRow) -> int | None:
        """Number of the row's source; None without a band."""
        if row.band is None:
            return None
        words, band = self.names.words, band_of(row, self.session, self.definitions)
        if band is None:
            text = words("numbers.own")
        else:
            key = {"published": "published", "from memory": "memory"}.get(band.status, "common")
            text = words(f"method.status.{key}") + (f": {band.source}" if band.source else "")
        if text not in self.lines:
            self.lines.append(text)
        return self.lines.index(text) + 1


def charted(rows: Sequence[MeasureRow]) -> list[MeasureRow]:
    """Rows that get a chart: those with a target, and the few that every fitter looks at."""
    return [row for row in rows if row.band is not None or (row.measure, row.event) in KEY_ROWS]


def groups(
    rows: Sequence[MeasureRow], names: Names, sources: Sources, pictures: Iterator[str], *,
    one: bool, judged: bool = True,
) -> list[Group]:  # fmt: skip
    """Charts with their numbers; ``one``: there is but one trial.

    ``judged``: whether to say if a change is more than chance, which strokes alone cannot tell of
    markers that were put on anew.
    """
    words, made = names.words, []
    for row in rows:
        scale = scale_of(row.numbers, row.band)
        title, event = names.measure(row.measure), names.event(row.event)
        band = row.band and words("numbers.target", band=words.span(*row.band, row.unit))
        lines = []
        for side in row.sides:
            told = words(
                "numbers.chart_title", what=title, when=event, side=words(f"side.{side.side}")
            )
            chart = strip(
                next(pictures), told, side.before, side.after, row.band, scale, words, one=one
            )
            lines.append(_line(row, side, chart, names, judged=judged))
        plain = names.plain_at(row.measure, row.event)
        made.append(
            Group(
                title, event, plain, band or words("numbers.no_target"), sources.number(row), lines
            )
        )
    return made


def mean_words(number: Number | None, names: Names, *, unit: bool = True) -> str:
    """``38.2 ± 0.4°``, or without its unit."""
    words = names.words
    if number is None or number.mean is None:
        return words.number(None)
    behind = words.unit(number.unit) if unit else ""
    if number.ci95 is None:
        return words.number(number.mean) + behind
    half = words.half((number.ci95[1] - number.ci95[0]) / 2)
    pair = words("plus_minus", value=words.number(number.mean), half=half)
    return pair + behind


def change_words(side: SideRow, unit: str, names: Names) -> str:
    """``−3.4 ± 0.6°``."""
    words, change = names.words, side.change
    if change is None:
        return words.number(None)
    pair = words(
        "plus_minus",
        value=words.signed(change.by, "count"),
        half=words.half((change.high - change.low) / 2),
    )
    return pair + words.unit(unit)


def strokes_words(side: SideRow, names: Names) -> str:
    """How many strokes stand behind the numbers: ``30, 32``."""
    counts = [str(n.n) for n in (side.before, side.after) if n is not None]
    return ", ".join(counts)


def _line(row: MeasureRow, side: SideRow, chart: Markup, names: Names, *, judged: bool) -> Line:
    words, now = names.words, side.now
    verdict = "unknown" if now is None else now.verdict
    note = ""
    if judged and row.band is not None and None not in (side.before, side.after):
        key = "unsaid" if side.change is None else "told" if side.told else "chance"
        note = words(f"numbers.{key}")
    shown = (
        words("verdict.none") if now is None or now.mean is None else words(f"verdict.{verdict}")
    )
    return Line(
        side=words(f"side.{side.side}"),
        chart=chart,
        before=mean_words(side.before, names),
        after=mean_words(side.after, names),
        now=mean_words(now, names),
        change=change_words(side, row.unit, names),
        note=note,
        verdict=shown,
        shape=verdict_shape(verdict),
        strokes=strokes_words(side, names),
    )


@dataclass(frozen=True)
class FullCell:
    """One side of a line of the full table."""

    side: str
    before: str
    after: str
    now: str
    change: str


@dataclass(frozen=True)
class FullRow:
    """One line of the full table; what is taken once stands on the left."""

    event: str
    left: FullCell | None
    right: FullCell | None
    strokes: str


def full_table(rows: Sequence[MeasureRow], names: Names) -> list[tuple[str, list[FullRow]]]:
    """Every number, measure by measure; the unit stands in the title."""
    words = names.words
    table: dict[str, list[FullRow]] = {}
    for row in sorted(rows, key=lambda row: _first(rows, row.measure)):
        cells = {side.side: _cell(side, names) for side in row.sides}
        once = "B" in cells
        event = names.event(row.event)
        made = FullRow(
            event=words("numbers.all_once", event=event) if once else event,
            left=cells.get("L", cells.get("B")),
            right=cells.get("R"),
            strokes="; ".join(strokes_words(side, names) for side in row.sides),
        )
        title = f"{names.measure(row.measure)}, {words.unit(row.unit).strip()}"
        table.setdefault(title, []).append(made)
    return list(table.items())


def _cell(side: SideRow, names: Names) -> FullCell:
    return FullCell(
        side=names.words(f"side.{side.side}"),
        before=mean_words(side.before, names, unit=False),
        after=mean_words(side.after, names, unit=False),
        now=mean_words(side.now, names, unit=False),
        change=change_words(side, "count", names),
    )


def _first(rows: Sequence[MeasureRow], measure: str) -> int:
    return next(k for k, row in enumerate(rows) if row.measure == measure)
