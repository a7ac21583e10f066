"""Control requests: what may be asked of the node, and how its arguments are read."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

from pydantic import ValidationError

from livefit.kernel.rolling import Rolling
from livefit.node.fit import UNKNOWN, Pair
from livefit.node.processing import Processing
from livefit.node.standing import read_bicycle
from livefit.predict import Limit
from livefit.wire.messages import Recorded

Args = dict[str, Any]

MEASURED = "measured"
"""In place of an amount: what the markers on the bicycle show."""
MOST_NOTE = 500
MOST_CHANGES = 12
MOST_TARGETS = 12
HISTORY_STROKES = 600
MOST_HISTORY = 3000
MOST_VALUES = 40_000
"""Of one history request and one side: what is built and packed in a tenth of a second."""


def answer(node: Processing, op: str, args: Args, now: float) -> dict[str, Any]:
    """Carry out a control request and return its result.

    Parameters
    ----------
    node
        Whom it is asked of.
    op, args
        As :data:`OPERATIONS` and the protocol's document have them.
    now
        CLOCK_MONOTONIC, s.

    Raises
    ------
    ValueError
        For an operation or arguments that are not understood; the text says what is expected.
    """
    if op == "status":
        changed = node.changed
        status = node.snapshot(now).model_dump(exclude={"rows", "cranks"})
        node.changed = changed
        return status
    if op == "recording":
        return _recording(node, args, now)
    if op in LONG:
        return begin(node, op, args)()
    if op not in OPERATIONS:
        known = ", ".join(["status", *OPERATIONS, *LONG, "recording", "source"])
        raise ValueError(f"there is no operation {op!r}; known are {known}")
    node.catch_up()
    node.trials.settle()
    result = OPERATIONS[op](node, args)
    node.changed = True
    return result


def begin(node: Processing, op: str, args: Args) -> Callable[[], Args]:
    """What is left of a request of :data:`LONG`, to be called in any thread.

    Raises
    ------
    ValueError
        As `answer`; what is returned raises it, too.
    """
    node.catch_up()
    node.trials.settle()
    return LONG[op](node, args)


def _recording(node: Processing, args: Args, now: float) -> Args:
    """Take what a recorder says; this touches no number."""
    name, ended = args.get("name"), args.get("ended", "")
    if name is None and isinstance(ended, str):
        node.recorder.end(ended[:500])
        return {}
    try:
        recorded = Recorded.model_validate(args)
    except ValidationError as error:
        raise ValueError(f"recording: {error.errors()[0]['msg']}") from error
    node.recorder.take(_text(args, "name")[:200], recorded, now)
    return {}


def _set_window(node: Processing, args: Args) -> Args:
    strokes, seconds = args.get("strokes"), args.get("seconds")
    if (strokes is None) == (seconds is None):
        raise ValueError(f"set_window takes either strokes or seconds, got {sorted(args)}")
    if strokes is not None:
        if isinstance(strokes, bool) or not isinstance(strokes, int | float) or strokes % 1:
            raise ValueError(f"strokes must be a whole number, got {strokes!r}")
        if strokes > MOST_HISTORY:
            raise ValueError(f"strokes must be at most {MOST_HISTORY}, got {strokes:g}")
        return {"window": node.trials.set_window(Rolling(strokes=int(strokes)))}
    return {"window": node.trials.set_window(Rolling(seconds=_finite(args, "seconds")))}


def _restart_window(node: Processing, args: Args) -> Args:
    del args
    node.trials.restart()
    return {}


def _set_baseline(node: Processing, args: Args) -> Args:
    del args
    return {"rows": node.trials.keep_baseline()}


def _clear_baseline(node: Processing, args: Args) -> Args:
    del args
    node.trials.drop_baseline()
    return {}


def _set_discipline(node: Processing, args: Args) -> Args:
    name = args.get("name")
    if not isinstance(name, str):
        raise ValueError(f"set_discipline takes a name as text, got {name!r}")
    node.trials.set_discipline(name)
    return {"discipline": name}


def _mark(node: Processing, args: Args) -> Args:
    amount = _amount_or_measured(args)
    return node.trials.mark(_text(args, "part"), amount, _note(args)).model_dump()


def _edit_mark(node: Processing, args: Args) -> Args:
    number = _whole(args, "number")
    part = _text(args, "part") if "part" in args else None
    amount = _finite(args, "amount") if "amount" in args else None
    note = _note(args) if "note" in args else None
    return node.trials.edit_mark(number, part=part, amount=amount, note=note).model_dump()


def _take_offer(node: Processing, args: Args) -> Args:
    part = _text(args, "part") if "part" in args else UNKNOWN
    amount = 0.0 if part == UNKNOWN else _amount_or_measured(args)
    return node.trials.take_offer(_whole(args, "number"), part, amount, _note(args)).model_dump()


def _drop_offer(node: Processing, args: Args) -> Args:
    node.trials.drop_offer(_whole(args, "number"))
    return {}


def _unmark(node: Processing, args: Args) -> Args:
    del args
    return node.trials.unmark().model_dump()


def _set_band(node: Processing, args: Args) -> Args:
    pair = (_text(args, "measure"), _text(args, "event"))
    node.trials.edit_band(pair, _finite(args, "low"), _finite(args, "high"))
    return {}


def _reset_bands(node: Processing, args: Args) -> Args:
    del args
    node.trials.reset_bands()
    return {}


def _choose(node: Processing, args: Args) -> Args:
    node.trials.fit.choose(_text(args, "screen"), _pairs(args))
    node.trials.look_again()
    return {}


def _bicycle(node: Processing, args: Args) -> Args:
    node.stand(read_bicycle(args) if args else None)
    return {"seat_tube_deg": node.trials.settings.seat_tube_deg}


def _predict(node: Processing, args: Args) -> Args:
    changes = args.get("changes")
    if not isinstance(changes, dict) or not 0 < len(changes) <= MOST_CHANGES:
        raise ValueError(f"predict takes changes, an amount for each part, got {changes!r:.60}")
    found = node.predict({str(part): _finite(changes, part) for part in changes}).document()
    return {key: _with_lists(value) for key, value in found.items()}


def _into_bands(node: Processing, args: Args) -> Callable[[], Args]:
    pairs = [*dict.fromkeys(_pairs(args))]
    if not 0 < len(pairs) <= MOST_TARGETS:
        raise ValueError(f"into_bands takes 1 to {MOST_TARGETS} rows, got {len(pairs)}")
    search = node.into_bands(pairs, _limits(args) if "permitted" in args else None)

    def found() -> Args:
        return {key: _with_lists(value) for key, value in search().items()}

    return found


def _limits(args: Args) -> dict[str, Limit | None]:
    permitted = args["permitted"]
    if not isinstance(permitted, dict) or not 0 < len(permitted) <= MOST_CHANGES:
        raise ValueError(f"permitted must be a map of parts to travel, got {permitted!r:.60}")
    limits: dict[str, Limit | None] = {}
    for part, travel in permitted.items():
        match travel:
            case None:
                limits[part] = None
            case [int() | float() as least, int() | float() as most]:
                limits[part] = Limit(float(least), float(most))
            case _:
                raise ValueError(
                    f"travel of {part!r:.60} must be [least, most] or nil, got {travel!r:.60}"
                )
    return limits


def _history(node: Processing, args: Args) -> Args:
    strokes = args.get("strokes", HISTORY_STROKES)
    if isinstance(strokes, bool) or not isinstance(strokes, int) or not 0 < strokes <= MOST_HISTORY:
        raise ValueError(f"strokes must be a whole number up to {MOST_HISTORY}, got {strokes!r}")
    pairs = [*dict.fromkeys(_pairs(args))]
    if len(pairs) * strokes > MOST_VALUES:
        raise ValueError(
            f"history gives at most {MOST_VALUES} values, rows times strokes; "
            f"asked for {len(pairs)} times {strokes}"
        )
    return {"rows": node.trials.history.rows(pairs, strokes)}


OPERATIONS: dict[str, Callable[[Processing, Args], Args]] = {
    "set_window": _set_window,
    "restart_window": _restart_window,
    "set_baseline": _set_baseline,
    "clear_baseline": _clear_baseline,
    "set_discipline": _set_discipline,
    "mark": _mark,
    "unmark": _unmark,
    "edit_mark": _edit_mark,
    "take_offer": _take_offer,
    "drop_offer": _drop_offer,
    "set_band": _set_band,
    "reset_bands": _reset_bands,
    "choose": _choose,
    "bicycle": _bicycle,
    "predict": _predict,
    "history": _history,
}

LONG: dict[str, Callable[[Processing, Args], Callable[[], Args]]] = {"into_bands": _into_bands}
"""Requests that take too long for frames to wait: what is returned is done in another thread."""


def _with_lists(value: Any) -> Any:
    """A document as messages have it, with lists for tuples."""
    if isinstance(value, dict):
        return {key: _with_lists(each) for key, each in value.items()}
    return [_with_lists(each) for each in value] if isinstance(value, list | tuple) else value


def _amount(args: Args) -> float:
    amount = _finite(args, "amount")
    if amount == 0:
        raise ValueError("amount must not be 0: nothing would have been adjusted")
    return amount


def _amount_or_measured(args: Args) -> float | None:
    """None: what the markers on the bicycle show."""
    return None if args.get("amount") == MEASURED else _amount(args)


def _note(args: Args) -> str:
    note = args.get("note", "")
    if not isinstance(note, str) or len(note) > MOST_NOTE:
        raise ValueError(f"note must be text of at most {MOST_NOTE} characters, got {note!r:.60}")
    return note


def _whole(args: Args, name: str) -> int:
    value = args.get(name)
    if isinstance(value, bool) or not isinstance(value, int):
        raise ValueError(f"{name} must be a whole number, got {value!r}")
    return value


def _finite(args: Args, name: str) -> float:
    value = args.get(name)
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise ValueError(f"{name} must be a number, got {value!r}")
    if not math.isfinite(value):
        raise ValueError(f"{name} must be finite, got {value!r}")
    return float(value)


def _text(args: Args, name: str) -> str:
    value = args.get(name)
    if not isinstance(value, str):
        raise ValueError(f"{name} must be text, got {value!r}")
    return value


def _pairs(args: Args) -> list[Pair]:
    rows = args.get("rows")
    if not isinstance(rows, list):
        raise ValueError(f"rows must be a list of [measure, event], got {rows!r:.60}")
    pairs = []
    for row in rows:
        match row:
            case [str(measure), str(event)]:
                pairs.append((measure, event))
            case _:
                raise ValueError(f"a row must be [measure, event], two texts, got {row!r:.60}")
    return pairs
