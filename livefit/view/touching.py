"""Guided touching without a screen: frames and keys in, what is to be shown out."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from typing import Literal

import numpy as np
from scipy.spatial.transform import Rotation

from livefit.bicycle.axes import GeometryError, Level
from livefit.bicycle.change import Difference, differences
from livefit.bicycle.findings import Finding
from livefit.bicycle.geometry import BicycleGeometry, measure_bicycle
from livefit.bicycle.guide import Guide
from livefit.bicycle.pointer import Calibration
from livefit.bicycle.registration import Placement, RegistrationError
from livefit.bicycle.touching import Touch, TouchDetector, TouchLimits
from livefit.definitions.bicycle import Pointer, TouchPoint
from livefit.frames import FloatArray
from livefit.session.models import Adjustment
from livefit.session.touched import (
    TouchedBicycle,
    found_by_touches,
    moved_bicycle,
    touched_bicycle,
    with_measured,
)
from livefit.view import touch_words as words
from livefit.view.pointer_stream import PointerStream
from livefit.view.turning import Turning
from livefit.wire.messages import Message

Sign = Literal[
    "silent", "unseen", "lift", "away", "set down", "told", "slipped", "turning", "through"
]  # fmt: skip
Command = Literal["theme", "full_screen", "quit"]
SILENT_S = 1.0
UNSEEN_S = 0.5


@dataclass(frozen=True)
class Purpose:
    """What is touched, and what for.

    Attributes
    ----------
    points
        What is known of all points.
    names
        Those to touch, in turn.
    before
        The measurement that the points left out are taken from; None: there is none.
    moved
        A bicycle that was measured and is only to be found again; None: it is measured.
    begun
        Touches made already, by point.
    noted
        Adjustments typed or marked since then.
    level
        What counts as level.
    axle_rise_mm
        How much higher the front axle is on flat ground.
    """

    points: Sequence[TouchPoint]
    names: Sequence[str]
    before: TouchedBicycle | None = None
    moved: TouchedBicycle | None = None
    begun: Mapping[str, Touch] = field(default_factory=dict)
    noted: Sequence[Adjustment] = ()
    level: Level = "axles"
    axle_rise_mm: float = 0.0


class TouchModel:
    """What the person with the pointer sees and does.

    Parameters
    ----------
    purpose
        What is touched.
    pointer
        Its definition.
    calibration
        Its tip; None: it is calibrated first.
    today
        The present day.
    keep
        Called with a new calibration.

    Attributes
    ----------
    guide
        Where in the list the work stands.
    geometry
        The bicycle, once enough was touched.
    problem
        In words, why there is none, or why no touch can come.
    notice
        The newest thing to be told.
    measured_times
        Rises with every change of the list or of its touches.
    told
        Rises with every touch taken or refused: a sign and a sound are due.
    last_good
        Whether the last was taken.
    selected
        Which dimension of the sheet is drawn, counted on beyond the last.
    """

    def __init__(
        self,
        purpose: Purpose,
        pointer: Pointer,
        calibration: Calibration | None,
        *,
        today: date,
        keep: Callable[[Calibration], None] = lambda _: None,
    ) -> None:
        known = {point.name: point for point in purpose.points}
        self.purpose = purpose
        self.pointer = pointer
        self.calibration = calibration
        begun = {name: touch for name, touch in purpose.begun.items() if name in purpose.names}
        self.guide = _onward(Guide(tuple(known[name] for name in purpose.names), touches=begun))
        self.stream = PointerStream(pointer)
        self.turning: Turning | None = None
        self.geometry: BicycleGeometry | None = None
        self.differences: dict[str, Difference] = {}
        self.problem = ""
        self.notice = ""
        self.told = 0
        self.last_good = True
        self.measured_times = 0
        self.selected = 0
        self._moved: TouchedBicycle | None = None
        self._today, self._keep = today, keep
        self._detector: TouchDetector | None = None
        self._from: FloatArray | None = None
        self._waiting = True
        self._heard_at: float | None = None
        self._seen_at: float | None = None
        self._now = 0.0
        self._measure()
        if calibration is None:
            self._begin_turning()
        elif calibration.is_old(today, pointer.age_limit_days):
            self.notice = words.OLD_CALIBRATION.format(
                day=calibration.day, days=(today - calibration.day).days,
                limit=pointer.age_limit_days,
            )  # fmt: skip

    @property
    def sign(self) -> Sign:
        """What the pointer is doing, as far as it matters."""
        if self._heard_at is None or self._now - self._heard_at > SILENT_S:
            return "silent"
        if self._seen_at is None or self._now - self._seen_at > UNSEEN_S:
            return "unseen"
        if self.turning is not None:
            return "turning"
        if self.guide.now is None:
            return "through"
        if self._detector is None:
            return "away"
        state = self._detector.state
        if self._waiting and state != "away":
            return "lift"
        return "slipped" if state == "told" and self.guide.refused else state

    @property
    def instruction(self) -> str:
        """What to do now."""
        if self.turning is not None:
            return words.CALIBRATE
        return self.guide.now.say if self.guide.now is not None else self.guide.text

    @property
    def detail(self) -> str:
        """What else to know now: the newest notice, or what the sign means."""
        if self.turning is not None:
            left = self.turning.left_s
            return words.CALIBRATING.format(left=left) if left else self.notice
        return self.guide.refused or words.SIGN_DETAIL.get(self.sign, "") or self.notice

    @property
    def complete(self) -> bool:
        """Whether the list is through and the bicycle measured."""
        return self.guide.now is None and self.geometry is not None

    @property
    def findings(self) -> tuple[str, ...]:
        """What looks like a mistake."""
        return tuple(finding.text for finding in self._by_weight())

    def _by_weight(self) -> list[Finding]:
        """The findings, those first that cause others: a false pair turns the axes."""
        found = self.geometry.findings if self.geometry else ()
        return sorted(found, key=lambda finding: _WEIGHT.index(finding.kind))

    def take(self, message: Message, now: float) -> None:
        """Take a message of the stream, received at now (s)."""
        self._now = now
        frames = self.stream.take(message)
        self.problem = self.stream.problem or self.problem
        if self.stream.anew:
            self._detector = None
        if frames is None:
            return
        self._heard_at = now
        t, seen = frames
        if (np.isfinite(seen).all(axis=-1).sum(axis=1) >= 3).any():
            self._seen_at = now
        if self.turning is not None:
            self._turn(t, seen)
        elif self.calibration is not None:
            self._touch(self.calibration, t, seen)

    def pass_time(self, now: float) -> None:
        """Nothing came until now (s)."""
        self._now = now

    def press(self, key: str) -> Command | None:
        """Do what a key asks for; what only the window can do is handed back."""
        if key in ("Up", "Down"):
            self.selected += 1 if key == "Down" else -1
            return None
        does = _BY_KEY.get(key, "")
        if does == "calibrate":
            self._begin_turning()
        elif does == "again":
            for finding in self._by_weight()[:1]:
                guide = self.guide
                for name in reversed(finding.points):
                    guide = guide.retake(name)
                self._go(guide)
        elif does in ("retake", "skip", "back", "next"):
            self._go(getattr(self.guide, does)())
        return next((c for c in ("theme", "full_screen", "quit") if c == does), None)

    def document(self, taken: datetime) -> TouchedBicycle | None:
        """The bicycle as it is kept; None: there is none yet."""
        if self._moved is not None:
            return self._moved
        if self.calibration is None or not self.guide.touches or self.purpose.moved is not None:
            return None
        return touched_bicycle(
            self.geometry, self._touches(), self.calibration, taken=taken,
            pointer=self.pointer.name, level=self.purpose.level, up=self.stream.up,
            axle_rise_mm=self.purpose.axle_rise_mm, markers=self.stream.bike_markers(),
            adjustments=with_measured(self.differences, self.purpose.noted)
            if self.differences else (),
        )  # fmt: skip

    def _touches(self) -> dict[str, Touch]:
        """Those of before that were not made anew, and those made."""
        before = self.purpose.before
        kept = {} if before is None else before.all_touches()
        if self.guide.skipped:
            kept = {name: touch for name, touch in kept.items() if name not in self.guide.skipped}
        return {**kept, **self.guide.touches}

    def _go(self, guide: Guide) -> None:
        self.guide = guide
        self.notice = ""
        self._measure()

    def _begin_turning(self) -> None:
        self.turning = Turning(self.pointer)
        self._detector = None

    def _turn(self, t: FloatArray, seen: FloatArray) -> None:
        """Calibrate: what is too little or too bad is told, and it goes on."""
        turning = self.turning
        if turning is None:
            return
        turning.take(t, seen)
        if not turning.due:
            return
        found = turning.finish(self._today)
        if isinstance(found, str):
            self.notice = found
            return
        self.told += 1
        self.calibration, self.turning, self.last_good = found, None, True
        self.notice = words.CALIBRATED.format(se=found.tip_se, residual=found.residual)
        self._keep(found)

    def _touch(self, calibration: Calibration, t: FloatArray, seen: FloatArray) -> None:
        poses = calibration.poses(seen)
        tips = poses.place(calibration.tip)
        there = np.flatnonzero(np.isfinite(tips[:, 0]))
        if self._detector is None:
            self._detector = TouchDetector(self.stream.rate_hz)
            self._waiting, self._from = True, None
        resting = self._lies_where_found(tips[there])
        for touch in self._detector.push(t, tips, poses.rotation):
            if self.guide.now is None or resting:
                continue
            after = self.guide.touch(touch)
            self.guide = after if after.refused else _onward(after)
            self.told += 1
            self.last_good = not self.guide.refused
            self.notice = words.SPREAD.format(spread=touch.spread_mm) if self.last_good else ""
            self._measure()

    def _lies_where_found(self, tips: FloatArray) -> bool:
        """Whether the pointer still rests where it was when it was first seen: no touch."""
        if self._waiting and self._from is None and len(tips):
            self._from = tips[0]
        if self._from is not None and len(tips):
            away = np.linalg.norm(tips - self._from, axis=1)
            if (away > TouchLimits().leave_mm).any():
                self._waiting, self._from = False, None
        return self._waiting

    def _measure(self) -> None:
        """Compute the bicycle as far as it goes."""
        self.measured_times += 1
        self.geometry, self.differences, self.problem = None, {}, self.stream.problem
        if self.purpose.moved is not None:
            self._find_again(self.purpose.moved)
            return
        if self.calibration is None or not self.guide.touches:
            return
        try:
            self.geometry = measure_bicycle(
                self._touches(), self.purpose.points, self.calibration, level=self.purpose.level,
                up=self.stream.up, axle_rise_mm=self.purpose.axle_rise_mm,
            )  # fmt: skip
            if self.purpose.before is not None:
                self.differences = differences(
                    self.purpose.before.all_touches(), self.guide.touches, self.purpose.points,
                    (self.purpose.before.tip, self.calibration),
                    placement=self.purpose.before.placement, level=self.purpose.level,
                    up=self.stream.up, axle_rise_mm=self.purpose.axle_rise_mm,
                )  # fmt: skip
        except GeometryError as error:
            self.geometry = None
            if self.guide.now is None:
                self.problem = words.NOT_MEASURED.format(error=error)

    def _find_again(self, before: TouchedBicycle) -> None:
        """Bring a moved bicycle back into place, once all its points are touched."""
        self._moved = None
        if self.guide.now is not None:
            return
        try:
            placement = found_by_touches(before, self.guide.touches, self.purpose.points)
            self._moved = moved_bicycle(before, placement)
            self.geometry = self._moved.geometry(self.purpose.points)
        except (RegistrationError, GeometryError) as error:
            self.problem = words.AGAIN_REFUSED.format(error=error)
            return
        self.notice = again_text(before, placement)


def _onward(guide: Guide) -> Guide:
    """The next point that still needs a touch, from this one on."""
    while guide.now is not None and guide.now.name in guide.touches:
        guide = guide.next()
    return guide


def again_text(before: TouchedBicycle, placement: Placement) -> str:
    """How far a bicycle was moved, and how well its points fit, in words."""
    middle = np.mean([touch.point for touch in before.touches.values()], axis=0)
    return words.AGAIN_FOUND.format(
        residual=placement.residual,
        shift=np.linalg.norm(placement.place(middle) - middle),
        turn=np.degrees(Rotation.from_matrix(placement.rotation).magnitude()),
    )


_WEIGHT = ("facing", "middle", "cranks", "bar", "order", "place")
_BY_KEY = {key: does for key, _, does, other in words.ACTIONS for key in (key, *other)}
