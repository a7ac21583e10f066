"""A measured bicycle found again, and what was changed on it, told."""

from __future__ import annotations

import time
from collections.abc import Callable

from livefit.bicycle.change import READING
from livefit.bicycle.registration import RegistrationError
from livefit.definitions.models import Definitions
from livefit.session.touched import TouchedBicycle, found_by_markers, moved_bicycle
from livefit.view import touch_words as words
from livefit.view.numbers import format_value, signed
from livefit.view.pointer_stream import BIKE, PointerStream
from livefit.view.touching import again_text
from livefit.view.words import UNIT_WORD
from livefit.wire.sockets import Subscriber

AGAIN = ("rear_axle_left", "front_axle_left", "seat_tube_left", "head_top_left")
"""Points that find a moved bicycle again: wide apart, all on one side, none that is adjusted.
Three would do; the fourth shows a mistake."""
MARKERS_S = 2.0
_WAIT_S = 0.05
_SILENT_S = 20.0


def find_by_markers(
    before: TouchedBicycle, known: Definitions, endpoint: str, stopped: Callable[[], bool]
) -> tuple[TouchedBicycle, str]:
    """The bicycle where its markers are now, and in words how far it went.

    Raises
    ------
    RegistrationError
        If its markers do not find it; the text says why.
    TimeoutError
        If no frames come.
    """
    if len(before.markers) < 3:
        raise RegistrationError(
            f"expected three markers on the bicycle when it was measured, labels that begin with "
            f"{BIKE}, found {', '.join(before.markers) or 'none'}. Touch three points instead."
        )
    stream = PointerStream(known.pointer(before.pointer))
    began, heard = None, time.monotonic()
    with Subscriber(endpoint, ["description", "frames"]) as frames:
        while not stopped() and (began is None or time.monotonic() - began < MARKERS_S):
            for _, message in frames.poll(_WAIT_S):
                if stream.take(message) is not None:
                    heard = time.monotonic()
                    began = heard if began is None else began
            if time.monotonic() - heard > _SILENT_S:
                raise TimeoutError(
                    f"expected frames from {endpoint}, found none for {_SILENT_S:g} s. "
                    f"Start the capture process. {stream.problem}".strip()
                )
    placement = found_by_markers(before, stream.bike_markers())
    return moved_bicycle(before, placement), again_text(before, placement)


def told_adjustments(document: TouchedBicycle, known: Definitions) -> list[str]:
    """What the pointer says of each adjustment, beside what was noted, in words."""
    lines = []
    for adjustment in document.adjustments:
        measured = adjustment.measured
        if measured is None:
            continue
        unit = UNIT_WORD[adjustment.unit]
        half = measured.half_width or 0.0
        form = words.AGREES
        if adjustment.mark is None and adjustment.amount == round(measured.value, 2):
            form = words.UNNOTED
        elif abs(measured.value - adjustment.amount) > half + READING[adjustment.unit]:
            form = words.DISAGREES
        lines.append(
            form.format(
                part=known.adjustment(adjustment.part).title,
                noted=signed(adjustment.amount, 1) + unit,
                measured=signed(measured.value, 1),
                half=f"{words.PLUS_MINUS} {format_value(half, 1)}{unit}",
            )
        )
    return lines
