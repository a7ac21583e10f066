"""How often a prediction's interval holds, and what one adjustment of the rider's own teaches.

``python -m tests.benchmarks predict [--seed N] [--sessions N] [--short] [--picture FILE.png]``

Simulated riders of any size, each answering changes in a way of their own (``simulators``: so many
degrees of foot pitch over the crank and mm of sinking for each mm of saddle; no joint is given a
share). A noisy ride goes through the kernel; from its mean pose changes are predicted, first with
what is published, then after one saddle adjustment of 5 mm and a second noisy ride. The truth is
the simulator's, without noise and without differences from stroke to stroke.

* held: share of changes (each measure at each crank event and mean, both sides) within the 95 %
  interval; wanted 93 to 97 %, at least 90.
* RMS: of the error, in the measure's unit, as published and after learning; ``none`` is the error
  of saying that nothing changes, ``scaled`` that of the change seen after 5 mm taken in proportion
  (saddle only). Wanted for the saddle: half by learning.

What the riders' spread is in the simulator is as much an assumption as the spread in the
prediction: neither is published. So the table says whether intervals and learning are sound for
riders like these, not that real riders are like these.
"""

from __future__ import annotations

from argparse import ArgumentParser, Namespace
from collections import defaultdict
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from time import monotonic

import numpy as np

from livefit.analysis.posed import Posed, posed
from livefit.definitions import Definitions, load_definitions, shipped_dir
from livefit.frames import FloatArray
from livefit.predict import PUBLISHED, Belief, learned, predict
from livefit.predict.learning import observed
from livefit.predict.numbers import Key
from simulators import RiderSimulation, Sensor, observe, stream_info
from simulators.answering import Changed, random_rider
from simulators.chain import OutOfReachError
from simulators.settings import STILL
from simulators.truth import MEASURES, values_at
from tests.benchmarks.scatter import scatter
from tests.benchmarks.tables import Cell, table

CHANGES: dict[str, tuple[dict[str, float], Changed]] = {
    "saddle +10": ({"saddle_height": 10.0}, Changed(saddle_height=10.0)),
    "saddle -10": ({"saddle_height": -10.0}, Changed(saddle_height=-10.0)),
    "crank -5": ({"crank_length": -5.0}, Changed(crank=-5.0)),
    "setback +5": ({"saddle_setback": 5.0}, Changed(setback=5.0)),
    "cleat +3": ({"cleat_fore_aft": 3.0}, Changed(cleat_forward=3.0)),
}
TAUGHT = ({"saddle_height": 5.0}, Changed(saddle_height=5.0))
EVENTS = {"tdc": 0.0, "forward": 90.0, "bdc": 180.0, "rearward": 270.0}
STEPS = 72
RATE_HZ = 100.0
KNEE = ("knee_flexion", "bdc")
Rows = list[tuple[Key, float, float, float, float, float]]
"""(key, truth, predicted, low, high, change seen in proportion)."""


def arguments(parser: ArgumentParser) -> None:
    parser.add_argument("--sessions", type=int, default=200, help="riders")
    parser.add_argument("--minutes", type=float, default=np.inf, help="then it stops with fewer")
    parser.add_argument("--seconds", type=float, default=120.0, help="of each ride")
    parser.add_argument("--picture", type=Path, help="where a picture is saved")


def main(options: Namespace) -> None:
    count = 20 if options.short else options.sessions
    definitions = load_definitions(shipped_dir())
    found: dict[tuple[str, str], Rows] = defaultdict(list)
    began, done, short = monotonic(), 0, 0
    while done < count and monotonic() - began < 60 * options.minutes:
        random = np.random.default_rng([options.seed, done + short])
        try:
            session(random, definitions, options.seconds, found)
        except OutOfReachError:
            short += 1
            continue
        done += 1
    print(
        f"{done} riders, {options.seconds:g} s at {RATE_HZ:g} Hz a ride, seed {options.seed}; "
        f"{short} more whose legs do not reach after a change were left out"
    )
    print(table(_HEAD, [_line(name, found, lambda _: True) for name in CHANGES]))
    print("\nKnee flexion at the bottom, deg")
    print(table(_HEAD, [_line(name, found, _is_knee) for name in CHANGES]))
    print("\nSaddle +10 and -10, by measure")
    names = list(dict.fromkeys(key.measure for key, *_ in found["saddle +10", "published"]))
    print(table(_HEAD, [_saddle_line(name, found) for name in names]))
    if options.picture:
        picture(found, options.picture)
        print(f"\nsaved {options.picture}")


_HEAD = (
    "change", "numbers", "held, %", "held learned, %", "RMS none", "published", "scaled", "learned",
    "learned/published",
)  # fmt: skip


