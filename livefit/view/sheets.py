"""The sheets of the fitter's window."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from livefit.definitions.models import Adjustment, Discipline
from livefit.view import ask_words as words
from livefit.view.asking import Answer, Ask, Choice, ChoiceSheet
from livefit.view.noting import NoteSheet
from livefit.view.words import UNIT_WORD
from livefit.wire.change_messages import OfferedMark

STROKES = (5, 10, 15, 20, 30)
SECONDS = 30.0
IN_A_ROW = 3
MORE_KEYS, LESS_KEYS = "1234", "5678"
MEASURED_KEY, NOTE_KEY = "9", "N"
MEASURED = "measured"
"""Amounts the ``more`` way and the ``less`` way of an adjustment."""
PART_KEYS = "123456789ABCDEFGH"
"""Digits, then letters that mean nothing else in the sheets of parts."""


def mark_sheet(
    adjustments: Sequence[Adjustment], measured: Mapping[str, float] | None = None
) -> ChoiceSheet:
    """Which part has been moved; then how far, and which way.

    `measured` is what the markers on the bicycle show, by adjustment.
    """
    shown = measured or {}

    def again() -> ChoiceSheet:
        return mark_sheet(adjustments, shown)

    choices = [
        Choice(
            a.title,
            PART_KEYS[i : i + 1],
            Answer(amount_sheet(a, again, measured=shown.get(a.name))),
        )
        for i, a in enumerate(adjustments)
    ]
    return ChoiceSheet(words.MARK_TITLE, words.MARK_LEAD, in_rows(choices))


def offer_sheet(
    offer: OfferedMark,
    adjustments: Sequence[Adjustment],
    measured: Mapping[str, float] | None = None,
) -> ChoiceSheet:
    """Which part was moved when nobody marked it, if any; `measured` as in `mark_sheet`."""
    taken = {"number": offer.number}
    shown = measured or {}

    def again() -> ChoiceSheet:
        return offer_sheet(offer, adjustments, shown)

    choices = [
        Choice(
            a.title,
            PART_KEYS[i : i + 1],
            Answer(amount_sheet(a, again, measured=shown.get(a.name), offer=offer.number)),
        )
        for i, a in enumerate(adjustments)
    ]
    choices.append(Choice(words.UNKNOWN_PART, "0", Answer(None, Ask("take_offer", taken))))
    choices.append(Choice(words.DROP, "X", Answer(None, Ask("drop_offer", taken))))
    what = offer.rows[0].words
    lead = words.OFFER_LEAD.format(what=what[:1].upper() + what[1:])
    return ChoiceSheet(words.OFFER_TITLE, lead, in_rows(choices))


def amount_sheet(
    adjustment: Adjustment,
    back: Callable[[], ChoiceSheet],
    *,
    measured: float | None = None,
    offer: int | None = None,
    noted: bool = False,
) -> ChoiceSheet:
    """How far a part has been moved: the ``more`` way above, the ``less`` way below.

    Parameters
    ----------
    back
        Makes the sheet before.
    measured
        What the markers on the bicycle show.
    offer
        Number of the offer that becomes the mark.
    noted
        Whether a note is asked for after the amount.
    """

    def answer(amount: float | str) -> Answer:
        args = {"part": adjustment.name, "amount": amount}
        ask = Ask("mark", args) if offer is None else Ask("take_offer", {"number": offer, **args})
        return Answer(NoteSheet(ask)) if noted else Answer(None, ask)

    unit = UNIT_WORD[adjustment.unit]
    rows = list(amount_rows(adjustment, answer, adjustment.steps))
    last: list[Choice | None] = []
    if measured is not None:
        way = adjustment.more if measured > 0 else adjustment.less
        text = words.MEASURED.format(way=way, amount=f"{abs(measured):.1f}{unit}")
        last.append(Choice(text, MEASURED_KEY, answer(MEASURED)))
    if not noted:
        with_note = amount_sheet(adjustment, back, measured=measured, offer=offer, noted=True)
        last.append(Choice(words.WITH_NOTE, NOTE_KEY, Answer(with_note)))
    if last:
        rows.append((*last, *[None] * (len(rows[0]) - len(last))))
    title = words.AMOUNT_TITLE.format(part=adjustment.title)
    return ChoiceSheet(title, words.AMOUNT_LEAD, tuple(rows), back=back)


def amount_rows(
    adjustment: Adjustment,
    answer: Callable[[float], Answer],
    steps: Sequence[float],
    present: float | None = None,
) -> tuple[tuple[Choice | None, ...], ...]:
    """The amounts of ``steps``, one way above, the other below; the present one is marked."""
    unit = UNIT_WORD[adjustment.unit]
    return tuple(
        tuple(
            Choice(f"{way} {step:g}{unit}", key, answer(sign * step), sign * step == present)
            for step, key in zip(steps, keys, strict=False)
        )
        for sign, keys, way in (
            (1, MORE_KEYS, adjustment.more), (-1, LESS_KEYS, adjustment.less)
        )
    )  # fmt: skip


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
