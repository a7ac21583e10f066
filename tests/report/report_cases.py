"""Sessions that lack something, or have too much of it."""

from __future__ import annotations

from collections.abc import Callable

from livefit.definitions import Definitions
from livefit.session.models import (
    Adjustment,
    Bicycle,
    Cycle,
    FitSession,
    Person,
    Picture,
    Pose,
    SetUp,
    Taken,
)
from tests.report.report_examples import WHEN, ridden_trial

LONG = "Maximiliana" * 16 + "VonÜberallher"
"""One word of 189 letters."""


def nothing(session: FitSession, known: Definitions) -> FitSession:
    return FitSession(id="4" * 32, rider=session.rider, began=WHEN, discipline="road_race")


def no_bicycle(session: FitSession, known: Definitions) -> FitSession:
    return session.model_copy(update={"bicycle": None, "set_up_before": None, "set_up_after": None})


def no_after(session: FitSession, known: Definitions) -> FitSession:
    return session.model_copy(update={"trials": session.trials[:1], "set_up_after": None})


def one_side(session: FitSession, known: Definitions) -> FitSession:
    trials = [
        ridden_trial(known, 0.0, 0.0, 0, [], "right"),
        ridden_trial(known, 8.0, 0.0, 1, session.trials[1].adjustments, "right"),
    ]
    return session.model_copy(update={"trials": trials})


def other_side_after(session: FitSession, known: Definitions) -> FitSession:
    trials = [
        ridden_trial(known, 0.0, 0.0, 0, [], "left"),
        ridden_trial(known, 8.0, 0.0, 1, [], "right"),
    ]
    return session.model_copy(update={"trials": trials})


def no_pose(session: FitSession, known: Definitions) -> FitSession:
    bare = [t.model_copy(update={"pose": None, "cycles": []}) for t in session.trials]
    return session.model_copy(update={"trials": bare})


def lost_markers(session: FitSession, known: Definitions) -> FitSession:
    """Hips never seen after the change, knees in one half of the turn, no intervals."""
    last = session.trials[-1]
    assert last.pose is not None
    rows = [
        [
            None if label.endswith("GT") or (label.endswith("LE") and k < 18) else place
            for label, place in zip(last.pose.labels, row, strict=True)
        ]
        for k, row in enumerate(last.pose.positions)
    ]
    cycles = [
        Cycle(measure=c.measure, side=c.side, n=0, mean=[None] * 37, sd=[None] * 37)
        if c.measure == "hip_angle"
        else c.model_copy(update={"mean": [None] * 10 + c.mean[10:], "sd": [None] * 10 + c.sd[10:]})
        for c in last.cycles
    ]
    none = {"mean": None, "sd": None, "se": None, "ci95": None, "n": 0, "verdict": "unknown"}
    once = {"sd": None, "se": None, "ci95": None, "n": 1, "verdict": "unsure"}
    numbers = [
        n.model_copy(update=none if n.measure == "hip_angle" else once if n.side == "L" else {})
        for n in last.numbers
    ]
    pose = Pose(labels=last.pose.labels, positions=rows)
    changed = last.model_copy(update={"pose": pose, "cycles": cycles, "numbers": numbers})
    return session.model_copy(update={"trials": [*session.trials[:-1], changed]})


def long_names(session: FitSession, known: Definitions) -> FitSession:
    made = Adjustment(part=LONG[:100], amount=3.0, unit="mm", why=LONG * 3)
    last = session.trials[-1].model_copy(update={"adjustments": [made], "name": LONG})
    return session.model_copy(
        update={
            "rider": Person(id=session.rider.id, name=LONG),
            "bicycle": Bicycle(
                id="3" * 32, rider=session.rider.id, name=LONG, discipline="road_race", frame=LONG
            ),
            "fitter": LONG,
            "studio": LONG,
            "interview": {LONG[:90]: LONG * 4},
            "notes": [LONG],
            "set_up_after": SetUp(
                taken=WHEN,
                dimensions={LONG[:80]: Taken(value=1.0, unit="mm")},
                parts={LONG[:80]: LONG, "saddle": LONG},
            ),
            "trials": [*session.trials[:-1], last],
            "outcome": LONG * 2,
            "pictures": [Picture(name="none.png", title=LONG)],
        }
    )


def twelve_trials(session: FitSession, known: Definitions) -> FitSession:
    step = Adjustment(part="saddle_height", amount=1.0, unit="mm", why="A small step.")
    trials = [
        session.trials[k % 3].model_copy(update={"number": k, "adjustments": [step] if k else []})
        for k in range(12)
    ]
    return session.model_copy(update={"trials": trials, "before": 2, "after": 10})


def unknown_words(session: FitSession, known: Definitions) -> FitSession:
    """Everything that names a definition names one of somebody else's."""
    trials = [
        t.model_copy(
            update={
                "numbers": [
                    n.model_copy(update={"measure": "wing_" + n.measure, "event": "at_" + n.event})
                    for n in t.numbers[:8]
                ],
                "adjustments": [Adjustment(part="wing_height", amount=-2.0, unit="mm")],
            }
        )
        for t in session.trials
    ]
    return session.model_copy(update={"trials": trials, "discipline": "flying"})


Make = Callable[[FitSession, Definitions], FitSession]
CASES: dict[str, Make] = {
    make.__name__: make
    for make in (
        nothing, no_bicycle, no_after, one_side, other_side_after, no_pose, lost_markers,
        long_names, twelve_trials, unknown_words,
    )
}  # fmt: skip

SAID: dict[str, tuple[str, ...]] = {
    "nothing": (
        "Nothing was measured in this session.", "no trial: nobody was measured while riding",
        "the bicycle's dimensions", "No dimension of the bicycle was taken.",
        "This session is still open",
    ),
    "no_bicycle": ("which bicycle it was", "the bicycle's dimensions"),
    "no_after": ("How you sit now", "no second trial", "dimensions after the changes"),
    "one_side": ("the left side", "Knee, right, at its largest"),
    "other_side_after": ("the left side after the changes", "the right side before the changes"),
    "no_pose": ("no figure is drawn", "no curves are drawn", "No movement over the whole turn"),
    "lost_markers": ("fewer than 10 strokes (Left)", "too few strokes", "not measured"),
    "long_names": (LONG, "is missing from the folder of pictures"),
    "twelve_trials": ("Saddle height: 8 mm up", "before trial 11", "Trial 11: up to"),
    "unknown_words": ("Wing knee flexion", "Flying", "Wing height: 4 mm less"),
}  # fmt: skip
"""What the report must say of each."""
