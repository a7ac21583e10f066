"""Messages for the tests, and waiting with a deadline."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from livefit.frames import MarkerBlock, StreamInfo
from livefit.wire.blocks import describe, pack_block
from livefit.wire.change_messages import Against, ChangeRow, Changes
from livefit.wire.messages import Description, Frames, Health, Pose, Reply, Request, Row, Snapshot

INFO = StreamInfo(labels=("R_GT", "R_LE", "R_LM"), rate_hz=200.0, up="+z")


def description(stream: str = "a", precision: str = "f4") -> Description:
    return describe(INFO, stream=stream, source="test", precision=precision)


def block(first: int, count: int, labels: int = 3) -> MarkerBlock:
    """Frames whose positions say which frame they are of."""
    numbers = np.arange(first, first + count)
    positions = 100.0 + numbers[:, None, None] + np.arange(3.0 * labels).reshape(1, labels, 3)
    return MarkerBlock(numbers=numbers, t=numbers / 200.0, positions=positions)


def frames(first: int, count: int = 1, stream: str = "a") -> Frames:
    (message,) = pack_block(block(first, count), description(stream))
    return message


def row() -> Row:
    return Row(
        measure="knee", side="R", event="bottom", crank_deg=180.0, unit="deg", n=3, last=35.5,
        mean=35.0, sd=0.5, se=0.25, ci95=[34.0, 36.0], band=[30.0, 40.0], verdict="within",
    )  # fmt: skip


def snapshot(number: int = 1) -> Snapshot:
    health = Health(
        frames=100, lost=2, gaps=1, rate_hz=199.5, missing={"R_GT": 0.25}, delay_ms=None
    )
    return Snapshot(
        node="n", number=number, stream="a", source="test", state="riding", problem=None,
        frame=100, t=0.5, sent=7.25, discipline="road", window={"strokes": 15.0},
        cadence_rpm=90.5, strokes={"R": 3}, refused={}, rows=[row()], cranks=[], health=health,
    )  # fmt: skip


def change_row() -> ChangeRow:
    return ChangeRow(
        measure="knee", side="R", event="bottom", unit="deg", n=12, aside=3, mean=35.0,
        ci95=[34.0, 36.0], state="settled", more=0, drift=0.01, drift_ci95=[-0.1, 0.12],
        words="settled",
        mark=Against(n=40, mean=38.0, by=-3.0, ci95=[-4.0, -2.0], smallest=1.0, p=0.001,
                     verdict="told", words="straighter"),
    )  # fmt: skip


EXAMPLES = [
    description(),
    frames(5, 2),
    snapshot(),
    Pose(
        node="n", frame=5, t=0.5, sent=7.25, labels=["R_GT"], xyz=bytes(12), crank_deg=None,
        crank_mm={"R": 172.5}, live=[],
    ),
    Changes(node="n", marks=1, rows=[change_row()]),
    Request(op="set_window", args={"strokes": 20}),
    Reply(ok=False, error="no"),
]  # fmt: skip


def until(condition: Callable[[], object], what: str, timeout_s: float = 10.0) -> None:
    """Try again and again until the condition holds; fail with what was waited for."""
    deadline = time.monotonic() + timeout_s
    while not condition():
        if time.monotonic() > deadline:
            raise AssertionError(f"waited {timeout_s} s in vain: {what}")
