"""Recordings that a node joined late: which frames count, seen by hand-made messages."""

from __future__ import annotations

from pathlib import Path

import pytest

from livefit.sources.files import read_recording
from livefit.sources.recorded import read_parts
from livefit.wire.messages import Message, Snapshot
from tests.recording.recorded_examples import description, frames_of, messages_of, write
from tests.wire.wire_examples import snapshot


def told(first: int | None, *, node: str = "n", stream: str = "abc", restarts: int = 0) -> Snapshot:
    made = snapshot()
    health = made.health.model_copy(update={"first": first, "restarts": restarts})
    return made.model_copy(update={"node": node, "stream": stream, "health": health})


def spread(count: int, snapshots: dict[int, Snapshot], stream: str = "abc") -> list[Message]:
    """A description and so many frames, one a message, with snapshots before some of them."""
    said = description(stream)
    out: list[Message] = [said]
    for k, frame in enumerate(messages_of(frames_of(count), said)):
        out += [snapshots[k]] if k in snapshots else []
        out.append(frame)
    return out


@pytest.mark.parametrize("first", [None, 0, 20, 1000])
def test_frames_begin_where_the_node_did(tmp_path: Path, first: int | None) -> None:
    path = write(tmp_path, spread(200, {100: told(first)}))
    wanted = 20 if first == 20 else 0
    recording = read_recording(path)
    (part,), notes = read_parts(path)
    for block in (recording.block, part.block):
        assert block.numbers.tolist() == list(range(wanted, 200))
    assert tuple(notes) == recording.notes
    assert len(notes) == (first == 20)
    assert len(read_recording(path, whole=True).block) == 200


def test_of_several_nodes_the_first_decides_and_a_note_says_so(tmp_path: Path) -> None:
    told_by = {
        100: told(20), 180: told(120, node="second"), 250: told(20), 310: told(7, node="third"),
    }  # fmt: skip
    recording = read_recording(write(tmp_path, spread(400, told_by)))
    assert recording.block.numbers[0] == 20
    assert "3 nodes began with the stream, at the frames 20, 120, 7" in recording.notes[0]
    assert "20 frames came before frame 20" in recording.notes[1]


def test_each_stream_and_each_count_of_a_device_has_its_own_beginning(tmp_path: Path) -> None:
    messages = spread(300, {100: told(10)})
    # The device counts anew: what is told of its old count right after says nothing of the new.
    again = spread(300, {5: told(10), 100: told(0, restarts=1)})[1:]
    other = spread(300, {100: told(30, stream="other"), 200: told(40, stream="unheard")}, "other")
    parts, _ = read_parts(write(tmp_path, messages + again + other))
    begun = [(part.description.stream, int(part.block.numbers[0])) for part in parts]
    assert begun == [("abc", 10), ("abc", 0), ("other", 30)]
