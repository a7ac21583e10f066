"""Lines of JSON over every link, mangled lines, and devices that come and go."""

from __future__ import annotations

import io
import json
import os
import socket
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest

from livefit.frames import MarkerBlock, StreamInfo
from livefit.sources.json_lines import JsonLinesSource, open_json_lines
from livefit.sources.links import FileLink, LineCutter, open_link
from livefit.wire.codec import encode
from livefit.wire.messages import Reply
from tests.end_to_end.running import free_address

DESCRIPTION = {"labels": ["R_CA", "R_VM"], "unit": "m", "up": "+z", "rate_hz": 100}
PATIENCE_S = 10.0


def line(**fields: object) -> bytes:
    return json.dumps(fields).encode() + b"\n"


def frame(n: int, x: float = 0.25, **more: object) -> bytes:
    return line(n=n, t=n / 100, xyz=[[x, 0.5, 0.75], None], **more)


class Script:
    """A link that gives what it was told, one batch for each read."""

    def __init__(self, batches: Sequence[Sequence[bytes]]) -> None:
        self._batches = list(batches)
        self.connections, self.overlong = 1, 0

    def read(self, timeout_s: float) -> list[bytes]:
        batch = list(self._batches.pop(0))
        if b"again" in batch:
            self.connections += 1
            batch.remove(b"again")
        return batch

    def close(self) -> None:
        self._batches.clear()


def scripted(*batches: Sequence[bytes]) -> JsonLinesSource:
    return JsonLinesSource(Script(batches), "script", clock=lambda: 50.0)


def described(**more: object) -> bytes:
    return line(**(DESCRIPTION | more))


def test_metres_become_millimetres_and_null_is_missing() -> None:
    channel = [{"name": "workload", "unit": "W"}]
    source = scripted(
        [
            described(channels=channel),
            frame(7, channels=[212]),
            frame(9, channels=[None]),
            line(n=10, xyz=[[1, None, 2], [0, 0, 0.5]], channels=[3]),
        ]
    )
    assert source.describe() is None
    block = source.read(0.0)
    assert block is not None
    info = source.describe()
    assert info is not None
    assert (info.labels, info.rate_hz, info.up) == (("R_CA", "R_VM"), 100.0, "+z")
    assert block.numbers.tolist() == [7, 9, 10]
    assert block.t.tolist() == [0.07, 0.09, 50.0]
    assert block.positions[0, 0].tolist() == [250.0, 500.0, 750.0]
    assert np.isnan(block.positions[:2, 1]).all()
    assert np.isnan(block.positions[2, 0]).all()
    assert block.positions[2, 1].tolist() == [0.0, 0.0, 500.0]
    assert block.channels[:, 0].tolist() == pytest.approx([212.0, np.nan, 3.0], nan_ok=True)


