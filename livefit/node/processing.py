"""One run of processing: from messages to messages, without a socket or a clock."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from typing import Any
from uuid import uuid4

import numpy as np

from livefit.definitions import Definitions
from livefit.frames import MarkerBlock, Up
from livefit.kernel.plan import check_seat_tube
from livefit.node.fit import Pair
from livefit.node.intake import open_stream
from livefit.node.order import Run
from livefit.node.pace import Pace
from livefit.node.predicting import Known, bring_inside, predict_next, rider_now
from livefit.node.recorder_watch import RecorderWatch
from livefit.node.settings import Settings
from livefit.node.snapshots import (
    crank_messages,
    health_message,
    live_messages,
    window_message,
)
from livefit.node.standing import (
    MeasuredBicycle,
    Placed,
    bicycle_warnings,
    place_bicycle,
)
from livefit.node.trials import Trials
from livefit.predict import Limit, Prediction
from livefit.wire.messages import (
    Description,
    DeviceState,
    Frames,
    Live,
    Pose,
    Snapshot,
    StandingBicycle,
    State,
)
from livefit.wire.numbers import buffer, number

SILENT_S = 1.0
"""A stream from which nothing came for so long has fallen silent."""
GATHER_S = 0.06
"""Frames are kept so long before the kernel sees them, while no value can become ready."""
LIVE_EVERY_S = 0.05
"""The angles at the moving figure are for the eye, which reads no faster."""
STILL_RPM = 12.0
WORKLOAD_CHANNEL = "workload"


class Processing:
    """The node's state: what came, what it amounts to, and what it is set to.

    Parameters
    ----------
    definitions
        Measures, events, marker sets, bands and adjustments.
    settings
        What the run starts with.

    Attributes
    ----------
    recorder
        What it says of the recording under way.
    trials
        The numbers, and what the fitter does with them.
    changed
        Whether there is something new since the last snapshot.
    """

    def __init__(self, definitions: Definitions, settings: Settings) -> None:
        self._definitions = definitions
        self._name = uuid4().hex[:12]
        self._seat_tube_deg = settings.seat_tube_deg
        self._number = 0
        self._description: Description | None = None
        self._problem: str | None = None
        self._gathered: list[MarkerBlock] = []
        self._awaited = self._newest = 0
        self._live: list[Live] = []
        self._live_at = -math.inf
        self._frame_sent: float | None = None
        self._last_heard: float | None = None
        self.trials = Trials(definitions, settings, self._name)
        self.recorder = RecorderWatch()
        self.refused_messages = 0
        self.changed = True
        self._bicycle: MeasuredBicycle | None = None
        self._placed: Placed | None = None
        self._bicycle_due = False
        definitions.discipline(settings.discipline)

    def describe(self, description: Description) -> None:
        """Take a stream's description; a new one starts everything but the fit anew."""
        if self._description is not None and description.stream == self._description.stream:
            return
        self._description = None
        self._problem = None
        self.changed = True
        self._adopt(description.up)
        try:
            self._reader, self._intake, self._kernel = open_stream(
                description, self._definitions, self.trials.settings
            )
        except ValueError as error:
            self.trials.begin(None)
            self._problem = f"the stream of {description.source} cannot be used: {error}"
            return
        self.trials.begin(self._kernel, self._intake)
        self._description = description
        self._gathered = []
        self._awaited = self._newest = 0
        self._pace = Pace(self._reader.info.rate_hz)

    def take(self, frames: Frames, now: float) -> None:
        """Take frames; those of a stream not described yet are left out.

        now: CLOCK_MONOTONIC, s.
        """
        if self._description is None or frames.stream != self._description.stream:
            return
        runs = self._intake.take(self._reader.read(frames), now)
        if self._last_heard is None or now - self._last_heard > SILENT_S:
            # That frames come again is told at once, not with the next snapshot that is due.
            self.changed = True
        self._last_heard = now
        self._frame_sent = frames.sent
        self._newest = frames.first + frames.count - 1
        self._pace.take(self._newest, now)
        self._use(runs)

    def note(self, state: DeviceState, now: float) -> None:
        """Take what a device says of itself; now: CLOCK_MONOTONIC, s."""
        if self._description is not None and state.stream == self._description.stream:
            self._intake.device.take(state, now)

    def _use(self, runs: list[Run]) -> None:
        for run in runs:
            if run.anew:
                self._begin_anew()
            self._gathered.append(run.block)
            if run.last >= self._awaited:
                self.catch_up()

    def _begin_anew(self) -> None:
        """The device counts anew under the same name: so does everything but the fit."""
        self.catch_up()
        intake, described, self._description = self._intake, self._description, None
        if described is not None:
            self.describe(described)
        self._intake = intake

    def stand(self, bicycle: MeasuredBicycle | None) -> None:
        """Stand a measured bicycle under the rider; None: take it away.

        Raises
        ------
        ValueError
            If no seat tube has its angle.
        """
        if bicycle is not None and bicycle.seat_tube_deg is not None:
            check_seat_tube(bicycle.seat_tube_deg)
        self._bicycle, self._bicycle_due = bicycle, True
        described = self._description
        before = self.trials.settings
        self._adopt(described.up if described else "+z")
        if described is not None and self.trials.settings != before:
            self._begin_anew()

    def _adopt(self, up: Up) -> None:
        """Set what the measured bicycle decides, as it stands with this axis up."""
        bicycle = self._bicycle
        tube = self._seat_tube_deg if bicycle is None else bicycle.standing_seat_tube(up)
        axis = None if bicycle is None else bicycle.axis
        self.trials.settings = self.trials.settings.with_bicycle(
            self._seat_tube_deg if tube is None else tube, axis
        )

    def standing_bicycle(self) -> StandingBicycle | None:
        """The bicycle where it stands, once after each change of it."""
        bike = self._kernel.bike if self._description is not None else None
        if self._bicycle is not None:
            placed = place_bicycle(self._bicycle, bike)
            if self._placed is None or not placed.near(self._placed):
                self._placed, self._bicycle_due = placed, True
        elif self._placed is not None:
            self._placed = None
        if not self._bicycle_due:
            return None
        self._bicycle_due = False
        places = {} if self._placed is None else self._placed.points
        points = {name: place.tolist() for name, place in places.items()}
        return StandingBicycle(node=self._name, points=points)

    def _bicycle_warnings(self) -> list[str]:
        if self._bicycle is None or self._kernel.bike is None:
            return []
        return bicycle_warnings(self._bicycle, self._kernel.bike)

    def catch_up(self) -> None:
        """Give the kernel what was gathered while no value could become ready."""
        if not self._gathered:
            return
        block = MarkerBlock.joined(self._gathered)
        values = self._kernel.push(block)
        self.trials.beside.see(self._kernel.bike, block)
        self._gathered = []
        most = int(GATHER_S * self._reader.info.rate_hz)
        self._awaited = int(block.numbers[-1]) + 1 + min(self._kernel.quiet_frames(), most)
        if self.trials.add(self._kernel, values):
            self.changed = True

    @property
    def quiet_until(self) -> float:
        """When (CLOCK_MONOTONIC, s) the next frame that may bring a value comes; -inf: next."""
        if self._description is None or self._awaited <= self._newest + 1:
            return -math.inf
        return self._pace.due(self._awaited)

    @property
    def source_control(self) -> str | None:
        """Endpoint of the source's own control socket."""
        return self._description.control if self._description else None

    def snapshot(self, now: float) -> Snapshot:
        """Return the whole truth of the moment; now: CLOCK_MONOTONIC, s."""
        self._number += 1
        ready = self._description is not None
        if ready:
            self._use(self._intake.due(now))
        self.catch_up()
        self.changed = False
        trials, fit = self.trials, self.trials.fit
        newest = self._kernel.newest() if ready else None
        cadence = self._kernel.speed_rpm() if ready else None
        state = self._state(now, cadence)
        cranks = self._kernel.bike.cranks if ready and self._kernel.bike else {}
        return Snapshot(
            node=self._name,
            number=self._number,
            sent=now,
            discipline=trials.settings.discipline,
            window=window_message(trials.settings.window),
            stream=self._description.stream if self._description else None,
            source=self._description.source if self._description else None,
            state=state,
            problem=self._problem_now(state, cadence),
            frame=newest[0] if newest else None,
            t=newest[1] if newest else None,
            cadence_rpm=None if cadence is None else round(cadence, 2),
            strokes=trials.strokes_in_window(cranks),
            refused=dict(self._kernel.refused) if ready else {},
            rows=trials.rows() if ready else [],
            cranks=crank_messages(cranks),
            health=health_message(
                self._intake if ready else None,
                now=now,
                delay_ms=None if self._frame_sent is None else 1e3 * (now - self._frame_sent),
                refused_messages=self.refused_messages,
            ),
            marks=list(fit.marks),
            chosen={screen: [list(pair) for pair in rows] for screen, rows in fit.chosen.items()},
            edited_bands=len(fit.edited),
            workload_w=self._kernel.channel(WORKLOAD_CHANNEL) if ready else None,
            device=self._intake.device.newest if ready else None,
            moved=trials.moved(),
            warnings=[*(self._warnings(now) if ready else []), *self.recorder.warnings(now)],
            recording=self.recorder.name(now),
            recorded=self.recorder.recorded(now),
            since=trials.since,
        )

    def rider_now(self) -> Known:
        """What an estimate goes by; this ride's own marks teach how the rider gives way.

        Raises
        ------
        ValueError
            If there is no whole stroke to go by.
        """
        trial = self.trials.present
        if trial is None or self._kernel is None:
            raise ValueError("there is no stream to predict from")
        tube = self.trials.settings.seat_tube_deg
        made = self.trials.adjustments()
        return rider_now(self._kernel, trial, made, self._definitions, tube)

    def predict(self, changes: Mapping[str, float]) -> Prediction:
        """Estimate what changes would do.

        Raises
        ------
        ValueError
            If there is no whole stroke to go by, or a part is not known.
        """
        return predict_next(self.rider_now(), changes, self._definitions)

    def into_bands(
        self, pairs: Sequence[Pair], permitted: Mapping[str, Limit | None] | None
    ) -> Callable[[], dict[str, Any]]:
        """The search for changes that bring these rows inside the bands in force, to be called.

        It takes up to a second or more and may be called in another thread: it goes by what is
        known now.

        Raises
        ------
        ValueError
            If there is no whole stroke to go by, or a row has no band.
        """
        bands = self.trials.fit.bands(self.trials.settings.discipline)
        without = [
            f"{measure} at {event}" for measure, event in pairs if (measure, event) not in bands
        ]
        if without:
            raise ValueError(f"expected rows with a band, found none for {', '.join(without)}")
        wanted = {pair: bands[pair] for pair in pairs}
        return partial(bring_inside, self.rider_now(), wanted, permitted, self._definitions)

    def _warnings(self, now: float) -> list[str]:
        return [
            *self.trials.warnings(),
            *self._intake.warnings(now),
            *self._bicycle_warnings(),
        ]

    def _state(self, now: float, cadence: float | None) -> State:
        if self._description is None:
            return "waiting"
        if self._last_heard is None or now - self._last_heard > SILENT_S:
            return "silent"
        if self._kernel.bike is None:
            return "searching"
        return "still" if cadence is None or abs(cadence) < STILL_RPM else "riding"

    def _problem_now(self, state: State, cadence: float | None) -> str | None:
        if state == "waiting":
            return self._problem
        if state == "silent":
            return "no frames come: check the sensor system and the capture process"
        if cadence is not None and cadence < -STILL_RPM:
            return (
                "the cranks turn backwards: if the rider pedals forwards, the stream's up axis "
                "points down, or its markers are mirrored"
            )
        return self._kernel.problem

    def pose(self, now: float) -> Pose | None:
        """Return the newest frame for the moving figure, None before the first."""
        if self._description is None:
            return None
        kernel = self._kernel
        moment = kernel.preview(self._gathered[-1]) if self._gathered else kernel.moment()
        if moment is None:
            return None
        if now - self._live_at >= LIVE_EVERY_S or not self._live:
            self._live_at = now
            values = kernel.measures_at(moment)
            self._live = live_messages(kernel.plan.sides, values, self.trials.in_doubt)
        bike = kernel.bike
        return Pose(
            node=self._name,
            frame=moment.frame,
            t=moment.t,
            sent=now,
            labels=list(self._kernel.labels),
            xyz=buffer(moment.positions),
            crank_deg=number(float(np.degrees(moment.crank) % 360.0)),
            crank_mm={side: crank.length for side, crank in bike.cranks.items()} if bike else {},
            live=self._live,
        )
