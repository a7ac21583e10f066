"""The vocabulary of a fit as data: marker sets, events, measures and target bands."""

from livefit.definitions.bicycle import Pointer, TouchPoint
from livefit.definitions.checks import Fault, find_faults
from livefit.definitions.interview import Question, SetUpEntry
from livefit.definitions.labels import canonical_labels, match_marker_set
from livefit.definitions.loader import load_definitions, own_dir, shipped_dir
from livefit.definitions.models import (
    AXLE,
    SIDES,
    SPINDLE,
    Adjustment,
    Band,
    Definition,
    DefinitionError,
    Definitions,
    Discipline,
    Event,
    MarkerSet,
    Measure,
    MeasureKind,
    Screen,
    Side,
    Unit,
    free_crank_event,
)
from livefit.definitions.preferred import default_rows
from livefit.definitions.replacing import Placements, PlacementSpread
from livefit.definitions.studio import Studio

__all__ = [
    "AXLE",
    "SIDES",
    "SPINDLE",
    "Adjustment",
    "Band",
    "Definition",
    "DefinitionError",
    "Definitions",
    "Discipline",
    "Event",
    "Fault",
    "MarkerSet",
    "Measure",
    "MeasureKind",
    "PlacementSpread",
    "Placements",
    "Pointer",
    "Question",
    "Screen",
    "SetUpEntry",
    "Side",
    "Studio",
    "TouchPoint",
    "Unit",
    "canonical_labels",
    "default_rows",
    "find_faults",
    "free_crank_event",
    "load_definitions",
    "match_marker_set",
    "own_dir",
    "shipped_dir",
]
