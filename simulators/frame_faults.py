"""What goes wrong with the frames where they are measured.

Each fault is frozen settings and a pure function of the frames: the same frame comes out the same
whatever block it goes in with.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Annotated, Literal

import numpy as np
from numpy.typing import NDArray
from pydantic import Field

from livefit.frames import MarkerBlock
from simulators.scene import FaultSettings, Positive, Scene, Seconds, Share
from simulators.schedule import blend
from simulators.truth import crank_angle

_FORGOTTEN = 1e-12
"""A bad spell that would have had to last so improbably long is not looked for."""


class FrameFault(FaultSettings):
    """Something that goes wrong with the frames."""

    def apply(self, block: MarkerBlock, scene: Scene) -> MarkerBlock:
        """The block (at least one frame) with the fault in it."""
        raise NotImplementedError


class RandomLoss(FrameFault):
    """Frames that never arrive, each by its own chance."""

    kind: Literal["random_loss"]
    share: Share

    def apply(self, block: MarkerBlock, scene: Scene) -> MarkerBlock:
        """Leave frames out; they keep their numbers."""
        return _only(block, scene.chance(block.numbers, 1)[:, 0] >= self.share)


class BurstyLoss(FrameFault):
    """Losses in bursts: good and bad spells with a chance of loss each.

    Gilbert EN (1960) Bell Syst Tech J 39:1253-1265; Elliott EO (1963) Bell Syst Tech J
    42:1977-1997.

    Attributes
    ----------
    share
        Of the time that is bad.
    mean_frames
        Mean length of a bad spell.
    lost_in_bad, lost_in_good
        Chance of a frame to be lost.
    """

    kind: Literal["bursty_loss"]
    share: Annotated[float, Field(gt=0, le=0.5)]
    mean_frames: Annotated[float, Field(ge=2)]
    lost_in_bad: Share = 1.0
    lost_in_good: Share = 0.0

    def apply(self, block: MarkerBlock, scene: Scene) -> MarkerBlock:
        """Leave frames out; they keep their numbers.

        One number a frame moves the chain: low ones make it bad and high ones good whatever it
        was, those between leave it as it is. So the newest low or high number says what it is.
        """
        turns_good = 1 / self.mean_frames
        turns_bad = turns_good * self.share / (1 - self.share)
        back = int(np.log(_FORGOTTEN) / np.log(1 - turns_good - turns_bad)) + 1
        first = int(block.numbers[0])
        numbers = np.arange(first - back, int(block.numbers[-1]) + 1)
        chance = scene.chance(numbers, 2)
        bad_now, good_now = chance[:, 0] < turns_bad, chance[:, 0] >= 1 - turns_good
        newest = np.maximum.accumulate(np.where(bad_now | good_now, np.arange(len(numbers)), 0))
        limit = np.where(bad_now[newest], self.lost_in_bad, self.lost_in_good)
        return _only(block, (chance[:, 1] >= limit)[block.numbers - numbers[0]])


class Hidden(FrameFault):
    """Markers out of sight while their own side's crank is between two angles.

    So the near arm or the crank hides hip or knee, once in every stroke.
    """

    kind: Literal["hidden"]
    markers: Annotated[tuple[str, ...], Field(min_length=1)]
    from_deg: float = 0.0
    to_deg: float = 360.0
    at_s: Seconds = 0.0

    def apply(self, block: MarkerBlock, scene: Scene) -> MarkerBlock:
        """Make the markers missing."""
        t = scene.seconds(block.numbers)
        positions = block.positions.copy()
        for label in self.markers:
            crank = np.degrees(crank_angle(scene.simulation, label[0], t))
            inside = (crank - self.from_deg) % 360.0 < self.to_deg - self.from_deg
            positions[inside & (t >= self.at_s), scene.column(label)] = np.nan
        return replace(block, positions=positions)


class Zeros(FrameFault):
    """A marker that is missing stands at the origin."""

    kind: Literal["zeros"]

    def apply(self, block: MarkerBlock, scene: Scene) -> MarkerBlock:
        """Put zeros where nothing was seen."""
        return replace(block, positions=np.nan_to_num(block.positions, nan=0.0))


class Stamps(FrameFault):
    """Time stamps that scatter, from a clock that goes wrong or began elsewhere.

    Attributes
    ----------
    jitter_ms
        Standard deviation, without bounds: stamps may go back.
    drift_ppm
        By how much the clock runs fast.
    offset_s
        What the clock says at the beginning.
    """

    kind: Literal["stamps"]
    jitter_ms: Annotated[float, Field(ge=0)] = 0.0
    drift_ppm: float = 0.0
    offset_s: float = 0.0

    def apply(self, block: MarkerBlock, scene: Scene) -> MarkerBlock:
        """Change the time stamps; Box GEP, Muller ME (1958) Ann Math Stat 29:610-611."""
        u, v = scene.chance(block.numbers, 2).T
        normal = np.sqrt(-2 * np.log1p(-u)) * np.cos(2 * np.pi * v)
        stamps = block.t * (1 + 1e-6 * self.drift_ppm) + self.offset_s
        return replace(block, t=stamps + 1e-3 * self.jitter_ms * normal)


class Ahead(FrameFault):
    """Some frames are stamped with a time that has not come yet."""

    kind: Literal["ahead"]
    share: Share
    by_s: Positive

    def apply(self, block: MarkerBlock, scene: Scene) -> MarkerBlock:
        """Change those time stamps."""
        chosen = scene.chance(block.numbers, 1)[:, 0] < self.share
        return replace(block, t=block.t + self.by_s * chosen)


class Swapped(FrameFault):
    """Two labels exchange their markers in mid-ride, and perhaps back."""

    kind: Literal["swapped"]
    one: str
    other: str
    at_s: Seconds
    until_s: Seconds | None = None

    def apply(self, block: MarkerBlock, scene: Scene) -> MarkerBlock:
        """Exchange two columns."""
        t = scene.seconds(block.numbers)
        during = (t >= self.at_s) & (t < (np.inf if self.until_s is None else self.until_s))
        one, other = scene.column(self.one), scene.column(self.other)
        positions = block.positions.copy()
        positions[during, one] = block.positions[during, other]
        positions[during, other] = block.positions[during, one]
        return replace(block, positions=positions)


class Slipped(FrameFault):
    """A marker slides along the skin toward another one, at once or slowly, and stays there.

    ``along``: markers that go the same way, as an arm goes with a trunk that bends.
    """

    kind: Literal["slipped"]
    marker: str
    toward: str
    mm: float
    at_s: Seconds
    over_s: Positive = 0.5
    along: tuple[str, ...] = ()

    def apply(self, block: MarkerBlock, scene: Scene) -> MarkerBlock:
        """Move the marker; below zero it moves away. Where the other is missing it stays."""
        column = scene.column(self.marker)
        way = block.positions[:, scene.column(self.toward)] - block.positions[:, column]
        length = np.sqrt((way**2).sum(axis=1))[:, None]
        slid = self.mm * blend((scene.seconds(block.numbers) - self.at_s) / self.over_s)
        positions = block.positions.copy()
        moved = np.nan_to_num(slid[:, None] * way / length)
        for marker in (self.marker, *self.along):
            positions[:, scene.column(marker)] += moved
        return replace(block, positions=positions)


class Swinging(FrameFault):
    """A marker that has come loose and swings up and down."""

    kind: Literal["swinging"]
    marker: str
    mm: Positive
    hz: Positive
    at_s: Seconds = 0.0

    def apply(self, block: MarkerBlock, scene: Scene) -> MarkerBlock:
        """Move the marker along the upward axis."""
        t = scene.seconds(block.numbers)
        positions = block.positions.copy()
        swing = self.mm * np.sin(2 * np.pi * self.hz * t) * (t >= self.at_s)
        positions[:, scene.column(self.marker), "xyz".index(scene.info.up[1])] += swing
        return replace(block, positions=positions)


class Strays(FrameFault):
    """Reflections that are taken for a marker now and then."""

    kind: Literal["strays"]
    marker: str
    share: Share
    mm: Positive

    def apply(self, block: MarkerBlock, scene: Scene) -> MarkerBlock:
        """Put the marker somewhere else, so far away, in a direction of chance."""
        chance = scene.chance(block.numbers, 3)
        turn, height = 2 * np.pi * chance[:, 1], 2 * chance[:, 2] - 1
        flat = np.sqrt(1 - height**2)
        away = np.stack([flat * np.cos(turn), flat * np.sin(turn), height], axis=1)
        positions = block.positions.copy()
        chosen = chance[:, :1] < self.share
        positions[:, scene.column(self.marker)] += self.mm * np.where(chosen, away, 0.0)
        return replace(block, positions=positions)


class Scaled(FrameFault):
    """Every length too large or too small: another unit, or a wrong calibration."""

    kind: Literal["scaled"]
    factor: Positive

    def apply(self, block: MarkerBlock, scene: Scene) -> MarkerBlock:
        """Multiply the positions."""
        return replace(block, positions=self.factor * block.positions)


class Rounded(FrameFault):
    """Positions in coarse steps."""

    kind: Literal["rounded"]
    step_mm: Positive

    def apply(self, block: MarkerBlock, scene: Scene) -> MarkerBlock:
        """Round the positions."""
        return replace(block, positions=self.step_mm * np.round(block.positions / self.step_mm))


class Slower(FrameFault):
    """From some moment on the device takes only one frame in so many, and numbers those.

    To be put last: numbers and time no longer go together after it.
    """

    kind: Literal["slower"]
    one_in: Annotated[int, Field(ge=2)]
    at_s: Seconds

    def apply(self, block: MarkerBlock, scene: Scene) -> MarkerBlock:
        """Thin the frames out and number them anew."""
        begin = round(self.at_s * scene.info.rate_hz)
        since = np.maximum(block.numbers - begin, 0)
        kept = _only(block, since % self.one_in == 0)
        since = np.maximum(kept.numbers - begin, 0)
        return replace(kept, numbers=kept.numbers - since + since // self.one_in)


AnyFrameFault = Annotated[
    RandomLoss
    | BurstyLoss
    | Hidden
    | Zeros
    | Stamps
    | Ahead
    | Swapped
    | Slipped
    | Swinging
    | Strays
    | Scaled
    | Rounded
    | Slower,
    Field(discriminator="kind"),
]


def apply_faults(faults: Sequence[FrameFault], block: MarkerBlock, scene: Scene) -> MarkerBlock:
    """The block with one fault after the other in it; it may become empty."""
    for place, fault in enumerate(faults):
        if not len(block):
            break
        block = fault.apply(block, replace(scene, place=place))
    return block


def check_faults(faults: Sequence[FrameFault], scene: Scene) -> None:
    """Try each fault on one frame without markers, before a ride.

    Raises
    ------
    ValueError
        If a fault needs a marker that the stream has not.
    """
    unseen = np.full((1, len(scene.info.labels), 3), np.nan)
    for fault in faults:
        fault.apply(MarkerBlock(np.zeros(1, np.int64), np.zeros(1), unseen), scene)


def _only(block: MarkerBlock, kept: NDArray[np.bool_]) -> MarkerBlock:
    return MarkerBlock(
        block.numbers[kept], block.t[kept], block.positions[kept], block.channels[kept]
    )
