"""Poses of a rigid body against scipy's own solver of the same problem (Wahba's)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial.transform import Rotation

from livefit.bicycle.rigid import learn_shape, marker_noise, register
from livefit.frames import FloatArray
from simulators.pointing import SHAPE, turn_about_tip


def apart(shape: FloatArray) -> FloatArray:
    return np.asarray(np.linalg.norm(shape[:, None] - shape, axis=-1))


def test_poses_are_those_of_align_vectors_with_and_without_lost_markers() -> None:
    """``scipy.spatial.transform.Rotation.align_vectors`` frame by frame on centred markers."""
    seen = turn_about_tip(1, seconds=1.0).seen
    seen[3, 1] = np.nan
    poses = register(SHAPE, seen)
    assert np.isnan(seen).any()
    for frame, rotation, origin in zip(seen, poses.rotation, poses.origin, strict=True):
        there = np.isfinite(frame[:, 0])
        if there.sum() < 3:
            assert np.isnan(rotation).all()
            continue
        shape, known = SHAPE[there], frame[there]
        arms = known - known.mean(axis=0), shape - shape.mean(axis=0)
        witness = Rotation.align_vectors(*arms)[0]
        assert rotation == pytest.approx(witness.as_matrix(), abs=1e-9)
        assert origin == pytest.approx(known.mean(0) - witness.apply(shape.mean(0)), abs=1e-9)


def test_a_flat_body_is_never_mirrored() -> None:
    flat = SHAPE[:3]
    turns = Rotation.random(50, random_state=1)
    seen = np.einsum("nij,mj->nmi", turns.as_matrix(), flat) + 10.0
    assert register(flat, seen).rotation == pytest.approx(turns.as_matrix(), abs=1e-9)


def test_too_few_markers_or_markers_on_a_line_have_no_pose() -> None:
    seen = np.stack([SHAPE] * 2)
    seen[0, :2] = np.nan
    poses = register(SHAPE, seen)
    assert np.isnan(poses.origin[0]).all()
    assert poses.origin[1] == pytest.approx(0.0, abs=1e-9)
    line = np.array([[0.0, 0, 0], [50, 0, 0], [100, 0, 0]])
    assert np.isnan(register(line, line[None]).rotation).all()


def test_a_learnt_shape_has_the_true_distances_and_the_noise_its_true_size() -> None:
    seen = turn_about_tip(2).seen
    shape = learn_shape(seen)
    # 0.5 mm over 2000 frames: 0.016 mm between two markers.
    assert apart(shape) == pytest.approx(apart(SHAPE), abs=0.06)
    assert marker_noise(register(shape, seen)) == pytest.approx(0.5, rel=0.03)


def test_a_shape_can_be_learnt_from_nominal_positions_when_no_frame_is_whole() -> None:
    seen = turn_about_tip(3, seconds=10.0).seen
    seen[np.arange(len(seen)), np.arange(len(seen)) % 4] = np.nan
    with pytest.raises(ValueError, match="every marker of the pointer is seen, found none"):
        learn_shape(seen)
    assert apart(learn_shape(seen, SHAPE + 0.5)) == pytest.approx(apart(SHAPE), abs=0.1)


def test_markers_on_one_line_make_no_body() -> None:
    line = np.array([[0.0, 0, 0], [50, 0, 0], [100, 0, 0]])
    with pytest.raises(ValueError, match="not on one line"):
        learn_shape(np.stack([line] * 5))
