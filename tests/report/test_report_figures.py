"""The figures against the document: what is drawn where is computed here a second time."""

from __future__ import annotations

import math
import re
from xml.etree.ElementTree import Element, fromstring

import numpy as np
import pytest
from scipy import optimize, stats

from livefit.definitions import Definitions
from livefit.report.bicycle_drawing import (
    Arc,
    Span,
    bicycle_drawing,
    letter,
    shape_of,
    spans_of,
)
from livefit.report.rows import compare
from livefit.session.models import Cycle, FitSession, Number, Trial
from simulators import RiderSimulation
from simulators.standing_bicycle import Design
from tests.report.report_pages import path_points, pictures, title_of, with_class

HUNDREDTH_PX = 0.011
"""Places are written to a hundredth of a pixel."""


def number(trial: Trial, measure: str, event: str, side: str) -> Number:
    (found,) = [n for n in trial.numbers if (n.measure, n.event, n.side) == (measure, event, side)]
    return found


def value_at(svg: Element, x: float, left: float, right: float) -> float:
    """The value at a place, by the scale's ends that the drawing carries."""
    low, high = (float(end) for end in (svg.get("data-scale") or "").split())
    return low + (x - left) / (right - left) * (high - low)


def axis_ends(svg: Element) -> tuple[float, float]:
    """Where the longest level line, the axis, begins and ends."""
    lines = [e for e in svg if e.tag.endswith("line") and e.get("y1") == e.get("y2")]
    ends = [(at(e, "x1"), at(e, "x2")) for e in lines]
    return max(ends, key=lambda pair: pair[1] - pair[0])


EVENTS = {
    "Knee flexion, Bottom dead centre": ("knee_flexion", "bdc"),
    "Knee flexion, Largest in the stroke": ("knee_flexion", "maximum"),
    "Trunk inclination, Mean over the stroke": ("trunk_inclination", "mean"),
    "Knee ahead of the pedal spindle, Crank forward": ("knee_over_spindle", "forward"),
    "Ankle angle, shank to foot, Bottom dead centre": ("ankle_angle", "bdc"),
}


@pytest.mark.parametrize("title", EVENTS)
@pytest.mark.parametrize("side", ["L", "R"])
def test_marks_intervals_and_bands_stand_at_their_values(
    page: Element, session: FitSession, title: str, side: str
) -> None:
    measure, event = EVENTS[title]
    word = {"L": "Left", "R": "Right"}[side]
    svg = next(s for s in pictures(page, "strip") if title_of(s) == f"{title}: {word}")
    left, right = axis_ends(svg)
    low, high = (float(end) for end in (svg.get("data-scale") or "").split())
    close = HUNDREDTH_PX / (right - left) * (high - low)
    for kind, trial in (("before", session.trials[0]), ("after", session.trials[-1])):
        taken = number(trial, measure, event, side)
        assert taken.mean is not None
        assert taken.ci95 is not None
        (mark,) = with_class(svg, kind)
        assert value_at(svg, at(mark, "cx"), left, right) == pytest.approx(taken.mean, abs=close)
        filled = mark.get("fill") == mark.get("stroke")
        assert filled == (kind == "after")
        (line,) = with_class(svg, f"{kind}-interval")
        ends = [value_at(svg, at(line, k), left, right) for k in ("x1", "x2")]
        assert ends == pytest.approx(list(taken.ci95), abs=close)
        band = taken.band
    if band is None:
        assert not with_class(svg, "band")
        return
    (box,) = with_class(svg, "band")
    x, width = at(box, "x"), at(box, "width")
    edges = [value_at(svg, place, left, right) for place in (x, x + width)]
    assert edges == pytest.approx(list(band), abs=2 * close)


