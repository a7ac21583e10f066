"""A writer that is killed: run as a program of its own, which forks one child for each kill.

``python killed_writer.py DIRECTORY SEED COUNT``: prints one line of JSON for each kill: what the
child had been told was written, in a store of its own. Forking spares the start of the program.
"""

from __future__ import annotations

import io
import json
import os
import random
import signal
import sys
import time
from functools import partial
from pathlib import Path

from livefit.store.store import Store
from tests.store.store_examples import a_session, noted


def work(place: Path, say: int, seed: int) -> None:
    """Add sessions, notes and pictures for ever, and say what is surely written."""
    chance = random.Random(seed)
    known: list[str] = []
    with Store(place) as store:
        while True:
            if not known or chance.random() < 0.3:
                session = a_session(f"Rider {len(known)}", notes=["x" * 20_000])
                store.add(session)
                known.append(session.id)
                told: list[object] = ["session", session.id]
            elif chance.random() < 0.5:
                which, note = chance.choice(known), f"note {chance.random()}"
                store.change(which, partial(noted, note=note))
                told = ["note", which, note]
            else:
                which, size = chance.choice(known), chance.randrange(1, 300_000)
                kept = store.add_file(which, "picture", io.BytesIO(bytes(size)), "a.png")
                told = ["picture", which, kept.name, size]
            os.write(say, json.dumps(told).encode() + b"\n")


def killed(place: Path, seed: int) -> list[list[object]]:
    """Let a child work for a random while, kill it, and return what it had been told."""
    chance = random.Random(seed)
    hear, say = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(hear)
        try:
            work(place, say, seed)
        finally:
            os._exit(1)
    os.close(say)
    with os.fdopen(hear, "rb") as told:
        first = b"".join(told.readline() for _ in range(chance.randrange(1, 6)))
        time.sleep(chance.uniform(0.0, 0.03))
        os.kill(child, signal.SIGKILL)
        rest = told.read()
    _, status = os.waitpid(child, 0)
    if os.waitstatus_to_exitcode(status) != -signal.SIGKILL:
        raise RuntimeError(f"the writer ended by itself: {status}")
    # Of the last line only a part may have come.
    whole = (first + rest).rpartition(b"\n")[0]
    return [json.loads(line) for line in whole.splitlines()]


if __name__ == "__main__":
    directory, first_seed, count = Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3])
    with Store(directory / "warm"):
        pass
    for seed in range(first_seed, first_seed + count):
        print(json.dumps(killed(directory / str(seed % 4), seed)), flush=True)  # noqa: T201
