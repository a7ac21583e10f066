"""Frames out of order, twice, late, from the future and from a device that starts again.

The witness is bookkeeping of the test's own: which number was handed in when, and what came out.
"""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from livefit.frames import MarkerBlock, StreamInfo
from livefit.node.order import CALM_S, FORGET_ASIDE_S, MOST_WAIT_S, FrameOrder, Run

RATE_HZ = 100.0
LABELS = ("R_GT", "R_LE")


def order(sampling: str = "periodic") -> FrameOrder:
    stamped = sampling == "stamped"
    return FrameOrder(
        StreamInfo(LABELS, RATE_HZ, "+z", sampling="stamped" if stamped else "periodic")
    )


def frames(numbers: list[int], t: list[float] | None = None) -> MarkerBlock:
    """Frames whose positions say which they are; stamped by their numbers if not otherwise."""
    index = np.array(numbers, dtype=np.int64)
    stamps = index / RATE_HZ if t is None else np.array(t)
    positions = np.ones((len(index), 2, 3)) * index[:, None, None]
    return MarkerBlock(index, stamps, positions)


def numbers(runs: list[Run]) -> list[int]:
    return [number for run in runs for number in run.block.numbers.tolist()]


def counts(of: FrameOrder) -> dict[str, int]:
    names = ("duplicates", "disordered", "late", "future", "restarts")
    return {name: getattr(of, name) for name in names if getattr(of, name)}


def fed(of: FrameOrder, sent: list[int], *, start: int = 0) -> list[int]:
    """Single frames, 10 ms apart by the clock of arrival; what came out of them."""
    return [
        number
        for k, n in enumerate(sent, start)
        for number in numbers(of.take(frames([n]), k / RATE_HZ))
    ]


def test_a_sound_stream_passes_untouched_and_at_once() -> None:
    """The very blocks: so no number of a sound stream can change."""
    taken = order()
    for k in range(0, 300, 3):
        block = frames([k, k + 1, k + 2])
        [run] = taken.take(block, k / RATE_HZ)
        assert run.block is block
        assert (run.anew, run.arrived) == (False, k / RATE_HZ)
    assert counts(taken) == {}


def test_losses_alone_are_never_waited_for() -> None:
    taken = order()
    sent = [n for n in range(400) if n % 7]
    for n in sent:
        assert numbers(taken.take(frames([n]), n / RATE_HZ)) == [n]
    assert counts(taken) == {}


def test_duplicates_are_left_out() -> None:
    taken = order()
    out = fed(taken, [0, 1, 1, 2, 0, 3, 3, 3, 4, 5])
    assert out == [0, 1, 2, 3, 4, 5]
    assert counts(taken) == {"duplicates": 4}


def test_part_of_a_message_that_came_before() -> None:
    taken = order()
    taken.take(frames([10, 11, 12, 13]), 0.0)
    assert numbers(taken.take(frames([12, 13, 14, 15]), 0.01)) == [14, 15]
    assert counts(taken) == {"duplicates": 2}


def test_the_first_frame_out_of_turn_is_late_and_the_next_is_put_in_its_place() -> None:
    taken = order()
    assert fed(taken, [0, 1, 3, 2, 4]) == [0, 1, 3, 4]
    assert counts(taken) == {"late": 1}
    assert numbers(taken.take(frames([6]), 0.06)) == []
    assert numbers(taken.take(frames([5]), 0.062)) == [5, 6]
    assert counts(taken) == {"late": 1, "disordered": 1}
    # A frame of the gap again is a duplicate now, and one that was never due is late.
    assert fed(taken, [5, 2, 7], start=7) == [7]
    assert counts(taken) == {"late": 1, "disordered": 1, "duplicates": 2}


def test_a_gap_is_waited_for_as_long_as_disorder_needed() -> None:
    """2 came 20 ms after its gap was passed over: half as long again is waited."""
    taken = order()
    assert fed(taken, [0, 1, 3, 4, 2, 5]) == [0, 1, 3, 4, 5]
    assert numbers(taken.take(frames([7]), 1.0)) == []
    assert numbers(taken.due(1.025)) == []
    assert numbers(taken.due(1.031)) == [7]
    assert numbers(taken.take(frames([6]), 1.04)) == []
    assert numbers(taken.take(frames([8]), 1.05)) == [8]
    assert counts(taken) == {"late": 2}


