"""Faults of messages on the way, and of what a stream says of itself."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from livefit.wire.codec import WireError
from livefit.wire.messages import Description, Frames, Message
from simulators.faults import Fault
from simulators.faulty import FaultySource, journey
from simulators.options import read_options
from simulators.source import SimulatedSource, open_simulated
from simulators.way_faults import Parcel

RATE = 50


def fault(*way: dict[str, object], **said: object) -> Fault:
    return Fault.model_validate(
        {"name": "tried", "title": "Tried", "description": "-", "expect": [], "way": way,
         "said": said}
    )  # fmt: skip


def arrived(tried: Fault, seconds: float = 20.0, size: int = 1) -> list[Parcel]:
    """What arrives after the description."""
    ride = journey(tried, seconds=seconds, frames_a_message=size, rate=str(RATE), side="right")
    assert ride.parcels[0].topic == "description"
    return ride.parcels[1:]


def numbers(parcels: list[Parcel]) -> list[int]:
    found: list[int] = []
    for parcel in parcels:
        message = parcel.read()
        if isinstance(message, Frames):
            found += range(message.first, message.first + message.count)
    return found


def test_without_a_fault_every_frame_arrives_when_it_is_sent() -> None:
    parcels = arrived(fault())
    assert numbers(parcels) == list(range(20 * RATE))
    np.testing.assert_allclose([parcel.due_s for parcel in parcels], np.arange(20 * RATE) / RATE)


def test_some_come_twice() -> None:
    parcels = arrived(fault({"kind": "duplicates", "share": 0.2, "after_s": 0.05}))
    came = numbers(parcels)
    assert sorted(set(came)) == list(range(20 * RATE))
    assert len(came) / (20 * RATE) == pytest.approx(1.2, abs=0.06)
    due = [parcel.due_s for parcel in parcels]
    assert due == sorted(due)


def test_late_ones_are_overtaken_by_as_many_as_fit_into_the_time() -> None:
    came = numbers(arrived(fault({"kind": "late", "share": 0.05, "by_s": 0.07})))
    assert sorted(came) == list(range(20 * RATE))
    late = [n for before, n in pairwise(came) if n < before]
    # 70 ms at 50 Hz: three frames go by, unless they are late too.
    assert 10 < len(late) < 90
    assert {came[came.index(n) - 1] - n for n in late} <= {1, 2, 3}


def test_delay_and_bundles() -> None:
    slow = arrived(fault({"kind": "delay", "by_s": 0.3}))
    assert slow[0].due_s == pytest.approx(0.3)
    bundled = arrived(fault({"kind": "delay", "bundle_s": 0.25}))
    assert numbers(bundled) == list(range(20 * RATE))
    due = np.array([parcel.due_s for parcel in bundled])
    np.testing.assert_allclose(due / 0.25, np.round(due / 0.25), atol=1e-9)
    sent = np.arange(20 * RATE) / RATE
    assert ((due - sent > -1e-9) & (due - sent < 0.25)).all()


def test_a_stall_holds_or_loses_what_is_sent_during_it() -> None:
    held = arrived(fault({"kind": "stall", "at_s": 4.0, "for_s": 2.0}))
    assert numbers(held) == list(range(20 * RATE))
    steps = np.diff([parcel.due_s for parcel in held])
    assert steps.max() == pytest.approx(2.0 + 1 / RATE)
    assert (steps == 0).sum() == 2 * RATE
    lost = numbers(arrived(fault({"kind": "stall", "at_s": 4.0, "for_s": 2.0, "lost": True})))
    assert lost == [n for n in range(20 * RATE) if not 4 * RATE <= n < 6 * RATE]
    assert arrived(fault({"kind": "stall", "at_s": 0.0, "lost": True})) == []


@pytest.mark.parametrize("size", [1, 7])
@pytest.mark.parametrize("same", [False, True])
def test_a_restart_counts_from_zero(size: int, same: bool) -> None:
    ride = fault({"kind": "restart", "at_s": 4.0, "pause_s": 1.0, "same_stream": same})
    parcels = arrived(ride, 10.0, size)
    messages = [parcel.read() for parcel in parcels]
    frames = [message for message in messages if isinstance(message, Frames)]
    begin = next(k for k, (a, b) in enumerate(pairwise(frames)) if b.first < a.first) + 1
    before, after = frames[:begin], frames[begin:]
    assert numbers(parcels) == [*range(4 * RATE), *range(5 * RATE)]
    assert sum(message.count for message in before) == 4 * RATE
    for run in (before, after):
        t = np.concatenate([np.frombuffer(message.t, "<f8") for message in run])
        np.testing.assert_allclose(t, np.arange(len(t)) / RATE, atol=1e-9)
    told = [message for message in messages if isinstance(message, Description)]
    streams = [{message.stream for message in run} for run in (before, after)]
    if same:
        assert streams == [{"tried"}, {"tried"}]
        assert not told
    else:
        assert streams == [{"tried"}, {"tried-again"}]
        assert {d.stream for d in told} == {"tried-again"}
        assert isinstance(messages[messages.index(after[0]) - 1], Description)


def test_mangled_messages_are_refused_by_whoever_reads_them() -> None:
    parcels = arrived(fault({"kind": "mangled", "truncated": 0.1, "noise": 0.1}))
    good = [parcel for parcel in parcels if not isinstance(parcel.content, bytes)]
    bad = [parcel for parcel in parcels if isinstance(parcel.content, bytes)]
    assert len(good) / (20 * RATE) == pytest.approx(0.9, abs=0.04)
    assert len(bad) / (20 * RATE) == pytest.approx(0.2, abs=0.05)
    for parcel in bad:
        with pytest.raises(WireError):
            parcel.read()


def test_a_description_says_what_is_not_so() -> None:
    tried = fault(up="-y", rate_hz=99.0, unit="m", labels={"R_GT": "7"})
    said = journey(tried, seconds=0.1).parcels[0].read()
    assert isinstance(said, Description)
    assert (said.up, said.rate_hz, said.unit) == ("-y", 99.0, "m")
    assert "7" in said.labels
    assert "R_GT" not in said.labels
    incomplete = journey(fault(leave_out=["up"]), seconds=0.1).parcels[0]
    with pytest.raises(WireError, match="field 'up': expected this field, found nothing"):
        incomplete.read()


class Outlet:
    """Keeps what is sent, and is behind as often as it is told."""

    def __init__(self) -> None:
        self.sent: list[Message | bytes] = []
        self.behind = 0

    def publish(self, message: Message) -> bool:
        return self._take(message)

    def publish_raw(self, topic: str, raw: bytes) -> bool:
        assert topic == "frames"
        return self._take(raw)

    def _take(self, content: Message | bytes) -> bool:
        if self.behind:
            self.behind -= 1
            return False
        self.sent.append(content)
        return True

    def serve(self) -> None:
        """Nobody comes or goes."""

    def listeners(self, topic: str) -> int:
        return len(topic)


def live(tried: Fault) -> FaultySource:
    simulation, sensor, _ = read_options({"rate": str(RATE), "side": "right"})
    return FaultySource(SimulatedSource(simulation, sensor), sensor, tried)


def sent_live(tried: Fault, outlet: Outlet) -> None:
    """Publish a second of messages through a source's way."""
    way = live(tried).on_the_way(outlet)
    ride = journey(fault(), seconds=1.0, rate=str(RATE), side="right")
    for parcel in ride.parcels:
        assert isinstance(parcel.content, Message)
        while not way.publish(parcel.content):
            way.serve()


