"""The sheets on which a mark is looked up again, and what it says is put right."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from livefit.definitions.models import Adjustment
from livefit.view import ask_words as words
from livefit.view.asking import Answer, Ask, Choice, ChoiceSheet, Sheet
from livefit.view.chart_words import mark_words
from livefit.view.noting import NoteSheet
from livefit.view.sheets import PART_KEYS, amount_rows, in_rows, mark_sheet
from livefit.wire.messages import Mark

MOST = 9
"""Marks that the sheet shows, the latest."""
NOTE_KEY, PART_KEY, BACK_KEY = "N", "P", "X"


def amend_sheet(marks: Sequence[Mark], adjustments: Sequence[Adjustment]) -> ChoiceSheet:
    """Which of the last marks, the latest first."""
    if not marks:
        first = Choice(words.MARK_FIRST, "M", Answer(mark_sheet(adjustments)))
        return ChoiceSheet(words.AMEND_TITLE, words.NO_MARKS, ((first,),))
    choices = [
        Choice(_words(mark, adjustments), key, Answer(_one(mark, marks, adjustments)))
        for mark, key in zip(reversed(marks[-MOST:]), PART_KEYS, strict=False)
    ]
    return ChoiceSheet(words.AMEND_TITLE, words.AMEND_LEAD, in_rows(choices, 1))


def _one(mark: Mark, marks: Sequence[Mark], adjustments: Sequence[Adjustment]) -> ChoiceSheet:
    """One mark: another amount, note or part; the latest may be taken back."""

    def again() -> ChoiceSheet:
        return _one(mark, marks, adjustments)

    known = next((a for a in adjustments if a.name == mark.part), None)
    note = NoteSheet(_edit(mark), mark.note, words.AMENDED_NOTE, clears=True)
    last: list[Choice | None] = [Choice(words.OTHER_NOTE, NOTE_KEY, Answer(note))]
    last.append(Choice(words.OTHER_PART, PART_KEY, Answer(_parts(mark, adjustments, again))))
    if mark.number == marks[-1].number:
        last.append(Choice(words.TAKE_BACK, BACK_KEY, Answer(None, Ask("unmark"))))
    rows = [] if known is None else list(_amounts(mark, known))
    wide = max(len(last), *(len(row) for row in rows)) if rows else len(last)
    table = [(*row, *[None] * (wide - len(row))) for row in (*rows, tuple(last))]
    return ChoiceSheet(
        words.ONE_MARK.format(number=mark.number, mark=mark_words(mark, adjustments)),
        mark.note or words.AMEND_LEAD,
        tuple(table),
        back=lambda: amend_sheet(marks, adjustments),
    )


def _parts(mark: Mark, adjustments: Sequence[Adjustment], back: Callable[[], Sheet]) -> ChoiceSheet:
    """Which part it was."""

    def again() -> ChoiceSheet:
        return _parts(mark, adjustments, back)

    choices = []
    for i, part in enumerate(adjustments):
        title = words.AMOUNT_TITLE.format(part=part.title)
        sheet = ChoiceSheet(title, words.AMEND_LEAD, _amounts(mark, part), back=again)
        choices.append(
            Choice(part.title, PART_KEYS[i : i + 1], Answer(sheet), part.name == mark.part)
        )
    return ChoiceSheet(words.MARK_TITLE, words.AMEND_LEAD, in_rows(choices), back=back)


def _amounts(mark: Mark, part: Adjustment) -> tuple[tuple[Choice | None, ...], ...]:
    def answer(amount: float) -> Answer:
        return Answer(None, _edit(mark, part=part.name, amount=amount))

    present = mark.amount if part.name == mark.part else None
    return amount_rows(part, answer, part.steps, present)


def _edit(mark: Mark, **fields: float | str) -> Ask:
    return Ask("edit_mark", {"number": mark.number, **fields})


def _words(mark: Mark, adjustments: Sequence[Adjustment]) -> str:
    text = mark_words(mark, adjustments)
    return f"{text}: {mark.note}" if mark.note else text