@pytest.mark.parametrize(
    ("mangled", "why"),
    [
        (b"\x00\xff\xfe", "one JSON object"),
        (b"[1, 2]", "found list"),
        (b"[" * 100_000, "one JSON object"),
        (b'{"n": 1, "t": 0', "one JSON object"),
        (line(n=1), "a frame with 'xyz'"),
        (line(n=-1, xyz=[None, None]), "'n'"),
        (line(n=1.5, xyz=[None, None]), "'n'"),
        (line(n=True, xyz=[None, None]), "'n'"),
        (line(n=2**63, xyz=[None, None]), "'n'"),
        (line(n=1, t="x", xyz=[None, None]), "'t'"),
        (line(n=1, t=float("inf"), xyz=[None, None]), "'t'"),
        (line(n=1, xyz=[None]), "expected 2 positions"),
        (line(n=1, xyz=[[1, 2], None]), "expected x, y, z"),
        (line(n=1, xyz=[{"x": 1}, None]), "marker R_CA: expected x, y, z"),
        (line(n=1, xyz=[[True, "3", 1], None]), "marker R_CA: expected x, y, z"),
        (line(n=1, xyz=[None, [10**400, 0, 0]]), "'xyz': expected coordinates up to 1000"),
        (line(n=1, xyz=[[1e300, 1, 1], None]), "marker R_CA: expected coordinates up to 1000,"),
        (line(n=1, xyz=[[1, 1, -1000.1], None]), "is the unit the one described?"),
        (line(n=1, xyz=5), "'xyz': expected a list, found 5"),
        (line(n=1, xyz=None), "'xyz': expected a list, found None"),
        (line(n=1, t=10**20, xyz=[None, None]), "'t': expected seconds, within 10^12"),
        (line(n=1, t=-1.01e12, xyz=[None, None]), "'t': expected seconds, within 10^12"),
        (line(n=1, t=10**400, xyz=[None, None]), "'t': expected a number"),
        (line(n=1, xyz=[None, None], channels=5), "'channels': expected a list, found 5"),
        (line(n=1, xyz=[None, None], channels=[1]), "expected 0 channel values"),
        (frame(0), "came after frame 0"),
        (described(rate_hz=0), "frame rate"),
        (described(rate_hz=1e6), "rate_hz"),
        (described(unit="inch"), "'unit'"),
        (described(up="up"), "up axis"),
        (described(sampling="often"), "sampling"),
        (described(labels=["a", "a"]), "unique"),
        (described(labels=[]), "label"),
        (described(labels=[[]]), "'labels'"),
        (described(labels=[f"m{i}" for i in range(1001)]), "1000 labels"),
        (described(channels=[{"name": "workload"}]), "name and unit"),
        (described(channels=5), "'channels': expected a list, found 5"),
        (described(channels=[{"name": f"c{i}", "unit": ""} for i in range(10_001)]), "10000"),
        (described(channels=[{"name": "\ud800", "unit": "W"}]), "surrogates not allowed"),
        (described(labels=["R_CA", "\ud800"]), "surrogates not allowed"),
        (described(labels=["\ud800", "\ud800"]), "unique"),
        (described(labels=[str(i) for i in range(140_000)]), "1000 labels"),
        (described(unit=["mm"]), "'unit': expected one of"),
        (described(rate_hz=10**400), "'rate_hz': expected a number"),
    ],
)
def test_a_mangled_line_is_counted_and_nothing_else(mangled: bytes, why: str) -> None:
    source = scripted([described(), frame(0), mangled, frame(1)])
    block = source.read(0.0)
    assert block is not None
    assert block.numbers.tolist() == [0, 1]
    assert source.refusals.count == 1
    state = source.control("source.state", {})
    assert (state["frames"], state["refused"]) == (2, 1)
    assert why in state["last_refusal"]
    assert encode(Reply(ok=True, result=state))


@pytest.mark.parametrize("value", [10**400, [1], {}, "12", True])
def test_a_channel_value_that_is_no_number_is_counted(value: object) -> None:
    workload = described(channels=[{"name": "workload", "unit": "W"}])
    wrong = frame(1, channels=[value])
    source = scripted([workload, frame(0, channels=[1]), wrong, frame(2, channels=[2.5])])
    block = source.read(0.0)
    assert block is not None
    assert block.channels.tolist() == [[1.0], [2.5]]
    assert source.refusals.count == 1
    assert "channel workload: expected a number" in str(source.refusals.last)


def test_what_is_at_the_bounds_is_taken() -> None:
    far = line(n=1, t=-1e12, xyz=[[1000, -1000, 0], [float("inf"), 0, 0]])
    source = scripted([described(), far])
    block = source.read(0.0)
    assert block is not None
    assert block.t.tolist() == [-1e12]
    assert block.positions[0, 0].tolist() == [1e6, -1e6, 0.0]
    assert np.isnan(block.positions[0, 1]).all()
    assert source.refusals.count == 0