def test_a_live_source_sends_what_arrives() -> None:
    outlet = Outlet()
    tried = fault({"kind": "mangled", "truncated": 0.2, "noise": 0.2}, side="both")
    sent_live(tried, outlet)
    raw = [content for content in outlet.sent if isinstance(content, bytes)]
    assert 8 < len(raw) < 35
    assert isinstance(outlet.sent[0], Description)
    assert outlet.sent[0].side == "both"


def test_a_live_source_says_its_own_side_and_loses_nothing_when_the_listener_is_behind() -> None:
    outlet = Outlet()
    outlet.behind = 3
    sent_live(fault(), outlet)
    assert isinstance(outlet.sent[0], Description)
    assert outlet.sent[0].side == "right"
    frames = [message.first for message in outlet.sent if isinstance(message, Frames)]
    assert frames == list(range(RATE))


def test_a_held_message_goes_out_when_it_is_due() -> None:
    outlet = Outlet()
    way = live(fault({"kind": "delay", "by_s": 0.02})).on_the_way(outlet)
    described, first = journey(fault(), seconds=0.01, rate="100").parcels[:2]
    for parcel in (described, first):
        assert isinstance(parcel.content, Message)
        assert way.publish(parcel.content)
    assert [type(message) for message in outlet.sent] == [Description]
    for _ in range(1_000_000):
        way.serve()
        if len(outlet.sent) == 2:
            break
    assert isinstance(outlet.sent[-1], Frames)


def test_the_option_opens_a_source_with_the_fault_and_own_options_go_before() -> None:
    source = open_simulated({"fault": "right_side", "rate": "60"})
    assert isinstance(source, FaultySource)
    assert source.describe().rate_hz == 60.0
    assert {label[0] for label in source.describe().labels} == {"R"}
    other = open_simulated({"fault": "right_side", "side": "left"})
    assert {label[0] for label in other.describe().labels} == {"L"}
    assert source.control("source.state", {})["crank_mm"] == 172.5
    block = source.read(0.0)
    assert block is not None
    assert len(block) == 1
    with pytest.raises(ValueError, match=r"no fault 'nobodys'; expected one of bending_trunk, "):
        open_simulated({"fault": "nobodys"})