def test_curves_go_through_the_means(page: Element, session: FitSession) -> None:
    svg = next(
        s
        for s in pictures(page, "cycle")
        if title_of(s) == "Knee flexion over one turn of the crank, Right"
    )
    low, high = (float(end) for end in (svg.get("data-scale") or "").split())
    texts = {e.text: e for e in svg if e.tag.endswith("text")}
    x0, x360 = (float(texts[k].get("x") or 0) for k in ("0", "360"))
    upright = [e for e in svg if e.tag.endswith("line") and e.get("x1") == e.get("x2")]
    top = min(at(e, "y1") for e in upright)
    (bottom,) = {
        at(e, "y1")
        for e in svg
        if e.tag.endswith("line") and e.get("y1") == e.get("y2") and e.get("stroke") == "#76838F"
    }
    for kind, trial in (("before", session.trials[0]), ("after", session.trials[-1])):
        cycle = cycle_of(trial, "knee_flexion", "R")
        (line,) = with_class(svg, kind)
        points = path_points(line.get("d") or "")
        assert len(points) == 37
        for k, ((x, y), mean) in enumerate(zip(points, cycle.mean, strict=True)):
            assert mean is not None
            assert x == pytest.approx(x0 + (x360 - x0) * k / 36, abs=HUNDREDTH_PX)
            value = low + (bottom - y) / (bottom - top) * (high - low)
            assert value == pytest.approx(mean, abs=0.02)
        assert (line.get("stroke-dasharray") is None) == (kind == "after")


def cycle_of(trial: Trial, measure: str, side: str) -> Cycle:
    return next(c for c in trial.cycles if (c.measure, c.side) == (measure, side))


def test_the_stick_figure_has_the_poses_proportions(page: Element, session: FitSession) -> None:
    svg = next(
        s
        for s in pictures(page, "pose")
        if title_of(s) == "Right side seen from the side, pedal at the bottom"
    )
    pose = session.trials[-1].pose
    assert pose is not None
    row = dict(zip(pose.labels, pose.positions[18], strict=True))
    drawn = {
        (part.get("class") or "").split()[1]: (
            at(part, "cx"),
            at(part, "cy"),
        )
        for part in with_class(svg, "joint")
    }
    assert set(drawn) == {"US", "EL", "AC", "GT", "LE", "LM", "CA", "VM"}
    hip, knee = row["R_GT"], row["R_LE"]
    assert hip is not None
    assert knee is not None
    scale = (drawn["LE"][0] - drawn["GT"][0]) / (knee[0] - hip[0])
    for landmark, (x, y) in drawn.items():
        place = row[f"R_{landmark}"]
        assert place is not None
        assert x - drawn["GT"][0] == pytest.approx(scale * (place[0] - hip[0]), abs=0.03)
        assert drawn["GT"][1] - y == pytest.approx(scale * (place[1] - hip[1]), abs=0.03)
    assert len(with_class(svg, "before")) == len(with_class(svg, "after")) == 8


def test_the_figure_is_the_simulated_rider(session: FitSession) -> None:
    # Outside witness: the simulator's own positions, in the bicycle's axes, of the same rider.
    from tests.report.report_examples import simulated

    ride: RiderSimulation = simulated(0.0, 0.0, 0)
    from simulators.markers import LABELS
    from simulators.truth import instants

    times = instants(ride, "R", 180.0, 2.0, 22.0)
    true = ride.positions(times).mean(axis=0)
    pose = session.trials[0].pose
    assert pose is not None
    for landmark in ("GT", "LE", "LM", "VM"):
        label = f"R_{landmark}"
        mean = pose.positions[18][pose.labels.index(label)]
        # Means of some 30 strokes whose knee wanders by about 2 mm: well within 1 mm.
        assert mean == pytest.approx(true[LABELS.index(label)].tolist(), abs=1.0)


def test_knee_paths_keep_their_size_and_side(page: Element, session: FitSession) -> None:
    views = pictures(page, "front")
    assert [title_of(v).split()[3] for v in views] == ["right", "left"]
    pose = session.trials[-1].pose
    assert pose is not None
    for view, side in zip(views, "RL", strict=True):
        knee, foot = (pose.labels.index(f"{side}_{name}") for name in ("LE", "VM"))
        rows = [(row[knee], row[foot]) for row in pose.positions]
        outward = 1 if side == "R" else -1
        feet = [f[2] for _, f in rows if f is not None]
        wanted = [
            (outward * (k[2] - sum(feet) / len(feet)), k[1]) for k, _ in rows if k is not None
        ]
        (line,) = with_class(view, "after")
        points = path_points(line.get("d") or "")[:-1]
        # The picture's own figures give its scale.
        figures = [
            e for e in view if e.tag.endswith("text") and re.fullmatch("[−0-9]+", e.text or "")
        ]
        level = [
            (at(e, "x"), to_number(e.text)) for e in figures if e.get("text-anchor") == "middle"
        ]
        (xa, va), (xb, vb) = level[0], level[-1]
        for (x, _), (across, _) in zip(points, wanted, strict=True):
            assert va + (x - xa) / (xb - xa) * (vb - va) == pytest.approx(across, abs=0.1)
        # As someone facing the rider sees it, the right knee's outside is on the left.
        assert (xb - xa) * (vb - va) * outward < 0


