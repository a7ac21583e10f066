"""What is kept of a fit session: a document of plain values, without the raw frames.

Everything that describes a session is one :class:`FitSession`; its numbers, cycles and poses are
its :class:`Trial` entries. Frames stay in the recordings, which it names. The document is what
the store keeps, what a bundle carries, and all that a report needs.

Lengths in mm, angles in deg, masses in kg; a value nobody took is None, never zero.
"""

from __future__ import annotations

import re
from datetime import date, datetime
from typing import Annotated, Literal
from uuid import uuid4

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, FiniteFloat, ValidationError
from pydantic_core import ErrorDetails, PydanticCustomError

DOCUMENT = 1
"""Version of the documents. New fields are optional, and no field changes its meaning."""

_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f]")
"""What a terminal obeys instead of showing it."""
_FAULT = "control"


def one_line(text: str) -> str:
    r"""The text with a space for every control character.

    >>> one_line("left\tshoe\x1b[31m")
    'left shoe [31m'
    """
    return _CONTROL.sub(" ", text)


def _shown(text: str) -> str:
    if _CONTROL.search(text):
        raise PydanticCustomError(_FAULT, "Input should be one line without control characters")
    return text


def _lines_shown(text: str) -> str:
    text = text.replace("\r\n", "\n")
    if _CONTROL.search(text.replace("\n", "").replace("\t", "")):
        raise PydanticCustomError(_FAULT, "Input should be text without control characters")
    return text


def first_fault(error: ValidationError) -> ErrorDetails:
    """The fault to tell of; a control character rather than that a text is no number."""
    faults = error.errors(include_url=False)
    return next((fault for fault in faults if fault["type"] == _FAULT), faults[0])


Word = Annotated[str, Field(max_length=255), AfterValidator(_shown)]
Name = Annotated[str, Field(min_length=1, max_length=200), AfterValidator(_shown)]
Text = Annotated[str, Field(max_length=20_000), AfterValidator(_lines_shown)]
"""May have several lines."""
Answer = bool | FiniteFloat | Text | list[Text]


def new_id() -> str:
    """A name that no other thing anywhere has."""
    return uuid4().hex


Id = Annotated[str, Field(pattern=r"^[0-9a-f]{32}$")]


class Record(BaseModel):
    """Base of all that is kept: an unknown key is an error, so that a slip of the pen is seen."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Person(Record):
    """A rider."""

    id: Id = Field(default_factory=new_id)
    name: Name
    born: date | None = None
    contact: Text = ""
    notes: Text = ""


class Bicycle(Record):
    """A bicycle that a rider is fitted on."""

    id: Id = Field(default_factory=new_id)
    rider: str
    """The rider's id."""
    name: Name
    """What the rider calls it."""
    discipline: Word
    """Name of a discipline in the definitions."""
    frame: Text = ""
    """Maker, model, size."""
    notes: Text = ""


class Taken(Record):
    """One value of a set-up or an examination, and how it was taken."""

    value: FiniteFloat
    unit: Literal["mm", "deg", "kg", "count"]
    half_width: Annotated[FiniteFloat, Field(ge=0)] | None = None
    """Of its 95 % interval; None: nobody knows."""
    how: Literal["typed", "touched", "tracked"] = "typed"
    """By hand with tape and level; with the pointer; by markers on the part."""


class SetUp(Record):
    """How a bicycle stood at one moment.

    ``dimensions`` are keyed by the names of ``configs/set_up.toml`` (``saddle_height``,
    ``saddle_setback``, ``bar_reach``...); ``parts`` say in words what is fitted where.
    """

    taken: datetime
    dimensions: dict[Word, Taken] = {}
    parts: dict[Word, Text] = {}
    notes: Text = ""


class Adjustment(Record):
    """One change of the bicycle.

    ``amount`` is what the fitter typed or marked, in ``unit``; ``measured`` what markers or the
    pointer say of the same change.
    """

    part: Word
    """Name of an adjustment in the definitions."""
    amount: FiniteFloat
    unit: Literal["mm", "deg"]
    why: Text = ""
    mark: int | None = None
    """Number of the live mark it comes from; None: noted by hand."""
    at: datetime | None = None
    measured: Taken | None = None


