"""``livefit to-lsl``: results for other programs."""

from __future__ import annotations

from typing import Annotated

import typer

from livefit.cli import common
from livefit.outlets.lsl import NAME, run_outlet


@common.plain_errors
def to_lsl(
    results: common.ResultsAt = common.RESULTS,
    name: Annotated[str, typer.Option(help="Name of the LSL stream.")] = NAME,
) -> None:
    """Send every stroke's values out as a stream of the lab streaming layer until Ctrl-C."""
    run_outlet(results, common.stop_on_signals(), name=name)
