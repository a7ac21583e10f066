"""A thousand simulated sessions: kept, found, given away without names, pooled.

``python -m tests.benchmarks pool [--seed N] [--short]``

* Store: sessions added a second, each on the disk when the call returns, beside plain `sqlite3`
  writing the same documents with the same pragmas; a list found by a rider's name; a document read.
* Pool: five studios' Parquet written, and each query of POOLING.md beside pandas reading the same
  files and doing the same.

The number to watch in the pool is the slope: the simulator moves the knee by -0.12 deg for each mm.
"""

from __future__ import annotations

import os
import re
import sqlite3
import time
from argparse import ArgumentParser, Namespace
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory

import duckdb
import pandas as pd

from livefit.definitions import load_definitions
from livefit.session.models import FitSession
from livefit.store import POOLING
from livefit.store.backup import open_store
from livefit.store.export import write_export
from livefit.store.pseudonym import Pseudonyms
from livefit.store.rows import Wanted
from simulators.studios import DEG_PER_MM, simulated_sessions
from tests.benchmarks.tables import Cell, table

STUDIOS = ("north", "south", "east", "west", "middle")


def arguments(parser: ArgumentParser) -> None:
    """Add nothing to what every benchmark takes."""
    del parser


def main(options: Namespace) -> None:
    """Print both tables."""
    count = 20 if options.short else 200
    true = {name: simulated_sessions(count, studio=name, seed=options.seed) for name in STUDIOS}
    with TemporaryDirectory() as directory:
        print(table(["store", "sessions", "seconds", "ms each"], _store(Path(directory), true)))
        print()
        print(table(["pool", "rows", "ms", "value"], _pool(Path(directory), true)))
    print(f"the simulator's deg_per_mm: {DEG_PER_MM}")


def _timed(action: Callable[[], object]) -> float:
    began = time.perf_counter()
    action()
    return time.perf_counter() - began


def _store(directory: Path, true: dict[str, list[FitSession]]) -> list[list[Cell]]:
    whole = [one for sessions in true.values() for one in sessions]
    rows: list[list[Cell]] = []

    def row(what: str, count: int, seconds: float) -> None:
        rows.append([what, count, seconds, 1000 * seconds / count])

    with open_store(directory / "store") as store:
        row("added", len(whole), _timed(lambda: [store.add(one) for one in whole]))
        name = whole[7].rider.name
        row("found by name", 1, _timed(lambda: store.sessions(Wanted(rider=name))))
        row("found by any text", 1, _timed(lambda: store.sessions(Wanted(text="by train"))))
        row("all listed", len(whole), _timed(store.sessions))
        row("read", 100, _timed(lambda: [store.get(one.id) for one in whole[:100]]))
    row("plain sqlite3", len(whole), _timed(lambda: _plain(directory / "plain", whole)))
    return rows


def _plain(file: Path, whole: list[FitSession]) -> None:
    raw = sqlite3.connect(file, isolation_level=None)
    for pragma in ("journal_mode = WAL", "synchronous = FULL", "secure_delete = ON"):
        raw.execute(f"PRAGMA {pragma}")
    raw.execute("CREATE TABLE session (id TEXT PRIMARY KEY, document TEXT)")
    for one in whole:
        raw.execute("INSERT INTO session VALUES (?, ?)", (one.id, one.model_dump_json()))
    raw.close()


def _pool(directory: Path, true: dict[str, list[FitSession]]) -> list[list[Cell]]:
    known = load_definitions()
    began = time.perf_counter()
    for k, (name, sessions) in enumerate(true.items()):
        names = Pseudonyms(bytes([k]) * 32, known)
        place = directory / "pool" / name
        write_export([names.session(one) for one in sessions], place, "parquet")
    seconds = time.perf_counter() - began
    rows: list[list[Cell]] = [["written", sum(map(len, true.values())), 1000 * seconds, ""]]
    back = Path.cwd()
    os.chdir(directory)
    try:
        with duckdb.connect() as database:
            for block in re.findall(r"^```sql\n(.*?)^```", POOLING.read_text(), re.S | re.M):
                began = time.perf_counter()
                found = database.execute(block).fetchall()
                ms = 1000 * (time.perf_counter() - began)
                title = block.splitlines()[0].removeprefix("-- ")
                if "VIEW" not in title:
                    rows.append([title, len(found), ms, str(found[0])[:60]])
        began = time.perf_counter()
        slope = _with_pandas(directory / "pool")
        rows.append(["slope with pandas", 1, 1000 * (time.perf_counter() - began), f"{slope:.4f}"])
    finally:
        os.chdir(back)
    return rows


def _with_pandas(pool: Path) -> float:
    def read(name: str) -> pd.DataFrame:
        return pd.concat(pd.read_parquet(path) for path in sorted(pool.glob(f"*/{name}.parquet")))

    def changed(rows: pd.DataFrame, column: str) -> pd.Series[float]:
        by = rows.pivot_table(index="session", columns="role", values=column)
        return by["after"] - by["before"]

    numbers, set_up = read("numbers"), read("set_up")
    knee = changed(numbers[(numbers.measure == "knee_flexion") & (numbers.event == "bdc")], "mean")
    saddle = changed(set_up[set_up.dimension == "saddle_height"], "value")
    return float(knee.cov(saddle) / saddle.var())
