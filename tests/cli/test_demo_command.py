"""The demo, and its fit by itself, with a simulated rider who never comes."""

from __future__ import annotations

import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from typer.testing import CliRunner

from livefit.cli import children, scripted_fit
from livefit.cli.main import app
from livefit.node.run import NodeEndpoints
from livefit.wire.messages import Snapshot


@pytest.mark.parametrize("rider", ["nonsense=3", "cadence=fast", "nonsense"])
def test_a_wrong_option_of_the_rider_is_told_before_anything_starts(
    rider: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def started(*arguments: object) -> None:
        raise AssertionError("a process was started")

    monkeypatch.setattr(subprocess.Popen, "__init__", started)
    for words in (["--fit", str(tmp_path / "fit.mcap")], ["--headless"]):
        done = CliRunner().invoke(app, ["demo", *words, "--rider", rider])
        assert done.exit_code == 2, done.output
        assert rider.partition("=")[0] in done.stderr
    assert list(tmp_path.iterdir()) == []


class Ended:
    """A process that ended by itself, or runs on."""

    def __init__(self, command: str, returncode: int | None) -> None:
        self.command, self.returncode = command, returncode

    def poll(self) -> int | None:
        return self.returncode


class Waiting:
    """What the node says: that it is recorded, and waits for frames."""

    def __init__(self, *arguments: object, **options: object) -> None: ...

    def __enter__(self) -> Waiting:
        return self

    def __exit__(self, *what: object) -> None: ...

    def poll(self, timeout_s: float) -> list[tuple[str, Snapshot]]:
        return [("results", Snapshot.model_construct(state="waiting", recording=object()))]


def test_a_fit_ends_with_its_rider_and_says_why(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    @contextmanager
    def child(arguments: list[str]) -> Iterator[Ended]:
        yield Ended(" ".join(arguments[:2]), 2 if arguments[0] == "capture" else None)

    monkeypatch.setattr(scripted_fit, "child", child)
    monkeypatch.setattr(scripted_fit, "Subscriber", Waiting)
    at = NodeEndpoints(frames="frames", results="results", control="control")
    processes: list[children.Child] = []
    with pytest.raises(ValueError, match="'livefit capture simulated' ended with status 2"):
        scripted_fit.scripted_fit(
            at, ["capture", "simulated"], tmp_path / "fit.mcap", 75.0, lambda: False, processes
        )
    assert list(tmp_path.iterdir()) == []
