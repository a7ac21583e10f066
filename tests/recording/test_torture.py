"""A quick share of the recording torture: one random moment of each kind.

The whole is run by hand: ``python -m tests.benchmarks torture``.
"""

from __future__ import annotations

import sys

import numpy as np
import pytest

from tests.benchmarks.torture import KINDS, fail_once

pytestmark = [
    pytest.mark.timeout(240),
    pytest.mark.skipif(sys.platform == "win32", reason="signals and limits of POSIX"),
]


@pytest.mark.parametrize("kind", KINDS)
def test_what_was_written_is_read_back_and_nothing_else(kind: str) -> None:
    try:
        frames = fail_once(kind, np.random.default_rng([11, KINDS.index(kind)]))
    except PermissionError as error:
        pytest.skip(f"that cannot be had here: {error}")
    assert frames > 0 or kind in ("removed", "no place")