def session(
    random: np.random.Generator,
    definitions: Definitions,
    seconds: float,
    found: dict[tuple[str, str], Rows],
    names: Sequence[str] = tuple(CHANGES),
) -> None:
    """One rider: two rides, the changes of these names predicted twice."""
    rider = random_rider(random)
    sensor = Sensor(rate_hz=RATE_HZ, soft_tissue_mm=random.uniform(0.0, 5.0))
    before = _ride(rider.simulation, sensor, definitions, seconds)
    changed = rider.answering.after(rider.simulation, TAUGHT[1])
    changed = replace(changed, seed=rider.simulation.seed + 1)
    after = _ride(changed, sensor, definitions, seconds)
    seen = observed(before.rider, TAUGHT[0], before.means, after.means)
    beliefs: Mapping[str, Belief] = {
        "published": PUBLISHED,
        "learned": learned([seen], definitions),
    }
    by_seen = {each.key: each.by / TAUGHT[0]["saddle_height"] for each in seen.seen}
    now = _truth(rider.simulation)
    for name in names:
        changes, simulated = CHANGES[name]
        then = _truth(rider.answering.after(rider.simulation, simulated))
        for who, belief in beliefs.items():
            for row in predict(before.rider, changes, definitions, belief=belief).rows:
                key = Key(row.measure, row.side, row.event)
                if key in now and row.by is not None:
                    truth, up = then[key] - now[key], changes.get("saddle_height", np.nan)
                    found[name, who].append(
                        (key, truth, row.by, row.low or 0.0, row.high or 0.0, up * by_seen[key])
                    )


def _ride(
    simulation: RiderSimulation, sensor: Sensor, definitions: Definitions, seconds: float
) -> Posed:
    block = observe(simulation, sensor, count=round(seconds * sensor.rate_hz))
    return posed(stream_info(sensor), block, definitions)


def _truth(simulation: RiderSimulation) -> dict[Key, float]:
    """Every measure at the quarter points and over the stroke, of a stroke without chance."""
    style = replace(
        simulation.style, variation=STILL, speed_variation=0.0, cadence_wander=0.0, start_deg=0.0
    )
    even = replace(simulation, style=style)
    t = np.arange(STEPS) / STEPS * 60.0 / style.cadence_rpm
    known = {}
    for side in "LR":
        first = STEPS // 2 if side == "L" else 0
        for name, values in values_at(even, MEASURES, side, t).items():
            for event, crank in EVENTS.items():
                known[Key(name, side, event)] = float(
                    values[(first + round(crank / 360 * STEPS)) % STEPS]
                )
            known[Key(name, side, "mean")] = float(values.mean())
    return known


def _is_knee(key: Key) -> bool:
    return (key.measure, key.event) == KNEE


def _numbers(rows: Rows, wanted: Callable[[Key], bool]) -> FloatArray:
    return np.array([numbers for key, *numbers in rows if wanted(key)])


def _line(
    name: str, found: Mapping[tuple[str, str], Rows], wanted: Callable[[Key], bool]
) -> list[Cell]:
    return _cells(name, *(_numbers(found[name, who], wanted) for who in ("published", "learned")))


def _saddle_line(measure: str, found: Mapping[tuple[str, str], Rows]) -> list[Cell]:
    both = [
        np.concatenate(
            [
                _numbers(found[f"saddle {way}10", who], lambda key: key.measure == measure)
                for way in "+-"
            ]
        )
        for who in ("published", "learned")
    ]
    return _cells(measure, *both)


def _cells(name: str, published: FloatArray, own: FloatArray) -> list[Cell]:
    held = [100 * float(np.mean((f[:, 2] <= f[:, 0]) & (f[:, 0] <= f[:, 3]))) for f in
            (published, own)]  # fmt: skip
    truth = published[:, 0]
    guesses = (0.0 * truth, published[:, 1], published[:, 4], own[:, 1])
    rms = [float(np.sqrt(np.mean((guess - truth) ** 2))) for guess in guesses]
    ratio = rms[3] / rms[1] if rms[1] > 0 else np.nan
    return [name, len(published), *held, *rms, float(ratio)]


def picture(found: Mapping[tuple[str, str], Rows], path: Path) -> None:
    """Predicted against true changes of the knee at the bottom, saddle 10 mm up and down."""
    panels = {
        title: np.concatenate(
            [_numbers(found[f"saddle {way}10", who], _is_knee) for way in "+-"]
        )[:, :4]
        for who, title in (("published", "from published riders"),
                           ("learned", "after one change of 5 mm"))
    }  # fmt: skip
    scatter(
        panels, "true change of knee flexion at the bottom, deg", "predicted, deg",
        "saddle 10 mm up and down; bars: 95 % interval; red: the interval misses", path,
    )  # fmt: skip
