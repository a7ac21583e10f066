"""The lab streaming layer: descriptions by the published recommendation, and real streams.

The streams are real ones of liblsl on this machine; nothing goes out on a network.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import closing
from typing import Any

import numpy as np
import pytest

from livefit.frames import MarkerBlock
from livefit.sources import lsl
from livefit.sources.base import MissingPackageError, optional_package
from livefit.sources.lsl import Inlet, LslSource, open_lsl, stream_query
from livefit.sources.lsl_layout import layout_of
from tests.sources.lsl_streams import camera

PATIENCE_S = 15.0

WIKI = """<?xml version="1.0"?><info><name>camera</name><channel_count>9</channel_count>
<channel_format>float32</channel_format><nominal_srate>100.0</nominal_srate><desc><channels>
<channel><label>knee z</label><marker>R_LE</marker>
  <type>PositionZ</type><unit>meters</unit></channel>
<channel><label>knee x</label><marker>R_LE</marker>
  <type>PositionX</type><unit>meters</unit></channel>
<channel><label>knee y</label><marker>R_LE</marker>
  <type>PositionY</type><unit>meters</unit></channel>
<channel><label>knee c</label><marker>R_LE</marker>
  <type>Confidence</type><unit>normalized</unit></channel>
<channel><label>workload</label><unit>W</unit></channel>
<channel><label>R_GT_X</label><type>PositionX</type><unit>millimeters</unit></channel>
<channel><label>R_GT_Y</label><type>PositionY</type><unit>millimeters</unit></channel>
<channel><label>R_GT_Z</label><type>PositionZ</type><unit>millimeters</unit></channel>
<channel><label>R_GT_A</label><marker>R_GT</marker><type>OrientationA</type></channel>
</channels></desc></info>"""


def test_a_description_by_the_recommendation() -> None:
    layout = layout_of(WIKI)
    assert (layout.name, layout.rate_hz, layout.labels) == ("camera", 100.0, ("R_LE", "R_GT"))
    assert [(c.name, c.unit) for c in layout.channels] == [("workload", "W")]
    samples = np.array(
        [
            [3.0, 1.0, 2.0, 1.0, 250.0, 10.0, 20.0, 30.0, 0.0],
            [3.0, 1.0, 2.0, 0.0, 250.0, 10.0, np.nan, 30.0, 0.0],
        ]
    )
    positions = layout.positions(samples)
    assert positions[0].tolist() == [[1000.0, 2000.0, 3000.0], [10.0, 20.0, 30.0]]
    assert np.isnan(positions[1]).all()
    assert samples[0, layout.channel_columns].tolist() == [250.0]


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("PositionY", "Speed", "found fewer"),
        ("<unit>meters", "<unit>feet", "unit of length"),
        ("<channel_count>9", "<channel_count>8", "9 described of 8"),
        ("float32", "string", "string"),
        ("</info>", "", "XML"),
    ],
)
def test_a_description_that_cannot_be_used(old: str, new: str, expected: str) -> None:
    with pytest.raises(ValueError, match=expected):
        layout_of(WIKI.replace(old, new))


@pytest.fixture
def source(request: pytest.FixtureRequest) -> Iterator[LslSource]:
    with closing(open_lsl({"up": "+y", "name": request.node.name})) as opened:
        yield opened


def read_until(source: LslSource, enough: Callable[[MarkerBlock], object]) -> MarkerBlock:
    deadline = time.monotonic() + PATIENCE_S
    blocks: list[MarkerBlock] = []
    while time.monotonic() < deadline:
        block = source.read(0.02)
        if block is not None:
            blocks.append(block)
            if enough(MarkerBlock.joined(blocks)):
                return MarkerBlock.joined(blocks)
    raise AssertionError(f"{sum(map(len, blocks))} frames came within {PATIENCE_S:g} s")


def connected(source: LslSource) -> None:
    deadline = time.monotonic() + PATIENCE_S
    while not source.control("source.state", {})["connected"]:
        assert time.monotonic() < deadline, "the stream was not found"
        source.read(0.02)


def push(out: Any, frames: int, *, begin_s: float, metres: float = 0.25) -> None:
    for k in range(frames):
        out.push_sample([metres, 0.5, 0.75, 90.0], begin_s + k / 100)


def test_a_stream_is_read_lost_and_found_again(
    source: LslSource, request: pytest.FixtureRequest
) -> None:
    assert source.read(0.0) is None
    assert source.describe() is None
    name = request.node.name
    out = camera(name, ["R_CA"])
    connected(source)
    push(out, 5, begin_s=100.0)
    block = read_until(source, lambda block: len(block) == 5)
    info = source.describe()
    assert info is not None
    assert (info.labels, info.rate_hz, info.up) == (("R_CA",), 100.0, "+y")
    assert block.numbers.tolist() == [0, 1, 2, 3, 4]
    assert block.positions[:, 0].tolist() == [[250.0, 500.0, 750.0]] * 5
    assert block.channels.tolist() == [[90.0]] * 5
    # Both ends have one clock here, so the correction is next to nothing.
    assert block.t == pytest.approx(100.0 + np.arange(5) / 100, abs=0.005)

    push(out, 2, begin_s=102.0)
    block = read_until(source, lambda block: len(block) == 2)
    # Two seconds after frame 0, at 100 Hz.
    assert block.numbers.tolist() == [200, 201]

    del out
    deadline = time.monotonic() + PATIENCE_S
    while source.control("source.state", {})["connected"]:
        assert time.monotonic() < deadline
        source.read(0.02)
    out = camera(name, ["R_VM"])
    connected(source)
    push(out, 3, begin_s=50.0, metres=1.0)
    block = read_until(source, lambda block: len(block) == 3)
    again = source.describe()
    assert again is not None
    assert again.labels == ("R_VM",)
    assert block.numbers.tolist() == [0, 1, 2]
    assert block.positions[0, 0, 0] == 1000.0


@pytest.mark.parametrize(
    ("labels", "rate_hz", "why"),
    [(["R_CA"], 0.0, "say rate=HZ"), ([], 100.0, "at least one"), (["R_CA"], 2e4, "rate_hz")],
)
def test_a_stream_that_cannot_be_used_says_why(
    labels: list[str], rate_hz: float, why: str, source: LslSource, request: pytest.FixtureRequest
) -> None:
    out = camera(request.node.name, labels, rate_hz=rate_hz)
    connected(source)
    deadline = time.monotonic() + PATIENCE_S
    while source.control("source.state", {})["problem"] is None:
        assert time.monotonic() < deadline
        out.push_sample([1.0] * (3 * len(labels) + 1))
        assert source.read(0.02) is None
    assert why in source.control("source.state", {})["problem"]
    assert source.describe() is None


class OtherMachine:
    """An inlet whose clock is known to be off, in place of pylsl's."""

    def __init__(self) -> None:
        self.correction = 5.0
        self.sent = [([0.0, 0.0, 1.0, 60.0], 7.0), ([0.0, 0.0, 1.0, 60.0], 7.01)]

    def pull_sample(self, timeout: float) -> tuple[list[float] | None, float | None]:
        return self.sent.pop(0) if self.sent else (None, None)

    def pull_chunk(self, timeout: float, max_samples: int) -> tuple[list[Any], list[float]]:
        return [], []

    def time_correction(self, timeout: float) -> float:
        return self.correction

    def close_stream(self) -> None:
        self.sent = []

    def open_stream(self, timeout: float) -> None:
        pass

    def info(self, timeout: float) -> Any:
        return self

    def as_xml(self) -> str:
        return WIKI

    def uid(self) -> str:
        return "one"


