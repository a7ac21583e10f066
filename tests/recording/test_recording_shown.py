"""The real recorder tells the real node how it is; killed, it is no longer believed."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from livefit.recording.reading import survey
from livefit.wire.sockets import Subscriber
from tests.end_to_end.running import Fit, wait_for
from tests.recording.recorder_process import Recorder

pytestmark = pytest.mark.timeout(180)


@pytest.fixture
def fit() -> Iterator[Fit]:
    running = Fit()
    yield running
    running.close()


def test_recording_killed_and_begun_again(fit: Fit, tmp_path: Path) -> None:
    fit.start_node()
    fit.start_source("simulated", "rate=50")
    with Subscriber(fit.results, ["results"]) as results:
        with Recorder(tmp_path, fit.frames, fit.results, fit.control).start() as recorder:
            shown = wait_for(results, lambda s: bool(s.recorded and s.recorded.frames > 50))
            assert shown.recording == recorder.path.name
            recorder.kill()
        gone = wait_for(results, lambda s: s.recording is None)
        assert "the recorder fell silent" in gone.warnings[-1]
        with Recorder(tmp_path, fit.frames, fit.results, fit.control).start() as recorder:
            wait_for(results, lambda s: s.recording == recorder.path.name)
            status, said = recorder.interrupt()
            assert status == 0, said
            ended = wait_for(results, lambda s: s.recording is None)
            assert ended.warnings == []
            assert survey(recorder.path).damage is None
