"""Real LSL streams for the tests, seen on this machine only."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import pylsl as pylsl

# Has to come before anything else is asked of liblsl in this process.
pylsl.set_config_content("[multicast]\nResolveScope = machine\n[log]\nlevel = -3\n")


def camera(name: str, labels: Sequence[str], *, rate_hz: float = 100.0) -> Any:
    """An outlet of marker positions in metres, and the cadence, as a camera's maker makes it."""
    positions = [
        {"label": f"{label}_{axis}", "marker": label, "type": f"Position{axis}", "unit": "meters"}
        for label in labels
        for axis in "XYZ"
    ]
    return outlet(name, "MoCap", [*positions, {"label": "cadence", "unit": "rpm"}], rate_hz)


def outlet(
    name: str, content: str, channels: Sequence[dict[str, str]], rate_hz: float = 0.0
) -> Any:
    """An outlet whose channels are described as they are told."""
    info = pylsl.StreamInfo(name, content, len(channels), rate_hz, pylsl.cf_double64, name)
    listed = info.desc().append_child("channels")
    for described in channels:
        channel = listed.append_child("channel")
        for field, value in described.items():
            channel.append_child_value(field, value)
    return pylsl.StreamOutlet(info)