def at(element: Element, name: str) -> float:
    """An attribute as a number."""
    return float(element.get(name) or "nan")


def to_number(text: str | None) -> float:
    return float((text or "").replace("−", "-"))


@pytest.mark.parametrize("value", [0.0, -900.0, 74.2, 90.0, 1e12])
def test_a_slip_of_the_pen_does_not_bend_the_bicycle(value: float) -> None:
    drawn = spans_of(shape_of({}))
    letters = {name: letter(k) for k, name in enumerate(drawn)}
    svg = fromstring(bicycle_drawing("p", "Bicycle", str, dict.fromkeys(drawn, value), letters))
    width, height = (float(end) for end in (svg.get("viewBox") or "").split()[2:])
    assert 0.5 < height / width < 1.0
    discs = [p for p in svg if p.get("class") == "letter"]
    assert len(discs) == len(drawn)
    for disc in discs:
        assert 0 <= at(disc, "cx") <= width
        assert 0 <= at(disc, "cy") <= height


def test_what_was_touched_besides_is_drawn_as_long_as_it_is() -> None:
    """The simulator's drawing gives the dimensions by trigonometry of its own."""
    true = Design(saddle_tilt_deg=-3.0).dimensions()
    spans = spans_of(shape_of(true))
    for name in (
        "saddle_wide_height", "saddle_wide_setback", "saddle_wide_to_bar_drop",
        "saddle_to_drops_reach", "saddle_to_drops_drop", "saddle_to_pads_reach",
        "saddle_to_pads_drop", "extension_reach", "extension_rise", "stem_length",
        "bottom_bracket_height",
    ):  # fmt: skip
        span = spans[name]
        assert isinstance(span, Span)
        assert math.dist(span.a, span.b) == pytest.approx(abs(true[name]), abs=1e-6), name
    arc = spans["stem_angle"]
    assert isinstance(arc, Arc)
    assert arc.last_deg - arc.first_deg == pytest.approx(true["stem_angle"])


def test_a_bar_is_drawn_with_what_was_touched_of_it_alone() -> None:
    plain = shape_of({"saddle_height": 720.0})
    assert not plain.with_drops
    assert not plain.with_pads
    pads = shape_of({"saddle_to_pads_reach": 500.0})
    assert pads.with_pads
    assert not pads.with_drops
    one, both = (
        bicycle_drawing("p", "Bicycle", str, values, {}).count("<line")
        for values in ({}, {"saddle_to_pads_drop": 40.0, "saddle_to_drops_drop": 160.0})
    )
    assert both - one == 3


def freedom(of: Number) -> float:
    """Degrees of freedom with which its interval is Student's."""
    assert of.ci95 is not None
    assert of.se is not None
    half = (of.ci95[1] - of.ci95[0]) / 2
    return float(optimize.brentq(lambda v: stats.t.ppf(0.975, v) * of.se - half, 0.5, 1e4))


def test_changes_are_welchs(session: FitSession, known: Definitions) -> None:
    # Welch's t by SciPy's distribution, from what the document says of both means.
    compared = compare(session, known)
    first, last = session.trials[0], session.trials[-1]
    rows = {(row.measure, row.event): row for row in compared.rows}
    for measure, event in (
        ("knee_flexion", "bdc"),
        ("elbow_flexion", "mean"),
        ("hip_angle", "tdc"),
    ):
        for side in rows[measure, event].sides:
            one, other = (number(t, measure, event, side.side) for t in (first, last))
            by = (other.mean or 0.0) - (one.mean or 0.0)
            parts = [(n.se or 0.0) ** 2 for n in (one, other)]
            lost = sum(part**2 / freedom(n) for part, n in zip(parts, (one, other), strict=True))
            p = 2 * stats.t.sf(abs(by) / np.sqrt(sum(parts)), sum(parts) ** 2 / lost)
            assert side.change is not None
            assert side.change.p == pytest.approx(float(p), rel=1e-6)
            assert side.change.by == pytest.approx(by)
    told = [side.told for side in rows["knee_flexion", "bdc"].sides]
    chance = [side.told for side in rows["elbow_flexion", "mean"].sides]
    assert told == [True, True]
    assert chance == [False, False]
