"""The program's commands."""

from __future__ import annotations

import typer

from livefit.cli.analyse import analyse_file
from livefit.cli.bicycle import bicycle, transfer_set_up
from livefit.cli.check import check_stream
from livefit.cli.common import CAUTION
from livefit.cli.compare import compare_trials
from livefit.cli.demo import demo
from livefit.cli.gather import gather
from livefit.cli.keys import keys
from livefit.cli.outlets import to_lsl
from livefit.cli.pointer import pointer
from livefit.cli.predict import predict_file
from livefit.cli.processes import capture, process, replay
from livefit.cli.record import record
from livefit.cli.replacing import replacing
from livefit.cli.report import report
from livefit.cli.screens import dashboard, rider, watch
from livefit.cli.session import session
from livefit.cli.store import store
from livefit.cli.touch import touch

app = typer.Typer(
    help="Joint angles at exact crank positions, live, for the bicycle fitter at work.",
    epilog=CAUTION,
    no_args_is_help=True,
    pretty_exceptions_show_locals=False,
)
app.command("demo")(demo)
app.command("capture")(capture)
app.command("replay")(replay)
app.command("process")(process)
app.command("dashboard")(dashboard)
app.command("rider")(rider)
app.command("watch")(watch)
app.command("record")(record)
app.command("to-lsl")(to_lsl)
app.command("analyse")(analyse_file)
app.command("predict")(predict_file)
app.command("compare")(compare_trials)
app.command("replacing")(replacing)
app.command("check")(check_stream)
app.command("gather")(gather)
app.command("report")(report)
app.command("touch")(touch)
app.command("bicycle")(bicycle)
app.command("transfer")(transfer_set_up)
app.add_typer(pointer, name="pointer")
app.add_typer(keys, name="keys")
app.add_typer(session, name="session")
app.add_typer(store, name="store")
