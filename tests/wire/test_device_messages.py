"""The topic `device`, and the fields that came with it, in bytes."""

from __future__ import annotations

import msgpack
import pytest

from livefit.wire.codec import TOPICS, WireError, decode, encode
from livefit.wire.messages import Clock, DeviceState, Snapshot
from tests.wire.msgpack_by_hand import read
from tests.wire.wire_examples import snapshot

STATE = DeviceState(stream="a", battery=0.5, lost=3, note="cold")


def test_device_state_in_golden_bytes() -> None:
    # Written out by hand from the msgpack specification: fixmap 6, fixstr, float64, nil, fixint.
    def text(value: str) -> bytes:
        return bytes([0xA0 + len(value)]) + value.encode()

    golden = b"".join(
        [
            b"\x86", text("stream"), text("a"), text("battery"),
            bytes.fromhex("cb 3fe0000000000000"), text("link"), b"\xc0",
            text("temperature_c"), b"\xc0", text("lost"), b"\x03", text("note"), text("cold"),
        ]
    )  # fmt: skip
    assert encode(STATE) == golden
    assert decode(TOPICS["device"], golden) == STATE


def test_everything_but_the_stream_may_be_left_out() -> None:
    assert decode(DeviceState, msgpack.packb({"stream": "a"})) == DeviceState(stream="a")


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"battery": 1.5}, "'device', field 'battery': expected less than or equal to 1, found 1"),
        ({"link": -0.1}, "'device', field 'link': expected greater than or equal to 0"),
        ({"lost": -1}, "'device', field 'lost': expected greater than or equal to 0"),
        ({"stream": 3}, "'device', field 'stream': expected a valid string, found 3"),
    ],
)
def test_a_wrong_field_is_named(change: dict[str, object], said: str) -> None:
    with pytest.raises(WireError, match=said):
        decode(DeviceState, msgpack.packb({"stream": "a"} | change))


def test_a_snapshot_carries_it_and_an_old_one_reads_without() -> None:
    clock = Clock(
        offset_s=2.5, offset_se_s=0.5, drift_ppm=None, drift_se_ppm=None, latency_ms=1.0,
        latency_p99_ms=4.0, jitter_ms=None, jumps=0,
    )  # fmt: skip
    old = snapshot()
    health = old.health.model_copy(update={"late": 2, "clock": clock})
    new = old.model_copy(update={"device": STATE, "warnings": ["soon"], "health": health})
    assert decode(Snapshot, encode(new)) == new
    assert read(encode(new)) == new.model_dump()
    fields = read(encode(old))
    for name in ("device", "warnings"):
        del fields[name]
    for name in ("duplicates", "disordered", "late", "future", "restarts", "clock"):
        del fields["health"][name]
    assert decode(Snapshot, msgpack.packb(fields)) == old
