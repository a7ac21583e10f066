"""The same tests in SQLite and in a real PostgreSQL."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
import sqlalchemy as sa

from livefit.definitions import Definitions, load_definitions
from livefit.store.backup import open_store
from livefit.store.store import Store
from tests.store.store_examples import postgresql, programs


@pytest.fixture(scope="session")
def shipped(tmp_path_factory: pytest.TempPathFactory) -> Definitions:
    return load_definitions(tmp_path_factory.mktemp("own"))


@pytest.fixture(scope="session")
def server() -> Iterator[str]:
    """URL of a PostgreSQL that lives as long as the tests."""
    where = programs()
    if where is None:
        pytest.skip("PostgreSQL is not installed (Debian: apt-get install postgresql)")
    try:
        with postgresql(where) as url:
            yield url
    except RuntimeError as error:
        pytest.skip(f"PostgreSQL cannot be started here: {error}")


@pytest.fixture
def database(server: str) -> str:
    """URL of an empty database."""
    engine = sa.create_engine(server.replace("postgresql:", "postgresql+psycopg:", 1))
    with engine.begin() as connection:
        connection.execute(sa.text("DROP SCHEMA public CASCADE"))
        connection.execute(sa.text("CREATE SCHEMA public"))
    engine.dispose()
    return server


@pytest.fixture(params=["sqlite", "postgresql"])
def store(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[Store]:
    """An empty store, once in each database."""
    if request.param == "sqlite":
        with open_store(tmp_path / "store") as kept:
            yield kept
    else:
        with open_store(request.getfixturevalue("database"), files=tmp_path / "files") as kept:
            yield kept


@pytest.fixture
def local(tmp_path: Path) -> Iterator[Store]:
    """An empty store in SQLite."""
    with open_store(tmp_path / "store") as kept:
        yield kept
