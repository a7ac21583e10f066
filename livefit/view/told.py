"""What the node made of a request, in words."""

from __future__ import annotations

from livefit.definitions.models import Definitions
from livefit.view import words
from livefit.view.ask_words import span_words
from livefit.view.asking import Ask
from livefit.view.chart_words import mark_words
from livefit.wire.messages import Mark


def done_words(ask: Ask, definitions: Definitions) -> str:
    """What has been done."""
    text = words.DONE[ask.op]
    if ask.op == "mark" and not isinstance(ask.args["amount"], str):
        mark = Mark(number=0, t=None, part=ask.args["part"], amount=ask.args["amount"])
        return text.format(mark=mark_words(mark, definitions.adjustments))
    if ask.op == "mark":
        part = definitions.adjustment(ask.args["part"])
        return text.format(mark=words.MOVED.format(part=part.short))
    if ask.op == "set_window":
        return text.format(span=span_words(ask.args))
    if ask.op == "set_discipline":
        return text.format(discipline=definitions.discipline(ask.args["name"]).title)
    return text


def refused_words(ask: Ask, error: str) -> str:
    """What was asked for, and why it was not done."""
    return words.REQUEST_FAILED.format(request=words.REQUESTED[ask.op], error=error)