def test_frames_before_the_description_are_refused_not_guessed() -> None:
    source = scripted([frame(0)], [described(), frame(1)])
    assert source.read(0.0) is None
    block = source.read(0.0)
    assert block is not None
    assert block.numbers.tolist() == [1]
    assert source.refusals.count == 1


def test_the_same_description_again_changes_nothing() -> None:
    source = scripted([described(), frame(0)], [described(), frame(1)])
    source.read(0.0)
    info = source.describe()
    source.read(0.0)
    assert source.describe() is info


@pytest.mark.parametrize(
    "break_line",
    [b"again", described(rate_hz=200), frame(3, x=9.0)],
    ids=["reconnected", "described anew", "numbers began anew"],
)
def test_a_device_that_began_anew_is_a_new_stream(break_line: bytes) -> None:
    source = scripted([described(), frame(500), frame(501)], [break_line, frame(502)], [])
    first = source.read(0.0)
    before = source.describe()
    assert first is not None
    assert first.numbers.tolist() == [500, 501]
    second = source.read(0.0)
    assert second is not None
    assert second.numbers.tolist()[-1] == 502
    assert source.describe() is not before


def test_frames_of_two_streams_never_share_a_block() -> None:
    source = scripted([described(), frame(5), described(rate_hz=50), frame(6), frame(7)])
    first = source.read(0.0)
    rate = source.describe()
    assert first is not None
    assert rate is not None
    assert (first.numbers.tolist(), rate.rate_hz) == ([5], 100.0)
    second = source.read(0.0)
    rate = source.describe()
    assert second is not None
    assert rate is not None
    assert (second.numbers.tolist(), rate.rate_hz) == ([6, 7], 50.0)


def test_true_time_stamps_must_rise() -> None:
    source = scripted(
        [
            described(sampling="stamped"),
            line(n=0, t=1.0, xyz=[None, None]),
            line(n=1, t=1.0, xyz=[None, None]),
            line(n=2, t=1.5, xyz=[None, None]),
        ]
    )
    block = source.read(0.0)
    assert block is not None
    assert block.numbers.tolist() == [0, 2]


def test_an_overlong_line_costs_itself_alone() -> None:
    cutter = LineCutter()
    assert cutter.cut(b"first\n" + b"x" * 1_000_001) == [b"first"]
    assert cutter.cut(b"x" * 1_000_001) == []
    assert cutter.cut(b"end of it\nnext\nla") == [b"next"]
    assert cutter.cut(b"st\n") == [b"last"]
    assert cutter.overlong == 1


def read_until(source: JsonLinesSource, enough: Callable[[MarkerBlock], object]) -> MarkerBlock:
    deadline = time.monotonic() + PATIENCE_S
    blocks: list[MarkerBlock] = []
    while time.monotonic() < deadline:
        block = source.read(0.05)
        if block is not None:
            blocks.append(block)
            if enough(MarkerBlock.joined(blocks)):
                return MarkerBlock.joined(blocks)
    raise AssertionError(f"only {len(blocks)} blocks came within {PATIENCE_S:g} s")


def place(address: str) -> tuple[str, int]:
    host, _, port = address.removeprefix("tcp://").rpartition(":")
    return host, int(port)


@pytest.fixture
def address() -> str:
    return free_address()


@pytest.fixture
def udp() -> Iterator[tuple[JsonLinesSource, tuple[str, int]]]:
    with socket.socket(type=socket.SOCK_DGRAM) as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    with closing(open_json_lines({"address": f"udp://127.0.0.1:{port}"})) as source:
        yield source, ("127.0.0.1", port)


def test_datagrams(udp: tuple[JsonLinesSource, tuple[str, int]]) -> None:
    source, where = udp
    with socket.socket(type=socket.SOCK_DGRAM) as device:
        device.sendto(described() + frame(0), where)
        device.sendto(frame(1).strip(), where)
        device.sendto(b"\xff\xff", where)
        device.sendto(frame(2) + frame(3), where)
        got = read_until(source, lambda block: len(block) == 4)
    assert got.numbers.tolist() == [0, 1, 2, 3]
    assert source.refusals.count == 1