def test_disorder_beyond_the_longest_wait_makes_nothing_wait() -> None:
    taken = order()
    late_by = round((MOST_WAIT_S + 0.05) * RATE_HZ)
    later = list(range(3, 3 + late_by))
    assert fed(taken, [0, 1, *later, 2, later[-1] + 1]) == [0, 1, *later, later[-1] + 1]
    assert counts(taken) == {"late": 1}
    assert numbers(taken.take(frames([later[-1] + 3]), 1.0)) == [later[-1] + 3]


def test_a_minute_without_disorder_ends_the_waiting() -> None:
    taken = order()
    fed(taken, [0, 1, 3, 2, 4])
    calm = 0.05 + CALM_S
    first = 5 + round(calm * RATE_HZ)
    assert numbers(taken.take(frames([first]), calm)) == [first]


@pytest.mark.parametrize("wrong", [5_000, 2**40])
def test_a_number_beyond_reason_is_dropped_when_the_sound_ones_go_on(wrong: int) -> None:
    taken = order()
    out = fed(taken, [0, 1, 2, wrong, 3, 4, wrong + 5, wrong + 6, 5, 6])
    assert out == [0, 1, 2, 3, 4, 5, 6]
    assert counts(taken) == {"future": 3}


def test_a_gap_that_time_explains_is_passed_at_once() -> None:
    taken = order()
    taken.take(frames([0]), 0.0)
    assert numbers(taken.take(frames([6000]), 60.0)) == [6000]


def test_a_leap_of_numbers_and_stamps_together_is_a_gap_once_two_messages_follow() -> None:
    """A recording with a gap that is replayed faster than it was made."""
    taken = order()
    taken.take(frames([0, 1]), 0.0)
    assert numbers(taken.take(frames([6000, 6001]), 0.001)) == []
    assert numbers(taken.take(frames([6002, 6003]), 0.002)) == []
    runs = taken.take(frames([6004]), 0.003)
    assert numbers(runs) == [6000, 6001, 6002, 6003, 6004]
    assert not any(run.anew for run in runs)
    assert counts(taken) == {}


def test_a_leap_of_numbers_without_the_stamps_begins_anew() -> None:
    taken = order()
    taken.take(frames([0, 1]), 0.0)
    runs = [
        run
        for k in range(3)
        for run in taken.take(frames([90_000 + k], [0.02 + k / RATE_HZ]), 0.02 + k / RATE_HZ)
    ]
    assert [(run.first, run.anew) for run in runs] == [
        (90_000, True), (90_001, False), (90_002, False),
    ]  # fmt: skip
    assert counts(taken) == {"restarts": 1}


@pytest.mark.parametrize("sampling", ["periodic", "stamped"])
def test_a_stamp_far_in_the_future_is_dropped(sampling: str) -> None:
    taken = order(sampling)
    out = []
    for n in range(100):
        ahead = 30.0 if n in (20, 50, 51) else 0.0
        out += numbers(taken.take(frames([n], [n / RATE_HZ + ahead]), n / RATE_HZ))
    assert out == [n for n in range(100) if n not in (20, 50, 51)]
    assert counts(taken) == {"future": 3}


def test_a_stamp_far_in_the_future_within_a_message_is_dropped() -> None:
    taken = order()
    out = []
    for first in range(0, 60, 10):
        own = list(range(first, first + 10))
        t = [n / RATE_HZ + (7.0 if n in (24, 39) else 0.0) for n in own]
        out += numbers(taken.take(frames(own, t), own[-1] / RATE_HZ))
    assert out == [n for n in range(60) if n not in (24, 39)]
    assert counts(taken) == {"future": 2}


def test_a_clock_that_jumps_ahead_for_good_is_believed_after_a_third_of_a_second() -> None:
    taken = order()
    fed(taken, list(range(10)))
    out: list[int] = []
    for n in range(10, 60):
        runs = taken.take(frames([n], [n / RATE_HZ + 100.0]), n / RATE_HZ)
        if runs and not out:
            assert n / RATE_HZ - 0.1 == pytest.approx(0.3, abs=0.015)
        assert not any(run.anew for run in runs)
        out += numbers(runs)
    assert out == list(range(10, 60))
    assert counts(taken) == {}


