"""A check for people: what was looked at, and what was found."""

from __future__ import annotations

from rich.console import Console
from rich.markup import escape
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from livefit.checking.findings import Finding, Level, Report

SIGNS: dict[Level | None, tuple[str, str]] = {
    "fault": ("✖ fault", "bold red"),
    "warning": ("▲ warning", "yellow"),
    "note": ("● sound", "green"),
    None: ("● sound", "green"),
}
VERDICTS: dict[Level | None, str] = {
    "fault": "No rider can be fitted with this stream as it is.",
    "warning": "A rider can be fitted with this stream, but numbers suffer.",
    "note": "This stream is good enough to fit a rider with.",
    None: "This stream is good enough to fit a rider with.",
}


def print_report(console: Console, report: Report) -> None:
    """Print a check."""
    how = "heard live" if report.live else "recorded"
    console.print(
        f"[bold]{escape(report.source)}[/]  {report.frames} frames, {report.seconds:.1f} s {how}"
    )
    for note in report.notes:
        console.print(f"  note: {escape(note)}")
    console.print(_looks(report))
    for finding in report.findings:
        _print_finding(console, finding)
    worst = report.worst
    console.print()
    if report.judged:
        console.print(Text(VERDICTS[worst], style=SIGNS[worst][1]))
    else:
        console.print(Text("There was nothing to judge.", style="bold red"))


def _looks(report: Report) -> Table:
    table = Table("looked at", "value", "verdict")
    for look in report.looks:
        sign, style = SIGNS[report.verdict(look)]
        table.add_row(escape(look.what), escape(look.value), Text(sign, style=style))
    return table


def _print_finding(console: Console, finding: Finding) -> None:
    sign, style = ("● note", "dim") if finding.level == "note" else SIGNS[finding.level]
    head = Text.assemble((sign, style), "  ", (finding.name, "bold"))
    if finding.subject:
        head.append(f"  {finding.subject}")
    console.print()
    console.print(head)
    for text, look in ((finding.text, ""), (f"→ {finding.remedy}", "italic")):
        console.print(Padding(Text(text, style=look), (0, 0, 0, 4)))
