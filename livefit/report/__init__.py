"""The report that a rider takes home, from one session's document."""

from livefit.report.document import Report
from livefit.report.files import make_report, read_session
from livefit.report.pdf import NoPaperError, pdf_of

__all__ = [
    "NoPaperError",
    "Report",
    "make_report",
    "pdf_of",
    "read_session",
]
