"""The shipped definitions, without anybody's own files over them."""

from __future__ import annotations

from pathlib import Path

import pytest

from livefit.definitions import Definitions, load_definitions


@pytest.fixture(scope="session")
def shipped(tmp_path_factory: pytest.TempPathFactory) -> Definitions:
    empty: Path = tmp_path_factory.mktemp("own")
    return load_definitions(empty)