def test_another_machines_clock_is_corrected(monkeypatch: pytest.MonkeyPatch) -> None:
    """time_correction is what is added to remote stamps, says liblsl's documentation."""
    remote, now = OtherMachine(), [0.0]
    resolver = type("Resolver", (), {"results": lambda self: [remote]})
    fake = type(
        "FakeLsl",
        (),
        {
            "ContinuousResolver": lambda **_: resolver(),
            "StreamInlet": lambda info, recover: remote,
        },
    )
    monkeypatch.setattr(lsl, "optional_package", lambda *_: fake)
    with closing(Inlet("type='MoCap'", clock=lambda: now[0])) as inlet:
        assert inlet.read(0.0)[0].tolist() == [12.0]
        now[0], remote.correction = 60.0, 5.5
        assert inlet.read(0.0)[0].tolist() == [12.51]


def test_a_missing_package_says_what_to_install() -> None:
    with pytest.raises(MissingPackageError, match=r"pip install 'livefit\[lsl\]'"):
        optional_package("a_package_that_is_not_there", "lsl")


@pytest.mark.parametrize(
    ("options", "expected"),
    [
        ({}, "needs up="),
        ({"up": "north"}, "option up"),
        ({"up": "+z", "name": "it's"}, "quotation mark"),
        ({"up": "+z", "rate": "0"}, "option rate"),
        ({"up": "+z", "port": "1"}, "no option port"),
    ],
)
def test_options_are_checked(options: dict[str, str], expected: str) -> None:
    with pytest.raises(ValueError, match=expected):
        open_lsl(options)


def test_a_query_needs_something_to_go_by() -> None:
    with pytest.raises(ValueError, match="which LSL stream"):
        stream_query({}, None)
