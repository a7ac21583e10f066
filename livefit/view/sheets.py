"""The sheets of the fitter's window."""

from __future__ import annotations

from collections.abc import Sequence

from livefit.definitions.models import Adjustment, Discipline
from livefit.view import ask_words as words
from livefit.view.asking import Answer, Ask, Choice, ChoiceSheet
from livefit.view.words import UNIT_WORD

STROKES = (5, 10, 15, 20, 30)
SECONDS = 30.0
IN_A_ROW = 3
MORE_KEYS, LESS_KEYS = "1234", "5678"
"""Amounts the ``more`` way and the ``less`` way of an adjustment."""
PART_KEYS = "123456789"


def mark_sheet(adjustments: Sequence[Adjustment]) -> ChoiceSheet:
    """Which part has been moved; then how far, and which way."""
    choices = [
        Choice(a.title, PART_KEYS[i : i + 1], Answer(amount_sheet(a, adjustments)))
        for i, a in enumerate(adjustments)
    ]
    return ChoiceSheet(words.MARK_TITLE, words.MARK_LEAD, in_rows(choices))


def amount_sheet(adjustment: Adjustment, adjustments: Sequence[Adjustment]) -> ChoiceSheet:
    """How far a part has been moved: the ``more`` way above, the ``less`` way below."""
    ways = ((1, MORE_KEYS, adjustment.more), (-1, LESS_KEYS, adjustment.less))
    rows = tuple(
        tuple(
            Choice(
                f"{way} {step:g}{UNIT_WORD[adjustment.unit]}",
                key,
                Answer(None, Ask("mark", {"part": adjustment.name, "amount": sign * step})),
            )
            for step, key in zip(adjustment.steps, keys, strict=False)
        )
        for sign, keys, way in ways
    )
    title = words.AMOUNT_TITLE.format(part=adjustment.title)
    return ChoiceSheet(title, words.AMOUNT_LEAD, rows, back=lambda: mark_sheet(adjustments))


def window_sheet(window: dict[str, float]) -> ChoiceSheet:
    """Over how many strokes, or how long, the averages reach."""
    spans: list[dict[str, float]] = [{"strokes": n} for n in STROKES]
    spans.append({"seconds": SECONDS})
    choices = [
        Choice(
            words.span_words(span),
            str(i + 1),
            Answer(None, Ask("set_window", span)),
            span == window,
        )
        for i, span in enumerate(spans)
    ]
    return ChoiceSheet(words.WINDOW_TITLE, words.WINDOW_LEAD, in_rows(choices))


def discipline_sheet(disciplines: Sequence[Discipline], present: str | None) -> ChoiceSheet:
    """Whose target bands judge."""
    choices = [
        Choice(
            d.title,
            str(i + 1) if i < 9 else "",
            Answer(None, Ask("set_discipline", {"name": d.name})),
            d.name == present,
        )
        for i, d in enumerate(disciplines)
    ]
    return ChoiceSheet(words.DISCIPLINE_TITLE, words.DISCIPLINE_LEAD, in_rows(choices, 1))


def in_rows(choices: list[Choice], across: int = IN_A_ROW) -> tuple[tuple[Choice | None, ...], ...]:
    """The choices in rows of equal length."""
    rows = [choices[i : i + across] for i in range(0, len(choices), across)]
    return tuple((*row, *[None] * (across - len(row))) for row in rows)
