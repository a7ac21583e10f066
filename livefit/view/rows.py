"""One row of the table: a measure at an event, left and right."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from livefit.definitions.models import Event, Measure, Side
from livefit.view import words
from livefit.view.numbers import format_value, signed
from livefit.view.scale import Scale
from livefit.wire.change_messages import Against, ChangeRow
from livefit.wire.messages import Row

Key = tuple[str, str, str]
"""Measure, event, side."""


@dataclass(frozen=True)
class Cell:
    """One side of one row; numbers in the measure's unit, None where there is none."""

    side: Side
    n: int
    mean: float | None
    ci: tuple[float, float] | None
    baseline: float | None
    before: float | None
    """The mean as it was at the latest mark."""
    recent: tuple[float, ...]
    """The last strokes, oldest first."""
    value_text: str
    spread_text: str
    """Half width of the 95 % interval of the mean, with the unit."""
    half_text: str
    """The same in a few characters."""
    count_text: str
    needed_text: str
    """Strokes still to come before the mean holds."""
    change_text: str
    """From the baseline; where there is none, from before the mark."""
    change_note: str
    """From before the mark, where the first is from the baseline; else how sure the first is."""
    mark_text: str
    """From before the mark, where the first is from the baseline."""
    change_told: bool
    """Whether the change is more than chance would bring about; so is one not judged yet."""
    verdict: words.Verdict


@dataclass(frozen=True)
class RowView:
    """One measure at one event, left and right (or one cell) on a common scale."""

    measure: str
    event: str
    title: str
    short: str
    event_words: str
    event_short: str
    unit: str
    band: tuple[float, float] | None
    scale: Scale | None
    cells: tuple[Cell, ...]
    stale: bool
    """The numbers are not of this moment: the data are old, or nobody pedals."""
    selected: bool = False

    @property
    def needed_text(self) -> str:
        """Strokes still to come before the means of all sides hold."""
        texts = [cell.needed_text for cell in self.cells]
        if words.TOO_SHORT in texts:
            return words.TOO_SHORT
        more = [int(text) for text in texts if text.startswith("+")]
        if more:
            return words.STROKES_NEEDED.format(count=max(more))
        return words.HOLDS if texts and all(texts) else ""

    @property
    def mark_text(self) -> str:
        """The change from before the mark by side, where the rows show that from the baseline."""
        texts = [cell.mark_text for cell in self.cells if cell.mark_text]
        return words.CHANGE_AT_MARK.format(change="  ".join(texts)) if texts else ""


def sides_of(measure: Measure) -> tuple[Side, ...]:
    """The sides that a measure has a cell for."""
    return ("B",) if measure.sides == "once" else ("L", "R")


def band_of(measure: Measure, event: Event, rows: Mapping[Key, Row]) -> tuple[float, float] | None:
    """Band by which the rows of a measure at an event are judged."""
    found = (rows.get((measure.name, event.name, side)) for side in sides_of(measure))
    return next((_pair(row.band) for row in found if row is not None and row.band), None)


def make_cells(
    measure: Measure,
    event: Event,
    rows: Mapping[Key, Row],
    recent: Mapping[Side, Sequence[float]],
    changes: Mapping[Key, ChangeRow],
) -> tuple[Cell, ...]:
    """The cells of one measure at one event."""
    keys = [(measure.name, event.name, side) for side in sides_of(measure)]
    return tuple(
        _cell(measure, side, rows.get(key), tuple(recent.get(side, ())), changes.get(key))
        for side, key in zip(sides_of(measure), keys, strict=True)
    )


def _cell(
    measure: Measure,
    side: Side,
    row: Row | None,
    recent: tuple[float, ...],
    judged: ChangeRow | None,
) -> Cell:
    mean = None if row is None or row.n == 0 else row.mean
    ci = None if row is None or mean is None else _pair(row.ci95)
    if row is not None and row.left_out:
        verdict, recent = words.VERDICTS["left_out"], ()
    elif row is None or mean is None:
        verdict = words.VERDICTS["no_data"]
    else:
        verdict = words.VERDICTS.get(row.verdict, words.VERDICTS["no_band"])
    half = None if ci is None else (ci[1] - ci[0]) / 2
    unit = "" if mean is None else words.UNIT_WORD[measure.unit]
    value = format_value(mean, measure.decimals)
    baseline = None if row is None else row.baseline
    before = None if row is None else row.before
    since = None if judged is None else (judged.baseline or judged.mark)
    against = (judged.baseline, judged.mark) if judged is not None else (None, None)
    changes = [
        text
        for text in (
            _change(measure, mean, baseline, against[0]), _change(measure, mean, before, against[1])
        )
        if text is not None
    ]  # fmt: skip
    note = words.CHANGE_AT_MARK.format(change=changes[1]) if len(changes) > 1 else ""
    return Cell(
        side=side,
        n=0 if row is None else row.n,
        mean=mean,
        ci=ci,
        baseline=baseline,
        before=before,
        recent=recent,
        value_text=f"{value}°" if measure.unit == "deg" and mean is not None else value,
        spread_text=unit.strip() if half is None else f"±{half:.1f}{unit}",
        half_text="" if half is None else f"±{half:.{1 if half < 9.95 else 0}f}",
        count_text="" if row is None else f"n {row.n}",
        needed_text="" if row is None else words.needed_words(row.needed, row.too_short),
        change_text=changes[0] if changes else "",
        change_note=note or (sureness_words(measure, since) if changes else ""),
        mark_text=changes[1] if len(changes) > 1 else "",
        change_told=since is None or since.verdict == "told",
        verdict=verdict,
    )


def _change(
    measure: Measure, mean: float | None, before: float | None, against: Against | None
) -> str | None:
    """The change of the rolling mean, or that of the trials' means once they are compared."""
    if mean is None or before is None:
        return None
    by = mean - before if against is None or against.by is None else against.by
    decimals = max(measure.decimals, 1 if measure.unit == "deg" else 0)
    return signed(by, decimals) + words.UNIT_WORD[measure.unit]


def sureness_words(measure: Measure, against: Against | None) -> str:
    """``±0.8°``: half the interval of a change; that it may be chance; nothing without either."""
    if against is None or against.ci95 is None:
        return ""
    if against.verdict == "hidden":
        return words.MAY_BE_CHANCE
    half = (against.ci95[1] - against.ci95[0]) / 2
    return f"±{half:.1f}{words.UNIT_WORD[measure.unit]}"


def change_words(row: ChangeRow, against: Against, measure: Measure) -> str:
    """``L −3.1° ±0.8°``; of a change that may be chance no more than how large it can be."""
    unit = words.UNIT_WORD[measure.unit]
    side = words.SIDE_LETTER[row.side] or words.sentence(measure.short)
    if against.verdict == "hidden" and against.smallest is not None:
        smallest = f"{against.smallest:.1f}{unit}"
        return words.NO_CHANGE_SHORT.format(side=side, smallest=smallest)
    if against.by is None:
        return f"{side} {words.NOTHING}"
    by = signed(against.by, max(measure.decimals, 1 if measure.unit == "deg" else 0)) + unit
    return words.CHANGE_SHORT.format(side=side, by=by, half=sureness_words(measure, against))


def _pair(values: list[float] | None) -> tuple[float, float] | None:
    return None if values is None or len(values) != 2 else (values[0], values[1])
