"""A sensor that is broken on purpose, as processes of their own."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from livefit.wire.messages import Snapshot
from livefit.wire.sockets import Subscriber
from tests.end_to_end.running import Fit, strokes, wait_for


@pytest.fixture
def fit() -> Iterator[Fit]:
    running = Fit()
    yield running
    running.close()


def test_the_node_works_on_while_messages_come_mangled(fit: Fit) -> None:
    fit.start_node()
    fit.start_source("simulated", "fault=mangled", "rate=100")

    def told(snapshot: Snapshot) -> bool:
        return snapshot.health.refused_messages > 3 and strokes(snapshot) >= 2

    with Subscriber(fit.results, ["results"]) as results:
        snapshot = wait_for(results, told)
    assert snapshot.source == "simulated: Mangled messages"
    assert snapshot.health.lost > 0
