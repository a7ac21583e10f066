"""One run of processing: from messages to messages, without a socket or a clock."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any
from uuid import uuid4

import numpy as np

from livefit.definitions import Definitions, canonical_labels, match_marker_set
from livefit.frames import MarkerBlock
from livefit.kernel.kernel import Kernel
from livefit.kernel.results import Bands, ResultRow, RollingResults, bands_of
from livefit.kernel.rolling import Rolling
from livefit.node.health import StreamHealth
from livefit.node.settings import Settings
from livefit.wire.blocks import FrameReader
from livefit.wire.messages import Crank, Description, Frames, Health, Live, Pose, Row, Snapshot

SILENT_S = 1.0
"""A stream from which nothing came for so long has fallen silent."""
GATHER_S = 0.03
"""Frames are kept so long before the kernel sees them, while no value can become ready."""
AWAKE_FRAMES = 3
"""The node looks at frames again so many before a value may become ready."""
STILL_RPM = 12.0


class Processing:
    """The node's state: what came, what it amounts to, and what it is set to.

    Parameters
    ----------
    definitions
        Measures, events, marker sets and bands.
    settings
        What the run starts with.

    Attributes
    ----------
    changed
        Whether there is a new value since the last snapshot.
    """

    def __init__(self, definitions: Definitions, settings: Settings) -> None:
        self._definitions = definitions
        self._settings = settings
        self._name = uuid4().hex[:12]
        self._number = 0
        self._description: Description | None = None
        self._problem: str | None = None
        self._baseline: dict[tuple[str, str, str], float] = {}
        self._gathered: list[MarkerBlock] = []
        self._quiet_frames = 0
        self._made: dict[int, tuple[ResultRow, Row]] = {}
        self._frame_sent: float | None = None
        self._last_heard: float | None = None
        self.refused_messages = 0
        self.changed = True
        definitions.discipline(settings.discipline)

    def describe(self, description: Description) -> None:
        """Take a stream's description; a new stream starts everything but the baseline anew."""
        if self._description is not None and description.stream == self._description.stream:
            return
        self._description = None
        self._problem = None
        self.changed = True
        try:
            self._reader = FrameReader(description)
            wanted = self._settings.marker_set or description.marker_set
            sets = self._definitions.marker_sets
            chosen = (
                self._definitions.marker_set(wanted)
                if wanted
                else match_marker_set(description.labels, sets)
            )
            labels = canonical_labels(description.labels, chosen)
            self._kernel = Kernel(
                self._reader.info,
                labels,
                self._definitions.measures,
                self._definitions.events,
                seat_tube_deg=self._settings.seat_tube_deg,
            )
        except ValueError as error:
            self._problem = f"the stream of {description.source} cannot be used: {error}"
            return
        self._health = StreamHealth(labels)
        self._results = RollingResults(
            self._kernel.plan.sides,
            self._definitions.measures,
            self._settings.window,
            self._bands(),
        )
        self._description = description
        self._gathered = []
        self._quiet_frames = 0

    def take(self, frames: Frames, now: float) -> None:
        """Take frames; those of a stream not described yet are left out.

        now: CLOCK_MONOTONIC, s.
        """
        if self._description is None or frames.stream != self._description.stream:
            return
        block = self._health.take(self._reader.read(frames))
        self._last_heard = now
        self._frame_sent = frames.sent
        if not len(block):
            return
        self._gathered.append(block)
        waiting = int(block.numbers[-1] - self._gathered[0].numbers[0]) + 1
        if waiting > self._quiet_frames:
            self._push()

    def _push(self) -> None:
        """Give the kernel what was gathered while no value could become ready."""
        if not self._gathered:
            return
        values = self._kernel.push(MarkerBlock.joined(self._gathered))
        self._gathered = []
        most = int(GATHER_S * self._reader.info.rate_hz)
        self._quiet_frames = min(self._kernel.quiet_frames(), most)
        quick = self._kernel.quick()
        self._results.add(values)
        if self._results.set_quick(quick) or values:
            self.changed = True

    @property
    def quiet_s(self) -> float:
        """Time (s) for which the node need not look at frames: no value can become ready."""
        if self._description is None:
            return 0.0
        return max(0, self._quiet_frames - AWAKE_FRAMES) / self._reader.info.rate_hz

    @property
    def source_control(self) -> str | None:
        """Endpoint of the source's own control socket."""
        return self._description.control if self._description else None

    def snapshot(self, now: float) -> Snapshot:
        """Return the whole truth of the moment; now: CLOCK_MONOTONIC, s."""
        self._number += 1
        if self._description:
            self._push()
        self.changed = False
        common: dict[str, Any] = {
            "node": self._name,
            "number": self._number,
            "sent": now,
            "discipline": self._settings.discipline,
            "window": _window_message(self._settings.window),
        }
        if self._description is None:
            return Snapshot(
                **common,
                stream=None, source=None, state="waiting", problem=self._problem,
                frame=None, t=None, cadence_rpm=None, strokes={}, refused={}, rows=[], cranks=[],
                health=Health(
                    frames=0, lost=0, gaps=0, rate_hz=None, missing={}, delay_ms=None,
                    refused_messages=self.refused_messages,
                ),
            )  # fmt: skip
        kernel, health = self._kernel, self._health
        cadence = kernel.speed_rpm()
        newest = kernel.newest()
        state = self._state(now, cadence)
        return Snapshot(
            **common,
            stream=self._description.stream,
            source=self._description.source,
            state=state,
            problem=self._problem_now(state),
            frame=newest[0] if newest else None,
            t=newest[1] if newest else None,
            cadence_rpm=None if cadence is None else round(cadence, 2),
            strokes={side: self._results.strokes(side) for side in self._sides()},
            refused=dict(kernel.refused),
            rows=self._rows(),
            cranks=self._cranks(),
            health=Health(
                frames=health.frames,
                lost=health.lost,
                gaps=health.gaps,
                rate_hz=health.rate_hz,
                missing=health.missing(),
                delay_ms=None if self._frame_sent is None else 1e3 * (now - self._frame_sent),
                refused_messages=self.refused_messages,
            ),
        )

    def _bands(self) -> Bands:
        return bands_of(self._definitions.discipline(self._settings.discipline))

    def _sides(self) -> list[str]:
        bike = self._kernel.bike
        return sorted(bike.cranks) if bike else []

    def _state(self, now: float, cadence: float | None) -> Any:
        if self._last_heard is None or now - self._last_heard > SILENT_S:
            return "silent"
        if self._kernel.bike is None:
            return "searching"
        return "still" if cadence is None or abs(cadence) < STILL_RPM else "riding"

    def _problem_now(self, state: str) -> str | None:
        if state == "silent":
            return "no frames come: check the sensor system and the capture process"
        return self._kernel.problem

    def _rows(self) -> list[Row]:
        """Rows as messages; those of unchanged results are the same objects as before."""
        rows = self._results.rows()
        made = {id(row): self._made.get(id(row)) or (row, self._row(row)) for row in rows}
        self._made = made
        return [made[id(row)][1] for row in rows]

    def _row(self, row: ResultRow) -> Row:
        baseline = self._baseline.get((row.measure, row.side, row.event))
        interval = None if math.isnan(row.low) else [row.low, row.high]
        return Row.model_construct(
            measure=row.measure,
            side=row.side,
            event=row.event,
            crank_deg=_number(row.crank_deg),
            unit=row.unit,
            n=row.n,
            last=_number(row.last),
            mean=_number(row.mean),
            sd=_number(row.sd),
            se=_number(row.se),
            ci95=interval,
            band=list(row.band) if row.band else None,
            verdict=row.verdict,
            baseline=baseline,
        )

    def _cranks(self) -> list[Crank]:
        bike = self._kernel.bike
        if bike is None:
            return []
        return [
            Crank(
                side="L" if side == "L" else "R",
                length_mm=crank.length,
                length_se_mm=crank.length_se,
                spindle_mm=list(crank.spindle),
                spindle_se_mm=list(crank.spindle_se),
            )
            for side, crank in sorted(bike.cranks.items())
        ]

    def pose(self, now: float) -> Pose | None:
        """Return the newest frame for the moving figure, None before the first."""
        if self._description is None:
            return None
        self._push()
        moment = self._kernel.moment()
        if moment is None:
            return None
        live = [
            Live.model_construct(measure=measure.name, side=side.side, value=_number(value))
            for side in self._kernel.plan.sides
            if side.side in moment.values
            for measure, value in zip(
                side.table.measures, moment.values[side.side].tolist(), strict=True
            )
        ]
        bike = self._kernel.bike
        return Pose(
            node=self._name,
            frame=moment.frame,
            t=moment.t,
            sent=now,
            labels=list(self._kernel.labels),
            xyz=moment.positions.astype("<f4").tobytes(),
            crank_deg=_number(float(np.degrees(moment.crank) % 360.0)),
            crank_mm={side: crank.length for side, crank in bike.cranks.items()} if bike else {},
            live=live,
        )

    def request(self, op: str, args: dict[str, Any], now: float) -> dict[str, Any]:
        """Carry out a control request and return its result.

        Raises
        ------
        ValueError
            For an operation or arguments that are not understood; the text says what is expected.
        """
        operations: dict[str, Callable[[dict[str, Any], float], dict[str, Any]]] = {
            "status": self._do_status,
            "set_window": self._do_set_window,
            "restart_window": self._do_restart_window,
            "set_baseline": self._do_set_baseline,
            "clear_baseline": self._do_clear_baseline,
            "set_discipline": self._do_set_discipline,
        }
        if op not in operations:
            known = ", ".join([*operations, "source"])
            raise ValueError(f"there is no operation {op!r}; known are {known}")
        if self._description:
            self._push()
        self.changed = True
        return operations[op](args, now)

    def _do_status(self, args: dict[str, Any], now: float) -> dict[str, Any]:
        del args
        snapshot = self.snapshot(now)
        return snapshot.model_dump(exclude={"rows", "cranks"})

    def _do_set_window(self, args: dict[str, Any], now: float) -> dict[str, Any]:
        del now
        window = _window_asked(args)
        self._settings = replace(self._settings, window=window)
        if self._description:
            self._results.resize(window)
        return {"window": _window_message(window)}

    def _do_restart_window(self, args: dict[str, Any], now: float) -> dict[str, Any]:
        del args, now
        if self._description:
            self._results.restart()
        return {}

    def _do_set_baseline(self, args: dict[str, Any], now: float) -> dict[str, Any]:
        del args, now
        rows = self._results.rows() if self._description else []
        means = {(r.measure, r.side, r.event): r.mean for r in rows if r.n > 1}
        if not means:
            raise ValueError(
                "there is nothing to keep as a baseline yet: ride at least two strokes"
            )
        self._baseline = means
        self._made = {}
        return {"rows": len(means)}

    def _do_clear_baseline(self, args: dict[str, Any], now: float) -> dict[str, Any]:
        del args, now
        self._baseline = {}
        self._made = {}
        return {}

    def _do_set_discipline(self, args: dict[str, Any], now: float) -> dict[str, Any]:
        del now
        name = args.get("name")
        if not isinstance(name, str):
            raise ValueError(f"set_discipline takes a name as text, got {name!r}")
        self._definitions.discipline(name)
        self._settings = replace(self._settings, discipline=name)
        if self._description:
            self._results.judge_by(self._bands())
        return {"discipline": name}


def _window_asked(args: dict[str, Any]) -> Rolling:
    strokes, seconds = args.get("strokes"), args.get("seconds")
    if (strokes is None) == (seconds is None):
        raise ValueError(f"set_window takes either strokes or seconds, got {sorted(args)}")
    if strokes is not None:
        if isinstance(strokes, bool) or not isinstance(strokes, int | float) or strokes % 1:
            raise ValueError(f"strokes must be a whole number, got {strokes!r}")
        return Rolling(strokes=int(strokes))
    if isinstance(seconds, bool) or not isinstance(seconds, int | float):
        raise ValueError(f"seconds must be a number, got {seconds!r}")
    return Rolling(seconds=float(seconds))


def _window_message(window: Rolling) -> dict[str, float]:
    if window.strokes is not None:
        return {"strokes": float(window.strokes)}
    return {"seconds": window.seconds} if window.seconds is not None else {}


def _number(value: float) -> float | None:
    return None if math.isnan(value) else value
