"""Publishers written in other languages from the protocol's text, run against the real node.

The rider they send is given by the formulas in ``simulators/publishers/README.md``; what the node
should find is computed here from those formulas, by the law of cosines.
"""

from __future__ import annotations

import math
import shutil
import subprocess
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from livefit.wire.messages import Crank, Row, Snapshot
from livefit.wire.sockets import Subscriber
from tests.end_to_end.running import Fit, strokes, wait_for

PUBLISHERS = Path(__file__).parents[2] / "simulators" / "publishers"
FASTER = "4"
"""Than life: the frames carry their own time."""
STROKES = 4


def lacks(*tools: str) -> str:
    return ", ".join(tool for tool in tools if shutil.which(tool) is None)


def has_header(name: str) -> bool:
    if lacks("cc"):
        return False
    probe = subprocess.run(
        ["cc", "-E", "-x", "c", "-"],
        input=f"#include <{name}>\n", text=True, capture_output=True, check=False,
    )  # fmt: skip
    return probe.returncode == 0


def javascript(directory: Path) -> list[str]:
    if missing := lacks("node", "npm"):
        pytest.skip(f"not installed here: {missing}")
    for file in (PUBLISHERS / "javascript").iterdir():
        if file.is_file():
            shutil.copy(file, directory)
    install = ["npm", "install", "--ignore-scripts", "--no-audit", "--no-fund", "--loglevel=error"]
    subprocess.run(install, cwd=directory, check=True, timeout=100)
    return ["node", str(directory / "publish.mjs")]


def c(directory: Path) -> list[str]:
    if missing := lacks("cc"):
        pytest.skip(f"not installed here: {missing}")
    if not has_header("zmq.h"):
        pytest.skip("not installed here: zmq.h (Debian: libzmq3-dev)")
    program = directory / "publish"
    source = PUBLISHERS / "c" / "publish.c"
    strict = ["-std=c11", "-O2", "-Wall", "-Wextra", "-Werror"]
    subprocess.run(["cc", *strict, "-o", program, source, "-lzmq", "-lm"], check=True, timeout=100)
    return [str(program)]


@pytest.fixture
def fit() -> Iterator[Fit]:
    running = Fit()
    yield running
    running.close()


def pitch(crank_deg: float) -> float:
    return 20.0 + 12.0 * math.sin(math.radians(crank_deg - 40.0))


def ankle_from_hip(crank_deg: float) -> complex:
    """As forward + i * upward, mm."""
    foot = complex(
        math.cos(math.radians(pitch(crank_deg))), -math.sin(math.radians(pitch(crank_deg)))
    )
    crank = math.radians(crank_deg)
    spindle = 170.0 * complex(math.sin(crank), math.cos(crank))
    return spindle + (8.0 - 180.0 + 45.0 + 1j * (30.0 + 60.0)) * foot - complex(-230.0, 770.0)


def knee_flexion(crank_deg: float) -> float:
    """Law of cosines in the triangle hip, knee, ankle with thigh and shank of 430 mm."""
    far = abs(ankle_from_hip(crank_deg))
    return 180.0 - math.degrees(math.acos(1.0 - far**2 / (2 * 430.0**2)))


def ankle_angle(crank_deg: float) -> float:
    """Knee, ankle, toe: the base angle of the isosceles leg, and the foot's own triangle."""
    hip = -ankle_from_hip(crank_deg)
    base = math.acos(abs(hip) / 2 / 430.0)
    # The knee lies in front, so the shank leans forward of the line from ankle to hip.
    knee = math.atan2(hip.imag, hip.real) - base
    toe = math.atan2(-60.0, 180.0 - 45.0) - math.radians(pitch(crank_deg))
    return math.degrees(knee - toe)


WANTED = {
    "knee_flexion": knee_flexion,
    "ankle_angle": ankle_angle,
    "foot_inclination": pitch,
}
EVENTS = {"tdc": 0.0, "forward": 90.0, "bdc": 180.0, "rearward": 270.0}


def row(snapshot: Snapshot, measure: str, side: str, event: str) -> Row:
    [found] = [r for r in snapshot.rows if (r.measure, r.side, r.event) == (measure, side, event)]
    return found


def crank(snapshot: Snapshot, side: str) -> Crank:
    [found] = [each for each in snapshot.cranks if each.side == side]
    return found


@pytest.mark.timeout(180)
@pytest.mark.parametrize("prepare", [javascript, c], ids=["javascript", "c"])
def test_the_node_measures_a_foreign_publishers_rider(
    prepare: Callable[[Path], list[str]], fit: Fit, tmp_path: Path
) -> None:
    command = prepare(tmp_path)
    fit.start_node("--strokes", str(STROKES))
    fit.processes["source"] = subprocess.Popen([*command, fit.frames, "0", FASTER])
    with Subscriber(fit.results, ["results"]) as results:
        found = wait_for(results, lambda s: strokes(s) >= STROKES and s.health.frames >= 1500)
    assert found.health.refused_messages == 0
    # One frame in 97 is left out; nothing else may be missing.
    assert found.health.lost == pytest.approx(found.health.frames / 96, abs=2)
    assert found.health.rate_hz == pytest.approx(100.0 * 96 / 97, abs=1.0)
    assert found.health.missing["R_US"] == pytest.approx(0.1, abs=0.02)
    assert found.cadence_rpm == pytest.approx(90.0, rel=1e-3)
    for side in ("L", "R"):
        assert crank(found, side).length_mm == pytest.approx(170.0, abs=0.02)
        # The spindle lies 8 mm behind and 30 mm below the fifth metatarsal head.
        assert crank(found, side).spindle_mm == pytest.approx([-8.0, -30.0], abs=0.05)
        for measure, formula in WANTED.items():
            for event, crank_deg in EVENTS.items():
                mean = row(found, measure, side, event).mean
                assert mean == pytest.approx(formula(crank_deg), abs=0.02), (measure, side, event)
