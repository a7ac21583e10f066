"""``livefit predict``: what a change of the bicycle would do, or what would bring numbers in."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict
from typing import Annotated, Any

import typer
from pydantic import TypeAdapter
from rich.console import Console
from rich.table import Table

from livefit.cli import common
from livefit.cli.posed_files import NamedRider, PosedFiles, adjustment
from livefit.definitions import SIDES, Definitions
from livefit.kernel.plan import DEFAULT_SEAT_TUBE_DEG
from livefit.predict import (
    PUBLISHED,
    Belief,
    Limit,
    Plan,
    Predicted,
    Prediction,
    Target,
    into_bands,
    learned,
    predict,
    words,
)
from livefit.wire.sockets import ControlClient

SEARCH_S = 10.0
"""How long a node may take to look for what brings numbers into bands."""
UNREACHED = 1
"""Exit status when a limb does not reach, or no permitted change brings the numbers in."""


@common.plain_errors
def predict_file(
    file: Annotated[
        str,
        typer.Argument(
            help="Recording: .c3d, .trc, .csv or .mcap, its last trial or FILE#N; or a running "
            "node's control address, tcp://127.0.0.1:47802."
        ),
    ],
    change: Annotated[
        list[str] | None,
        typer.Option(help="PART=AMOUNT, mm or deg: saddle_height=5. May be repeated."),
    ] = None,
    into: Annotated[
        list[str] | None,
        typer.Option(
            "--into-bands",
            help="MEASURE:EVENT, or MEASURE:EVENT=LOW:HIGH: which changes bring it into its band.",
        ),
    ] = None,
    permit: Annotated[
        list[str] | None,
        typer.Option(help="PART, or PART=LEAST:MOST travel left: saddle_height=-30:12."),
    ] = None,
    learn: Annotated[
        list[str] | None,
        typer.Option(help="BEFORE,AFTER,PART=AMOUNT: recordings, or trials, of an earlier change."),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="One JSON document.")] = False,
    every: Annotated[bool, typer.Option(help="Every number, not only those with a band.")] = False,
    discipline: common.Discipline = "road_endurance",
    markers: common.MarkerSet = None,
    seat_tube: common.SeatTube = DEFAULT_SEAT_TUBE_DEG,
    definitions: common.DefinitionsDir = None,
) -> None:
    """Estimate what the next change of the bicycle would do to a rider's numbers."""
    if bool(change) == bool(into):
        raise ValueError(
            "expected either --change PART=AMOUNT or --into-bands MEASURE:EVENT, got "
            f"{'both' if change else 'neither'}"
        )
    known = common.read_definitions(definitions)
    if file.startswith("tcp://"):
        if learn:
            raise ValueError("a running node takes no --learn; it learns from its own marks")
        if into:
            plan = _live_plan(file, into, _limits(permit, known))
            if as_json:
                said = words.plan_words(plan, known)
                typer.echo(json.dumps(plan.document() | {"said": said}, indent=1))
            else:
                shown = {(measure, event) for measure, _, event in (t.partition(":") for t in into)}
                _print_plan(Console(), plan, known, shown)
            if plan.conflict:
                raise typer.Exit(UNREACHED)
            return
        prediction = _live(file, _amounts(change or []))
        if as_json:
            said = _said(prediction, known, discipline)
            typer.echo(json.dumps(prediction.document() | {"said": said}, indent=1))
        else:
            _print_prediction(Console(), prediction, known, discipline, every)
        if not prediction.reaches:
            raise typer.Exit(UNREACHED)
        return

    files = PosedFiles(known, markers, seat_tube)
    named = files.find(file, latest=True)
    rider = named.posed.rider
    belief, notes = _learned(learn or [], files, named, known)
    console = Console()
    if not as_json:
        for note in notes:
            console.print(f"{named.path.name}: {note}", highlight=False)
    if change:
        prediction = predict(rider, _amounts(change), known, belief=belief)
        if as_json:
            said = _said(prediction, known, discipline)
            _echo(named, notes, prediction.document() | {"said": said})
        else:
            _print_prediction(console, prediction, known, discipline, every)
        found = prediction.reaches
    else:
        targets = [_target(text, known, discipline) for text in into or []]
        limits = _limits(permit, known)
        plan = into_bands(rider, targets, known, permitted=limits, belief=belief)
        if as_json:
            _echo(named, notes, plan.document() | {"said": words.plan_words(plan, known)})
        else:
            _print_plan(console, plan, known, {(each.measure, each.event) for each in targets})
        found = not plan.conflict
    if not found:
        raise typer.Exit(UNREACHED)


