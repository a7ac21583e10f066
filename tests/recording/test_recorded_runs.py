"""Messages of a recording read many at once are those that are read one by one."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from livefit.recording.reading import entries, runs, survey
from livefit.wire.messages import DeviceState, Message
from tests.recording.recorded_examples import description, frames_of, messages_of, write


def test_runs_are_the_entries(tmp_path: Path) -> None:
    """Topics and lengths change on the way, and a chunk holds more than are taken at once."""
    frames = messages_of(frames_of(1000), description())
    messages: list[Message] = [description()]
    for k, message in enumerate(frames):
        messages.append(message)
        if (k < 400 and k % 97 == 0) or 400 < k < 410:
            messages.append(DeviceState(stream="abc", note="x" * (k % 5)))
    found = survey(write(tmp_path, messages, a_chunk=700))
    for topics in ((), ("frames",), ("description", "device")):
        one_by_one = [
            (entry.topic, entry.raw, entry.arrived_ns) for entry in entries(found, topics=topics)
        ]
        many = [
            (run.topic, raw.tobytes(), at)
            for run in runs(found, topics=topics)
            for raw, at in zip(run.raws, run.arrived_ns.tolist(), strict=True)
        ]
        assert many == one_by_one
    assert len(one_by_one) == len(messages) - len(frames)
    lengths = np.array([len(run.raws) for run in runs(found, topics=("frames",))])
    assert lengths.sum() == 1000
    assert lengths.max() > 200