@pytest.mark.parametrize("stamps", [0.0, 77.0], ids=["clock from zero", "clock goes on"])
def test_a_device_that_starts_again_is_noticed_and_loses_no_frame(stamps: float) -> None:
    taken = order()
    fed(taken, list(range(500)))
    out: list[int] = []
    anew_at = None
    for n in range(200):
        now = 7.0 + n / RATE_HZ
        runs = taken.take(frames([n], [stamps + n / RATE_HZ]), now)
        if any(run.anew for run in runs):
            assert runs[0].anew
            anew_at = now
        out += numbers(runs)
    assert out == list(range(200))
    assert anew_at is not None
    assert anew_at - 7.0 <= 2.0
    assert counts(taken) == {"restarts": 1}


def test_gaps_before_a_restart_are_forgotten() -> None:
    taken = order()
    fed(taken, [*range(20), *range(30, 500)])
    fed(taken, list(range(60)), start=700)
    assert fed(taken, [25, 60], start=760) == [60]
    assert counts(taken) == {"restarts": 1, "duplicates": 1}


def test_old_messages_that_come_again_are_no_restart() -> None:
    """The last half second once more, in one go and between new ones."""
    taken = order()
    fed(taken, list(range(500)))
    again = [n for n in range(450, 500) if not numbers(taken.take(frames([n]), 5.01))]
    assert numbers(taken.take(frames([500]), 5.02)) == [500]
    for n in range(60):
        assert numbers(taken.take(frames([400 + n]), 5.1 + n / RATE_HZ)) == []
        assert numbers(taken.take(frames([501 + n]), 5.101 + n / RATE_HZ)) == [501 + n]
    assert counts(taken) == {"duplicates": len(again) + 60}


def test_a_stamped_stream_whose_clock_goes_back_begins_anew() -> None:
    taken = order("stamped")
    fed(taken, list(range(500)))
    runs = [
        run
        for n in range(500, 560)
        for run in taken.take(frames([n], [(n - 500) / RATE_HZ]), n / RATE_HZ)
    ]
    assert numbers(runs) == list(range(500, 560))
    assert [run.first for run in runs if run.anew] == [500]
    assert counts(taken) == {"restarts": 1}


def test_a_stamped_stream_survives_single_stamps_that_go_back() -> None:
    """Far back it is left out; a little back it is the kernel's to cope with."""
    taken = order("stamped")
    fed(taken, list(range(500)))
    assert numbers(taken.take(frames([500], [0.03]), 5.00)) == []
    assert numbers(taken.take(frames([501]), 5.01)) == [501]
    assert numbers(taken.take(frames([502], [5.005]), 5.02)) == [502]
    assert counts(taken) == {"late": 1}


@settings(max_examples=150, deadline=None, derandomize=True, database=None)
@given(
    st.lists(
        st.tuples(
            st.integers(0, 40), st.integers(1, 6), st.integers(0, 80).map(lambda ms: ms / 1000)
        ),
        max_size=30,
    )
)
def test_every_frame_is_used_once_or_counted_under_one_name(
    sent: list[tuple[int, int, float]],
) -> None:
    taken, now, total = order(), 0.0, 0
    runs: list[Run] = []
    for first, count, passed in sent:
        now += passed
        total += count
        runs += taken.take(frames(list(range(first, first + count))), now)
    runs += taken.due(now + FORGET_ASIDE_S + 1.0)
    epochs: list[list[int]] = [[]]
    for run in runs:
        if run.anew:
            epochs.append([])
        epochs[-1] += run.block.numbers.tolist()
        assert (run.block.positions[:, 0, 0] == run.block.numbers).all()
    for epoch in epochs:
        assert epoch == sorted(set(epoch))
    assert len(epochs) == 1 + taken.restarts
    assert sum(map(len, epochs)) + taken.duplicates + taken.late + taken.future == total


@settings(max_examples=60, deadline=None, derandomize=True, database=None)
@given(st.lists(st.integers(0, 3), min_size=60, max_size=60), st.integers(0, 2**32))
def test_small_disorder_loses_nothing_once_it_is_known(delays: list[int], seed: int) -> None:
    """Frames 10 ms apart delayed by up to 30 ms: every one is in time within the wait."""
    taken = order()
    fed(taken, [0, 1, 4, 5, 2, 3, 6])
    arrivals = sorted((n + delay + 1e-6 * n, n) for n, delay in enumerate(delays, 7))
    out: list[int] = []
    for arrival, n in arrivals:
        out += numbers(taken.take(frames([n]), arrival / RATE_HZ))
    out += numbers(taken.due(10.0))
    assert out == sorted(out)
    assert len(out) + taken.late - 2 == 60
    assert taken.late - 2 <= 1
