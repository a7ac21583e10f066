"""Whether it records, how long, and how long the disk has room: in every window's header."""

from __future__ import annotations

import pytest

from livefit.definitions import load_definitions
from livefit.view.header import Readout, header_readouts
from livefit.wire.messages import Recorded
from tests.wire.wire_examples import snapshot


def shown(recorded: Recorded | None) -> Readout:
    name = None if recorded is None else "a.mcap"
    told = snapshot().model_copy(update={"recording": name, "recorded": recorded})
    (found,) = (r for r in header_readouts(told, load_definitions(), []) if "record" in r.caption)
    return found


@pytest.mark.parametrize(
    ("seconds", "left_s", "value", "unit", "care"),
    [
        (45.0, None, "45 s", "", False),
        (754.0, 11_000.0, "12 min", "3 h left", False),
        (7300.0, 500.0, "2 h", "8 min left", True),
    ],
)
def test_a_recording(
    seconds: float, left_s: float | None, value: str, unit: str, care: bool
) -> None:
    found = shown(Recorded(seconds=seconds, size=1, frames=2, lost=0, left_s=left_s))
    assert (found.value, found.unit, found.care) == (value, unit, care)


def test_no_recording() -> None:
    assert shown(None).value == "off"
