"""The kernel over a whole recording, and what it found, for people and for programs."""

from livefit.analysis.analysis import Analysis, SideFound, analyse
from livefit.analysis.document import document

__all__ = ["Analysis", "SideFound", "analyse", "document"]
