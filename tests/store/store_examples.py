"""Sessions and places to keep them, for the tests; everything in them is invented."""

from __future__ import annotations

import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, date, datetime
from pathlib import Path
from typing import Any

from livefit.session.models import Bicycle, FitSession, FollowUp, Person, Taken, Trial
from livefit.session.models import SetUp as SetUpOf

BEGAN = datetime(2026, 3, 9, 14, 5, tzinfo=UTC)


def a_session(name: str = "Zoë Probe", **changes: Any) -> FitSession:
    """A session with something in most places."""
    rider = Person(name=name, born=date(1990, 2, 3), contact="by telephone")
    bicycle = Bicycle(rider=rider.id, name="red one", discipline="road_race", frame="Example 54")
    made = FitSession(
        rider=rider,
        bicycle=bicycle,
        began=BEGAN,
        fitter="F. Itter",
        studio="Studio",
        discipline="road_race",
        interview={"goals": ["comfort"], "pain_now": ["neck"], "injuries_before": "a wrist, 2019"},
        examination={"inseam": 830.0},
        set_up_before=SetUpOf(
            taken=BEGAN, dimensions={"saddle_height": Taken(value=712.0, unit="mm")}
        ),
        trials=[Trial(number=0)],
        notes=["left shoe slips"],
        outcome="better",
        follow_ups=[FollowUp(on=date(2026, 4, 1), text="no pain")],
    )
    return FitSession.model_validate({**made.model_dump(), **changes})


def programs() -> Path | None:
    """Where PostgreSQL's own programs are; None: nowhere."""
    found = shutil.which("initdb")
    if found is not None:
        return Path(found).parent
    return max(Path("/usr/lib/postgresql").glob("*/bin"), default=None)


@contextmanager
def postgresql(where: Path) -> Iterator[str]:
    """Start a real PostgreSQL on a socket in a private directory, and yield its URL.

    The server refuses to run as root, so that it runs as ``postgres`` then.
    """
    user = "postgres" if os.getuid() == 0 else None
    place = Path(tempfile.mkdtemp(prefix="livefit-pg-"))
    if user is not None:
        shutil.chown(place, user)
    data = place / "data"

    def run(*words: str) -> None:
        done = subprocess.run(
            [str(where / words[0]), *words[1:]], capture_output=True, text=True, user=user,
            cwd=place, check=False, timeout=100,
        )  # fmt: skip
        if done.returncode:
            raise RuntimeError(f"{words[0]}: {done.stdout}{done.stderr}")

    try:
        run("initdb", "-D", str(data), "-U", "fitter", "-A", "trust", "--no-sync", "-E", "UTF8")
        options = f"-k {place} -c listen_addresses= -c fsync=off"
        run("pg_ctl", "-D", str(data), "-o", options, "-l", str(place / "log"), "-w", "start")
        try:
            yield f"postgresql://fitter@/postgres?host={place}"
        finally:
            run("pg_ctl", "-D", str(data), "-m", "immediate", "-w", "stop")
    finally:
        shutil.rmtree(place, ignore_errors=True)


def noted(session: FitSession, note: str) -> FitSession:
    """The session with one more note."""
    return session.model_copy(update={"notes": [*session.notes, note]})
