"""Formatting, linting, types and the direction of dependencies, as tests."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
TREE = ("livefit", "simulators", "tests")
LONGEST_FILE = 400

CHECKS = {
    "format": ["ruff", "format", "--check", *TREE],
    "lint": ["ruff", "check", *TREE],
    "types": ["mypy"],
    "dependencies": ["lint-imports", "--no-cache"],
}


@pytest.mark.timeout(600)
@pytest.mark.parametrize("check", CHECKS)
def test_the_tree_passes(check: str) -> None:
    tool, *arguments = CHECKS[check]
    command = [str(Path(sys.executable).with_name(tool)), *arguments]
    found = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert found.returncode == 0, found.stdout + found.stderr


def test_no_file_is_too_long() -> None:
    lengths = {
        path.relative_to(ROOT): len(path.read_text(encoding="utf-8").splitlines())
        for name in TREE
        for path in (ROOT / name).rglob("*.py")
    }
    assert lengths
    assert {path: n for path, n in lengths.items() if n > LONGEST_FILE} == {}