def _live(address: str, changes: dict[str, float]) -> Prediction:
    with ControlClient(address) as node:
        return TypeAdapter(Prediction).validate_python(
            node.request("predict", {"changes": changes})
        )


def _live_plan(
    address: str, into: Sequence[str], permitted: dict[str, Limit | None] | None
) -> Plan:
    """A plan by the bands in force at the node."""
    rows = []
    for text in into:
        measure, colon, event = text.partition(":")
        if not colon or "=" in event:
            raise ValueError(
                f"of a running node a number is written measure:event, without a band, got {text!r}"
            )
        rows.append([measure, event])
    args: dict[str, Any] = {"rows": rows}
    if permitted is not None:
        args["permitted"] = {
            part: limit and [limit.least, limit.most] for part, limit in permitted.items()
        }
    with ControlClient(address, timeout_s=SEARCH_S) as node:
        return TypeAdapter(Plan).validate_python(node.request("into_bands", args))


def _learned(
    texts: Sequence[str], files: PosedFiles, named: NamedRider, known: Definitions
) -> tuple[Belief, list[str]]:
    """What the marks in the rider's recording teach, and the earlier changes that were named.

    Changes named of the same recording stand in place of its marks. With it what is to be said
    of the rider.
    """
    seen, own, notes = [], True, list(named.notes)
    for text in texts:
        parts = text.split(",")
        if len(parts) < 3:
            raise ValueError(f"--learn is written BEFORE,AFTER,PART=AMOUNT, got {text!r}")
        before, after = (files.find(name.strip()) for name in parts[:2])
        seen.append(adjustment(before.posed, after.posed, _amounts(parts[2:])))
        own = own and named.path.resolve() not in (before.path.resolve(), after.path.resolve())
    if own:
        taught, untaught = files.taught(named)
        seen, notes = [*taught, *seen], notes + untaught
    return learned(seen, known) if seen else PUBLISHED, notes


def _amounts(texts: Sequence[str]) -> dict[str, float]:
    amounts: dict[str, float] = {}
    for text in texts:
        part, equals, number = text.partition("=")
        if not equals:
            raise ValueError(f"a change is written PART=AMOUNT, saddle_height=5, got {text!r}")
        if part.strip() in amounts:
            raise ValueError(f"expected each part once, got {part.strip()} again")
        amounts[part.strip()] = _number(number, text)
    return amounts


def _number(text: str, where: str) -> float:
    try:
        return float(text)
    except ValueError:
        raise ValueError(f"expected a number, got {text!r} in {where!r}") from None


def _target(text: str, known: Definitions, discipline: str) -> Target:
    name, equals, band = text.partition("=")
    measure, colon, event = name.partition(":")
    if not colon:
        raise ValueError(f"a number is written measure:event, knee_flexion:bdc, got {text!r}")
    known.measure(measure)
    place = known.event(event)
    if equals:
        low, colon, high = band.partition(":")
        if not colon:
            raise ValueError(f"a band is written LOW:HIGH, 33:43, got {band!r}")
        return Target(measure, event, _number(low, text), _number(high, text))
    for each in known.discipline(discipline).bands:
        same = each.event == event or (
            place.crank_deg is not None and known.event(each.event).crank_deg == place.crank_deg
        )
        if each.measure == measure and same:
            return Target(measure, event, each.low, each.high)
    raise ValueError(
        f"{discipline} has no band for {measure} at {event}: give one, {measure}:{event}=LOW:HIGH"
    )


