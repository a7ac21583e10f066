"""The messages of the topic ``changes``; the rules are those of `livefit.wire.messages`."""

from __future__ import annotations

from typing import Literal

from pydantic import Field

from livefit.wire.messages import Message


class Against(Message):
    """A row's mean less that of another trial."""

    n: int
    """Strokes of the other trial that count."""
    mean: float | None
    by: float | None
    ci95: list[float] | None
    smallest: float | None
    """A difference found below this could be chance among so many rows."""
    p: float | None
    """Chance of so large a difference were there none, Holm's among the rows."""
    verdict: Literal["told", "hidden", "unsaid"]
    words: str
    markers: Literal["stayed", "anew"] = "stayed"
    """What is taken to have become of the rider's markers in between; put on anew, the numbers
    above count that where it was measured."""
    anew_ci95: list[float] | None = None
    """The interval if the markers were put on anew in between, where that was measured."""
    anew_smallest: float | None = None
    """And the difference below which it could then be chance."""


class ChangeRow(Message):
    """How far a row has settled in this trial, and what has changed."""

    measure: str
    side: Literal["L", "R", "B"]
    event: str
    unit: str
    n: int
    """Strokes that count."""
    aside: int
    """Strokes set aside at the beginning, while the rider settled."""
    mean: float | None
    ci95: list[float] | None
    """Allows for the strokes' correlation."""
    state: Literal["too few", "settling", "drifting", "too wide", "settled"]
    more: int | None
    """Strokes still to come; nil: cannot be said."""
    drift: float | None
    """Unit per stroke."""
    drift_ci95: list[float] | None
    words: str
    baseline: Against | None = None
    mark: Against | None = None
    """Against the trial before the latest mark."""
    there: Against | None = None
    """Where the latest mark undoes the one before: what came in between, less the mean of the
    trials before and after it."""
    back: Against | None = None
    """And this trial less the one before both."""


class StepRow(Message):
    """One row's step in an offer."""

    measure: str
    side: Literal["L", "R", "B"]
    event: str
    unit: str
    stroke: int
    """First after the step."""
    found_at: int
    by: float
    ci95: list[float]
    words: str


class OfferedMark(Message):
    """A change that nobody marked, to be taken or dropped."""

    number: int
    """Rises by one; never used twice in a run of the node."""
    t: float
    """Device time, s, at which its first stroke began."""
    rows: list[StepRow]
    """The clearest first."""
    apart_from: list[str]
    """What it is told apart from."""


class Changes(Message):
    """Topic ``changes``: after each stroke, the rows that the fitter looks at."""

    node: str
    marks: int
    """Number of the mark in force."""
    rows: list[ChangeRow]
    loads: list[ChangeRow] = Field(default_factory=list)
    """Cadence and, where a channel tells it, workload: judged by themselves."""
    offers: list[OfferedMark] = Field(default_factory=list)
    """Oldest first."""
