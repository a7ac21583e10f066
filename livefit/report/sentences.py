"""What a report says in words: changes, findings, and what was not measured."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from livefit.change.difference import Change
from livefit.report.names import Names
from livefit.report.rows import Compared, MeasureRow, SideRow
from livefit.session.left_out import left_out
from livefit.session.models import Adjustment, FitSession, Number

FEW = 10
"""Strokes below which a mean is called thin (10 turns averaged are common practice)."""
APART = 5.0
"""Degrees or mm by which left and right must differ to be told (common practice, no source)."""


@dataclass(frozen=True)
class Sentence:
    """What became of a number: what changed, then from where to where, each with its verdict."""

    head: str
    verdict: str
    details: tuple[tuple[str, str], ...] = ()
    """Verdict and text."""


@dataclass(frozen=True)
class Summary:
    """The first page in words."""

    changed: list[str]
    did: list[Sentence]
    hidden: str
    on_target: str


def summarise(session: FitSession, compared: Compared, names: Names) -> Summary:
    """Say what was changed and what it did."""
    did: list[Sentence] = []
    hidden = []
    for row in compared.banded or compared.rows:
        if compared.after is None:
            did += [_now(row, side, names) for side in row.sides if row.band and _seen(side.now)]
            continue
        did += _told(row, [side for side in row.sides if side.told], names)
        hidden += [
            f"{sided(row, side.side, names)} ({names.when(row.event)})"
            for side in row.sides
            if side.change is not None and row.band is not None and not side.told
        ]
    words = names.words
    return Summary(
        changed=net_changes(session, compared, names),
        did=did,
        hidden=words("summary.hidden", list="; ".join(hidden)) if hidden else "",
        on_target=_on_target(compared, names),
    )


def net_changes(session: FitSession, compared: Compared, names: Names) -> list[str]:
    """Each part that was moved between the two trials, all its steps together."""
    first = -1 if compared.before is None or compared.after is None else compared.before.number
    last = math.inf if compared.after is None else compared.after.number
    total: dict[tuple[str, str], float] = {}
    for trial in sorted(session.trials, key=lambda trial: trial.number):
        for made in trial.adjustments:
            if first < trial.number <= last:
                key = (made.part, made.unit)
                total[key] = total.get(key, 0.0) + made.amount
    return [change_of(part, amount, unit, names) for (part, unit), amount in total.items()]


def change_of(part: str, amount: float, unit: str, names: Names) -> str:
    """``Saddle height: 8 mm up``."""
    words, title = names.words, names.part(part)
    if abs(amount) < 0.05:
        return words("summary.made_none", part=title)
    size = words.short(abs(amount)) + words.unit(unit)
    return words("summary.made", part=title, amount=size, way=names.part_way(part, amount))


def amount_moved(made: Adjustment, names: Names) -> str:
    """``8 mm up``."""
    return way_words(made.part, made.amount, made.unit, names)


def way_words(part: str, amount: float, unit: str, names: Names) -> str:
    """How far a part went, and which way: ``8 mm up``."""
    way = names.part_way(part, amount) if amount else ""
    return f"{names.words.short(abs(amount))}{names.words.unit(unit)} {way}".strip()


def sided(row: MeasureRow, side: str, names: Names) -> str:
    """``Knee, left``; ``LR`` for both sides."""
    what = names.measure_short(row.measure)
    return names.words(f"sided.{side}", what=what[:1].upper() + what[1:])


def size_words(changes: list[Change], unit: str, names: Names) -> str:
    """``3 to 4°``: the ends of the intervals together, as whole sizes."""
    words = names.words
    low, high = min(c.low for c in changes), max(c.high for c in changes)
    near, far = sorted((abs(low), abs(high)))
    if round(near) == round(far) and round(far) > 0:
        return words("summary.about", amount=words.quantity(far, unit, 0))
    if round(near) == 0 or low * high < 0:
        return words("summary.up_to", amount=words.quantity(max(math.ceil(far), 1), unit, 0))
    return words("span", low=words.number(near, 0), high=words.number(far, 0)) + words.unit(unit)


def findings(compared: Compared, names: Names) -> list[Sentence]:
    """What stood out before anything was changed."""
    words, found = names.words, []
    for row, side in _sides(compared.banded):
        number = side.before
        if compared.before is None or number is None or number.mean is None or row.band is None:
            continue
        if number.verdict in ("below", "above", "unsure"):
            text = words(
                "found.outside",
                what=sided(row, side.side, names),
                when=names.when(row.event),
                value=words.quantity(number.mean, row.unit),
                place=words(f"place.{number.verdict}"),
                band=words.span(*row.band, row.unit),
            )
            found.append(Sentence(text, number.verdict))
    return found + list(_uneven(compared, names))


def _uneven(compared: Compared, names: Names) -> Iterator[Sentence]:
    for row in compared.banded:
        sides = {side.side: side.before for side in row.sides}
        left, right = sides.get("L"), sides.get("R")
        if left is None or right is None or left.mean is None or right.mean is None:
            continue
        apart = abs(left.mean - right.mean)
        if apart < APART:
            continue
        words, what = names.words, names.measure_short(row.measure)
        yield Sentence(
            words(
                "found.uneven",
                what=what[:1].upper() + what[1:],
                when=names.when(row.event),
                left=words.quantity(left.mean, row.unit),
                right=words.quantity(right.mean, row.unit),
                apart=words.quantity(apart, row.unit),
            ),
            "unknown",
        )


def unmeasured(session: FitSession, compared: Compared, names: Names) -> list[str]:
    """What is missing from the session, in words."""
    words = names.words
    missing = [words(f"unmeasured.{key}") for key in _missing(session, compared)]
    for row, side in _sides(compared.banded):
        number = side.now
        if number is not None and number.mean is not None and number.n < FEW:
            what, when = names.measure(row.measure), names.when(row.event)
            side_word = words(f"side.{side.side}")
            missing.append(words("unmeasured.few", what=what, when=when, n=FEW, side=side_word))
    unsure = [
        f"{sided(row, side.side, names)} ({names.when(row.event)})"
        for row, side in _sides(compared.banded)
        if side.now is not None and side.now.verdict == "unsure"
    ]
    if unsure:
        missing.append(words("unmeasured.unsure_rows", list="; ".join(unsure)))
    by_hand = [a for trial in session.trials for a in trial.adjustments if a.measured is None]
    missing += _not_again(session, names)
    if by_hand:
        titles = dict.fromkeys(names.part(made.part) for made in by_hand)
        missing.append(words("unmeasured.adjustment_measured", list=", ".join(titles)))
    return missing


def _not_again(session: FitSession, names: Names) -> Iterator[str]:
    """What was taken before the changes and not after them."""
    left, before = left_out(session), session.set_up_before
    if before is None:
        return
    for state in ("kept", "open"):
        titles = [
            names.dimension(name) if name in before.dimensions else names.fitted(name)
            for name, found in left.items()
            if found == state
        ]
        if titles:
            yield names.words(f"unmeasured.{state}", list=", ".join(titles))


def _missing(session: FitSession, compared: Compared) -> Iterator[str]:
    trials = [trial for trial in (compared.before, compared.after) if trial is not None]
    if not trials:
        yield "trials"
    elif compared.after is None:
        yield "after"
    seen = [{n.side for n in t.numbers if n.n and n.side != "B"} for t in trials]
    for side, name in (("L", "left"), ("R", "right")):
        absent = [side not in each for each in seen]
        if absent and all(absent):
            yield name
        elif any(absent):
            yield f"{name}_before" if absent[0] else f"{name}_after"
    if trials and not any(trial.pose for trial in trials):
        yield "pose"
    if trials and not any(trial.cycles for trial in trials):
        yield "cycles"
    if trials and not any(trial.workload_w is not None for trial in trials):
        yield "workload"
    if session.bicycle is None:
        yield "bicycle"
    before, after = session.set_up_before, session.set_up_after
    if not any(each is not None and each.dimensions for each in (before, after)):
        yield "set_up"
    elif after is None:
        yield "set_up_after"
    if not session.interview:
        yield "interview"
    if not session.examination:
        yield "examination"


def _told(row: MeasureRow, sides: list[SideRow], names: Names) -> list[Sentence]:
    """What became of the sides whose change is told: together where they went the same way."""
    changes = [side.change for side in sides if side.change is not None]
    if not changes:
        return []
    if len({change.by > 0 for change in changes}) > 1:
        return [each for side in sides for each in _told(row, [side], names)]
    words = names.words
    head = words(
        "summary.told",
        what=sided(row, "".join(side.side for side in sides), names),
        when=names.when(row.event),
        amount=size_words(changes, row.unit, names),
        way=names.way(row.measure, row.event, changes[0].by),
    )
    details = tuple(_from_to(row, side, names, named=len(sides) > 1) for side in sides)
    return [Sentence(head, details[0][0], details)]


def _from_to(row: MeasureRow, side: SideRow, names: Names, *, named: bool) -> tuple[str, str]:
    words = names.words
    before, after = (
        words.quantity(None if n is None else n.mean, row.unit) for n in (side.before, side.after)
    )
    verdict = "unknown" if side.after is None else side.after.verdict
    key = "summary.was_plain" if verdict == "unknown" else "summary.was"
    text = words(key, before=before, after=after, place=words(f"place.{verdict}"))
    if named:
        text = words("summary.was_side", side=words(f"side.{side.side}"), text=text)
    return verdict, text


def _now(row: MeasureRow, side: SideRow, names: Names) -> Sentence:
    words, number = names.words, side.now
    verdict = "unknown" if number is None else number.verdict
    text = words(
        "summary.is_plain" if verdict == "unknown" else "summary.is",
        what=sided(row, side.side, names),
        when=names.when(row.event),
        value=words.quantity(None if number is None else number.mean, row.unit),
        place=words(f"place.{verdict}"),
    )
    return Sentence(text, verdict)


def _seen(number: Number | None) -> bool:
    return number is not None and number.mean is not None


def _on_target(compared: Compared, names: Names) -> str:
    now = [side.now for row, side in _sides(compared.banded)]
    judged = [number for number in now if number is not None and number.mean is not None]
    if not judged:
        return ""
    inside = sum(number.verdict == "within" for number in judged)
    key = "summary.on_target." + ("one" if len(judged) == 1 else "many")
    return names.words(key, inside=inside, n=len(judged))


def _sides(rows: tuple[MeasureRow, ...]) -> Iterator[tuple[MeasureRow, SideRow]]:
    for row in rows:
        for side in row.sides:
            yield row, side