def _limits(texts: Sequence[str] | None, known: Definitions) -> dict[str, Limit | None] | None:
    if not texts:
        return None
    limits: dict[str, Limit | None] = {}
    for text in texts:
        part, equals, travel = text.partition("=")
        known.adjustment(part)
        least, colon, most = travel.partition(":")
        if equals and not colon:
            raise ValueError(f"travel is written LEAST:MOST, -30:12, got {text!r}")
        limits[part] = Limit(_number(least, text), _number(most, text)) if equals else None
    return limits


def _echo(named: NamedRider, notes: list[str], document: dict[str, Any]) -> None:
    rider = named.posed.rider
    head = {
        "format": 1, "recording": named.path.name, "trial": named.trial, "notes": notes,
        "sides": {side: asdict(rider.lengths(side)) for side in rider.sides},
    }  # fmt: skip
    typer.echo(json.dumps(head | document, indent=1))


def _said(prediction: Prediction, known: Definitions, discipline: str) -> list[str]:
    """Sentences for the numbers that have a band, and for what does not reach."""
    bands = _banded(known, discipline)
    rows = [row for row in prediction.rows if (row.measure, row.event) in bands]
    return [*map(words.short_words, prediction.short)] + [
        words.row_words(row, known.measure(row.measure), known.event(row.event).kind)
        for row in rows
    ]


def _banded(known: Definitions, discipline: str) -> set[tuple[str, str]]:
    return {(band.measure, band.event) for band in known.discipline(discipline).bands}


def _print_plan(
    console: Console, plan: Plan, known: Definitions, shown: set[tuple[str, str]]
) -> None:
    for sentence in words.plan_words(plan, known):
        console.print(sentence, highlight=False)
    if plan.after_first and plan.more:
        _print_table(console, plan.after_first, known, shown)
    if plan.prediction:
        _print_table(console, plan.prediction, known, shown)
    _print_cautions(console, plan.cautions)


def _print_prediction(
    console: Console, prediction: Prediction, known: Definitions, discipline: str, every: bool
) -> None:
    for sentence in [*map(words.short_words, prediction.short), *prediction.not_predicted]:
        console.print(sentence, highlight=False)
    if prediction.changes:
        shown = None if every else _banded(known, discipline)
        _print_table(console, prediction, known, shown)
    _print_cautions(console, prediction.cautions)


def _print_cautions(console: Console, cautions: Sequence[str]) -> None:
    for caution in cautions:
        console.print(caution, style="dim", highlight=False)


def _print_table(
    console: Console,
    prediction: Prediction,
    known: Definitions,
    shown: set[tuple[str, str]] | None,
) -> None:
    """One line for each number, both sides beside each other; none where nothing can be said."""
    lines: dict[tuple[str, str], dict[str, Predicted]] = {}
    for row in prediction.rows:
        if row.by is not None and (shown is None or (row.measure, row.event) in shown):
            lines.setdefault((row.measure, row.event), {})[row.side] = row
    if not lines:
        return
    titles = ", ".join(
        words.change_words(known.adjustment(part), by) for part, by in prediction.changes.items()
    )
    table = Table(
        title=f"Estimate for {titles}\nnow, and change ± half the 95 % interval; "
        f"said by {prediction.said_by}"
    )
    for heading in ("measure", "at"):
        table.add_column(heading)
    for heading in ("left", "right"):
        table.add_column(heading, justify="right")
    previous = ""
    for (measure, event), sides in lines.items():
        title = f"{known.measure(measure).title}, {known.measure(measure).unit}"
        if previous and title != previous:
            table.add_section()
        cells = [_cell(sides.get(side)) for side in SIDES]
        table.add_row("" if title == previous else title, known.event(event).title, *cells)
        previous = title
    console.print(table)


def _cell(row: Predicted | None) -> str:
    """``36.2  -1.0 ± 0.8``."""
    if row is None or row.now is None or row.by is None or row.high is None:
        return ""
    return f"{row.now:.1f}  {row.by:+.1f} ± {common.half(row.high - row.by)}"