def test_a_tcp_device_that_comes_late_and_goes_and_comes(address: str) -> None:
    where = place(address)
    with closing(open_json_lines({"address": address})) as source:
        assert source.read(0.0) is None
        infos: list[StreamInfo | None] = []
        for first in (0, 40):
            with socket.create_server(where) as door:
                door.settimeout(PATIENCE_S)
                while not infos or source.describe() is infos[-1]:
                    source.read(0.05)
                    door.setblocking(False)
                    try:
                        device, _ = door.accept()
                    except BlockingIOError:
                        continue
                    break
                with device:
                    whole = described() + frame(first) + frame(first + 1)
                    device.sendall(whole[:30])
                    device.sendall(whole[30:] + b'{"n": broken off')
                    block = read_until(source, lambda block: len(block) == 2)
            assert block.numbers.tolist() == [first, first + 1]
            infos.append(source.describe())
        assert infos[0] is not infos[1]
        assert source.refusals.count == 0


def test_a_device_that_connects_to_us(address: str) -> None:
    where = place(address)
    with closing(open_json_lines({"address": address.replace("tcp", "tcp-listen")})) as source:
        for first in (0, 10):
            with socket.create_connection(where) as device:
                device.sendall(described() + frame(first))
                assert read_until(source, len).numbers.tolist() == [first]
        assert source.control("source.state", {})["connections"] == 2


@pytest.mark.skipif(not hasattr(os, "openpty"), reason="this system has no pseudo-terminals")
def test_a_serial_port_that_is_pulled_out_and_put_back(tmp_path: Path) -> None:
    """A pseudo-terminal behind a link that always has the same name, as a device's port has."""
    import tty

    name = tmp_path / "port"
    with closing(open_json_lines({"address": f"serial://{name}?baud=115200"})) as source:
        assert source.read(0.01) is None
        for first in (0, 5):
            device, port = os.openpty()
            tty.setraw(port)
            name.symlink_to(os.ttyname(port))
            deadline = time.monotonic() + PATIENCE_S
            connections = source.control("source.state", {})["connections"]
            while source.control("source.state", {})["connections"] == connections:
                source.read(0.05)
                assert time.monotonic() < deadline
            os.write(device, described() + frame(first))
            assert read_until(source, len).numbers.tolist() == [first]
            name.unlink()
            os.close(port)
            os.close(device)


def test_a_pipe_ends_with_its_last_line() -> None:
    text = described() + frame(0) + frame(1).rstrip(b"\n")
    source = JsonLinesSource(FileLink(io.BytesIO(text)), "pipe")
    assert read_until(source, lambda block: len(block) == 2).numbers.tolist() == [0, 1]
    with pytest.raises(EOFError, match="ended"):
        source.read(PATIENCE_S)


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        ({}, "needs address="),
        ({"address": "127.0.0.1:5555"}, "one of the forms"),
        ({"address": "udp://127.0.0.1"}, "one of the forms"),
        ({"address": "udp://127.0.0.1:99999"}, "Port out of range"),
        ({"address": "serial://"}, "expected serial:"),
        ({"address": "serial:///dev/x?baud=fast"}, "expected serial:"),
        ({"address": "stdin:", "speed": "0"}, "no option speed"),
    ],
)
def test_options_are_checked(options: dict[str, str], expected: str) -> None:
    with pytest.raises(ValueError, match=expected):
        open_json_lines(options)


def test_an_address_in_use_says_so() -> None:
    with socket.socket(type=socket.SOCK_DGRAM) as other:
        other.bind(("127.0.0.1", 0))
        with pytest.raises(OSError, match="Is another program listening"):
            open_link(f"udp://127.0.0.1:{other.getsockname()[1]}")
