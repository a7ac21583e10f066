"""``livefit replacing``: how much numbers differ when the markers are put on anew."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from itertools import combinations
from typing import Annotated

import typer
from rich.console import Console
from rich.markup import escape
from rich.table import Table

from livefit.analysis.placements import placements_of, replacing_toml, trial_means
from livefit.change.placed import STAYED_MM, Segment, farthest_off
from livefit.change.replacing import Spot, Spread, TrialMean, spreads_between
from livefit.change.trials import CADENCE, Key
from livefit.cli import common
from livefit.cli.opening import FilesAt, StoreAt, day, opened
from livefit.cli.trial_files import TrialFiles
from livefit.definitions import Definitions, default_rows, own_dir
from livefit.definitions.loader import REPLACING
from livefit.definitions.replacing import FEWEST_PLACEMENTS
from livefit.kernel.correlation import FEWEST
from livefit.kernel.plan import DEFAULT_SEAT_TUBE_DEG
from livefit.private_files import make_private_directory, write_private
from livefit.session.models import FitSession, Number, Trial

ALIKE_RPM = 5.0
"""Cadences further apart are told of: common practice, no source."""
WELL_KNOWN = 5
"""From fewer placements t is above 2.8 for one side; common practice, no source."""
EXPECTED = (
    f"expected {FEWEST_PLACEMENTS} placements or more, each ridden after the markers were taken "
    "off and put on again"
)


@dataclass(frozen=True)
class _Placed:
    """A trial, ridden with a placement of its own."""

    name: str
    means: Mapping[Key, TrialMean]
    lengths: Mapping[Segment, float] = field(default_factory=dict)

    @property
    def cadence_rpm(self) -> float:
        found = [m.mean for (measure, _, event), m in self.means.items()
                 if (measure, event) == CADENCE]  # fmt: skip
        return found[0] if found else math.nan


@common.plain_errors
def replacing(
    files: Annotated[
        list[str] | None,
        typer.Argument(
            help="Recordings, one of each placement; FILE#2 for trial 2 of one, from 0.",
            metavar="FILE",
        ),
    ] = None,
    session: Annotated[
        str | None, typer.Option(help="In place of files: id of a session, for its trials.")
    ] = None,
    trial: Annotated[
        list[int] | None, typer.Option(help="Of the session: this trial; repeat it for several.")
    ] = None,
    fitter: Annotated[
        str | None, typer.Option(help="Whose hands put the markers on; else the studio's fitter.")
    ] = None,
    on: Annotated[str | None, typer.Option("--date", help="As 2026-03-09; else today.")] = None,
    every: Annotated[bool, typer.Option("--all", help="Show every row.")] = False,
    write: Annotated[
        bool, typer.Option("--write/--no-write", help="Write the file, or show the table only.")
    ] = True,
    overwrite: Annotated[
        bool, typer.Option("--overwrite", help="Write over what was measured before.")
    ] = False,
    markers: common.MarkerSet = None,
    seat_tube: common.SeatTube = DEFAULT_SEAT_TUBE_DEG,
    definitions: common.DefinitionsDir = None,
    store: StoreAt = None,
    store_files: FilesAt = None,
) -> None:
    """Measure how much the numbers differ when you take the markers off and put them on again.

    Leave the bicycle and the load as they are. Put the markers on, let the rider settle, record a
    minute; take every marker off and begin again: three times at least, better five or more.
    What comes out is written to replacing.toml in your own directory, and counts wherever a
    change is told across markers put on anew. The rider sits down anew each time: what that
    does is in it too.
    """
    known = common.read_definitions(definitions)
    if bool(files) == (session is not None):
        raise ValueError(f"give recordings, or --session ID: {EXPECTED}")
    when = day(on) or date.today()
    target = own_dir(definitions) / REPLACING
    if write and not overwrite and target.exists():
        raise ValueError(
            f"{target} is there already: --overwrite measures anew, --no-write only shows"
        )
    if session is not None:
        with opened(store, store_files) as kept:
            placed = _of_session(kept.get(session).session, trial, known)
    else:
        placed = _of_files(files or [], TrialFiles(known, markers, seat_tube))
    if len(placed) < FEWEST_PLACEMENTS:
        raise ValueError(f"{EXPECTED}, got {len(placed)}")
    spreads = spreads_between([each.means for each in placed])
    if not spreads:
        raise ValueError(
            f"no row has {FEWEST} strokes or more in {FEWEST_PLACEMENTS} of the trials: "
            + "; ".join(_ridden(each) for each in placed)
        )
    console = Console()
    _print(console, placed, spreads, known, every=every)
    if write:
        who = known.studio.fitter if fitter is None else fitter
        found = placements_of(spreads, known, when, who)
        make_private_directory(target.parent)
        write_private(target, replacing_toml(found, spreads))
        rows = sum(len(one.at) for one in found)
        told = f"Written: {rows} rows of {len(found)} measures, {target}"
        console.print(escape(told), highlight=False)
    console.print(common.CAUTION, style="dim")


def _of_files(files: Sequence[str], read: TrialFiles) -> list[_Placed]:
    found = [read.find(text) for text in files]
    paths = [each.path.resolve() for each in found]
    for k, path in enumerate(paths):
        if path in paths[:k]:
            raise ValueError(
                f"{path.name} is given twice, and between two trials of one recording the bicycle "
                f"was changed: {EXPECTED}, on the bicycle as it is"
            )
    return [_Placed(each.name, trial_means(each.trial.strokes), each.lengths) for each in found]


def _of_session(
    session: FitSession, wanted: Sequence[int] | None, known: Definitions
) -> list[_Placed]:
    """The chosen trials of a session, or all; the bicycle must not have changed in between."""
    there = {trial.number: trial for trial in session.trials}
    numbers = sorted(set(wanted)) if wanted else sorted(there)
    for number in numbers:
        if number not in there:
            known_ones = ", ".join(map(str, sorted(there))) or "none"
            raise ValueError(f"there is no trial {number} in it; expected of: {known_ones}")
    for number in sorted(there):
        if numbers and numbers[0] < number <= numbers[-1] and there[number].adjustments:
            change = there[number].adjustments[0]
            title = known.adjustment(change.part).title.lower()
            raise ValueError(
                f"before trial {number} the bicycle was changed, {title} {change.amount:+g} "
                f"{change.unit}: expected the bicycle unchanged. Choose trials with --trial"
            )
    return [_Placed(f"trial {number}", _numbers(there[number])) for number in numbers]


def _numbers(trial: Trial) -> dict[Key, TrialMean]:
    return {(n.measure, n.side, n.event): mean for n in trial.numbers if (mean := _mean(n))}


def _mean(number: Number) -> TrialMean | None:
    if number.mean is None or number.sd is None or number.n < FEWEST:
        return None
    return TrialMean(number.mean, number.sd, number.n)


def _ridden(placed: _Placed) -> str:
    strokes = max((mean.n for mean in placed.means.values()), default=0)
    rpm = placed.cadence_rpm
    return f"{placed.name}: {strokes} strokes" + ("" if math.isnan(rpm) else f", {rpm:.0f} rpm")


def _print(
    console: Console,
    placed: Sequence[_Placed],
    spreads: Mapping[Spot, Spread],
    known: Definitions,
    *,
    every: bool,
) -> None:
    for each in placed:
        console.print(escape(_ridden(each)), highlight=False)
    for one, other in combinations(placed, 2):
        farthest = farthest_off(one.lengths, other.lengths)
        if farthest is not None and abs(farthest[1]) <= STAYED_MM:
            console.print(
                f"The markers lie alike in {escape(one.name)} and {escape(other.name)}, within "
                f"{abs(farthest[1]):.1f} mm: were they taken off in between?", style="yellow",
            )  # fmt: skip
    speeds = [each.cadence_rpm for each in placed if not math.isnan(each.cadence_rpm)]
    if speeds and max(speeds) - min(speeds) > ALIKE_RPM:
        console.print(
            f"Cadence differs by {max(speeds) - min(speeds):.0f} rpm between them: that moves "
            "angles too, and is in the spread. Better ride all of them alike.", style="yellow",
        )  # fmt: skip
    table = Table(title="Standard deviation between placements (95 % interval)")
    for heading in ("measure", "at", "left", "right", "together", "placements", "hidden below"):
        table.add_column(heading, justify="left" if heading in ("measure", "at") else "right")
    shown = list(_shown(spreads, known, every=every))
    for spot in shown:
        found, measure = spreads[spot], known.measure(spot[0])
        title = f"{measure.title.partition(',')[0]}, {measure.unit}"
        left, right = (_number(found.sides.get(side)) for side in ("L", "R"))
        table.add_row(
            title, known.event(spot[1]).title, left, right,
            f"{found.sd:.2f} ({found.low:.2f} to {found.high:.2f})", f"{found.placements}",
            f"{found.smallest:.1f}",
        )  # fmt: skip
    console.print(table)
    rest = len(spreads) - len(shown)
    console.print(
        "Hidden below: two trials like these, the markers put on anew in between, must differ by "
        "more in that row alone, or it may be chance."
        + (f" {rest} further rows with --all." if rest else ""),
        highlight=False,
    )
    if len(placed) < WELL_KNOWN:
        console.print(
            f"From {len(placed)} placements the spread itself is poorly known, and much stays "
            "hidden for that reason alone: more of them tell smaller changes apart."
        )


def _shown(spreads: Mapping[Spot, Spread], known: Definitions, *, every: bool) -> Iterator[Spot]:
    listed = [(measure.name, event) for measure in known.measures for event in measure.events]
    for spot in listed if every else default_rows(known):
        if spot in spreads:
            yield spot


def _number(value: float | None) -> str:
    return "" if value is None else f"{value:.2f}"
