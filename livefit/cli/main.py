"""The program's commands."""

from __future__ import annotations

import typer

from livefit.cli.analyse import analyse_file
from livefit.cli.common import CAUTION
from livefit.cli.demo import demo
from livefit.cli.processes import capture, process
from livefit.cli.screens import dashboard, watch

app = typer.Typer(
    help="Joint angles at exact crank positions, live, for the bicycle fitter at work.",
    epilog=CAUTION,
    no_args_is_help=True,
    pretty_exceptions_show_locals=False,
)
app.command("demo")(demo)
app.command("capture")(capture)
app.command("process")(process)
app.command("dashboard")(dashboard)
app.command("watch")(watch)
app.command("analyse")(analyse_file)