class Number(Record):
    """One measure at one event on one side over a trial's strokes, as it was shown."""

    measure: Word
    side: Literal["L", "R", "B"]
    event: Word
    crank_deg: FiniteFloat | None
    unit: Literal["deg", "mm", "rpm"]
    n: Annotated[int, Field(ge=0)]
    mean: FiniteFloat | None
    sd: FiniteFloat | None
    se: FiniteFloat | None
    ci95: tuple[FiniteFloat, FiniteFloat] | None
    band: tuple[FiniteFloat, FiniteFloat] | None
    verdict: Literal["below", "within", "above", "unsure", "unknown"]


class Cycle(Record):
    """Mean and spread of one measure over the stroke; 37 values, every 10 deg of own crank."""

    measure: Word
    side: Literal["L", "R", "B"]
    n: Annotated[int, Field(ge=0)]
    mean: list[FiniteFloat | None]
    sd: list[FiniteFloat | None]


class Pose(Record):
    """Mean positions of all markers, every 10 deg of the right crank.

    ``positions[k][m]`` is (x, y, z) mm of marker ``labels[m]`` at 10 k deg in bike axes (X forward,
    Y up, Z to the rider's right, origin at the crank axis); None: never seen there.
    """

    labels: list[str]
    positions: list[list[tuple[FiniteFloat, FiniteFloat, FiniteFloat] | None]]


class Crank(Record):
    """What the feet say of one side's crank, with standard errors."""

    side: Literal["L", "R"]
    length_mm: FiniteFloat
    length_se_mm: FiniteFloat
    spindle_mm: tuple[FiniteFloat, FiniteFloat] | None = None
    """In the foot: along heel->toe from the fifth metatarsal head, and up."""


class Trial(Record):
    """Riding between two changes of the bicycle.

    ``adjustments`` were made before it. ``sides`` says which sides were seen; with a system that
    sees one at a time the two captures are one trial all the same.
    """

    number: Annotated[int, Field(ge=0)]
    name: Word = ""
    began: datetime | None = None
    seconds: Annotated[FiniteFloat, Field(ge=0)] | None = None
    sides: Literal["both", "left", "right"] = "both"
    adjustments: list[Adjustment] = []
    cadence_rpm: FiniteFloat | None = None
    workload_w: FiniteFloat | None = None
    numbers: list[Number] = []
    cycles: list[Cycle] = []
    pose: Pose | None = None
    cranks: list[Crank] = []
    recordings: list[Word] = []
    """Names of the recordings it was heard from, beside the store."""
    notes: Text = ""


class Picture(Record):
    """A picture that belongs to the session, kept beside the store."""

    name: Annotated[str, Field(pattern=r"^[\w][\w.\- ]{0,120}$")]
    title: Text = ""
    """What it shows, in words: for people who do not see it too."""


class FollowUp(Record):
    """What the rider said afterwards."""

    on: date
    text: Text


class FitSession(Record):
    """One fit, from the greeting to the follow-up."""

    version: Literal[1] = 1
    id: Id = Field(default_factory=new_id)
    rider: Person
    bicycle: Bicycle | None = None
    began: datetime
    fitter: Word = ""
    studio: Word = ""
    discipline: Word
    interview: dict[Word, Answer] = {}
    """By the id of the question in ``configs/questions.toml``."""
    examination: dict[Word, Answer] = {}
    set_up_before: SetUp | None = None
    set_up_after: SetUp | None = None
    trials: list[Trial] = []
    before: int | None = None
    """Number of the trial that stands for before; None: the first."""
    after: int | None = None
    """Number of the trial that stands for after; None: the last."""
    notes: list[Text] = []
    pictures: list[Picture] = []
    recordings: list[Word] = []
    outcome: Text = ""
    follow_ups: list[FollowUp] = []
    closed: bool = False
