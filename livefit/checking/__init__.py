"""Whether a stream of marker frames is good enough to fit a rider with, and why not."""

from livefit.checking.document import document
from livefit.checking.findings import NAMES, Finding, Look, Report
from livefit.checking.heard import Arrival, Heard, StreamHeard
from livefit.checking.judge import Wanted, check

__all__ = [
    "NAMES",
    "Arrival",
    "Finding",
    "Heard",
    "Look",
    "Report",
    "StreamHeard",
    "Wanted",
    "check",
    "document",
]
