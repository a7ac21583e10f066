"""A whole fit of the simulated rider by itself: baseline, two marked steps of the saddle."""

from __future__ import annotations

import time
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any, Final

from livefit.cli.children import Child, all_alive, child
from livefit.node.run import NodeEndpoints
from livefit.wire.control import ControlClient
from livefit.wire.messages import Snapshot, State
from livefit.wire.sockets import Subscriber

FIT_S: Final = 75.0
"""Long enough for fifteen strokes and more before and after each step."""
LEAST_S: Final = 40.0
STEPS_MM: Final = (5.0, 5.0)
_STOPPED_S = 3.0
_PATIENCE_S = 30.0
_POLL_S = 0.1


def scripted_fit(
    at: NodeEndpoints,
    source: list[str],
    path: Path,
    seconds: float,
    stopped: Callable[[], bool],
    processes: list[Child],
) -> None:
    """Ride, keep a baseline, raise the saddle by 5 mm twice with a mark each, and record it all.

    Before each step the rider stops: hands come near the bicycle only then.

    Parameters
    ----------
    at
        Where the node is.
    source
        Command of the simulated rider, who begins once it is recorded.
    path
        The recording; it must not be there.
    seconds
        How long the fit takes, at least 40.
    stopped
        Whether to end now.
    processes
        That must go on running.

    Raises
    ------
    ValueError
        If the file is there, or a process ends by itself.
    TimeoutError
        If no number comes.
    """
    if path.exists():
        raise ValueError(f"{path} is there already, and is not written over: give another name")
    if path.suffix.lower() != ".mcap":
        raise ValueError(f"a recording's name ends in .mcap, got {path.name}")
    path.parent.mkdir(parents=True, exist_ok=True)
    stage_s = max(seconds, LEAST_S) / (len(STEPS_MM) + 1)
    with TemporaryDirectory(prefix=".fit-", dir=path.parent) as made:
        where = ["--frames", at.frames, "--results", at.results, "--control", at.control]
        with child(["record", "--into", made, *where]) as recorder:
            fit = _Fit(at, stopped, [*processes, recorder])
            fit.wait_for("waiting")
            with child(source) as rider:
                fit.watch(rider)
                fit.wait_for("riding")
                fit.ride(stage_s)
                fit.ask("set_baseline")
                for step in STEPS_MM:
                    fit.step(step)
                    fit.ride(stage_s)
        (recording,) = Path(made).glob("*.mcap")
        recording.replace(path)


class _Fit:
    """The hands of the fitter."""

    def __init__(
        self, at: NodeEndpoints, stopped: Callable[[], bool], processes: list[Child]
    ) -> None:
        self._at = at
        self._stopped = stopped
        self._processes = processes

    def watch(self, process: Child) -> None:
        """One more that must go on running."""
        self._processes.append(process)

    def wait_for(self, state: State) -> None:
        """Until the node says that it is recorded, and that this is its state."""
        end = time.monotonic() + _PATIENCE_S
        with Subscriber(self._at.results, ["results"], display=True) as results:
            while time.monotonic() < end and not self._stopped():
                all_alive(self._processes)
                for _, message in results.poll(_POLL_S):
                    recorded = isinstance(message, Snapshot) and message.recording is not None
                    if recorded and isinstance(message, Snapshot) and message.state == state:
                        return
        if not self._stopped():
            raise TimeoutError(f"within {_PATIENCE_S:g} s the node was not {state} and recorded")

    def ride(self, seconds: float) -> None:
        """Let the rider ride."""
        end = time.monotonic() + seconds
        while time.monotonic() < end and not self._stopped():
            all_alive(self._processes)
            time.sleep(_POLL_S)

    def ask(self, op: str, args: dict[str, Any] | None = None) -> None:
        """Ask something of the node."""
        if not self._stopped():
            with ControlClient(self._at.control, timeout_s=5.0) as client:
                client.request(op, args)

    def step(self, height_mm: float) -> None:
        """Stop the cranks, move the saddle, mark it, ride on."""
        self._source("source.ride", {"state": "stop"})
        self.ride(_STOPPED_S)
        self._source("source.saddle", {"height_mm": height_mm})
        self.ask("mark", {"part": "saddle_height", "amount": height_mm, "note": "simulated"})
        self.ride(_STOPPED_S)
        self._source("source.ride", {"state": "pedal"})

    def _source(self, op: str, args: dict[str, Any]) -> None:
        self.ask("source", {"op": op, "args": args})
