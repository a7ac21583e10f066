"""Simulated fit sessions of several studios, with effects of a known size in them.

The sizes are inventions, chosen to be found again; they say nothing about riders.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from typing import Final, Literal

import numpy as np

from livefit.session.models import (
    Adjustment,
    Bicycle,
    FitSession,
    Number,
    Person,
    SetUp,
    Taken,
    Trial,
)

DEG_PER_MM: Final = -0.12
"""How much a saddle that is 1 mm higher changes the knee's flexion at the bottom."""
SADDLE_TO_INSEAM: Final = 0.87
"""Saddle height over inseam at which the flexion is `AT_RATIO`."""
AT_RATIO: Final = 36.0
NOISE_DEG: Final = 0.8
"""Spread of a trial's flexion about that."""
PAIN: Final = (0.1, 0.6)
"""Chance of pain at the front of the knee up to `PAIN_FROM` of flexion, and above."""
PAIN_FROM: Final = 40.0

_DISCIPLINES: Final = ("road_endurance", "road_race", "time_trial", "off_road")
_FIRST_DAY: Final = datetime(2024, 1, 8, 9, 0, tzinfo=UTC)
_SIDES: Final[tuple[Literal["L", "R"], ...]] = ("L", "R")


@dataclass(frozen=True)
class _Legs:
    inseam: float
    saddle: float
    flexion: float


def simulated_sessions(count: int, *, studio: str = "Studio", seed: int = 1) -> list[FitSession]:
    """Return sessions of one studio, each of a rider of its own.

    A saddle more than 3 deg of flexion off 36 is moved the whole way, any other by up to 5 mm.
    """
    chance = np.random.default_rng([seed, *studio.encode()])
    return [_session(chance, studio, k) for k in range(count)]


def _id(chance: np.random.Generator) -> str:
    return chance.bytes(16).hex()


def _flexion(chance: np.random.Generator, inseam: float, saddle: float) -> float:
    mean = AT_RATIO + DEG_PER_MM * (saddle - SADDLE_TO_INSEAM * inseam)
    return mean + NOISE_DEG * float(chance.standard_normal())


def _session(chance: np.random.Generator, studio: str, k: int) -> FitSession:
    name = f"Rider {k} of {studio}"
    rider = Person(
        id=_id(chance),
        name=name,
        born=date(int(chance.integers(1950, 2006)), int(chance.integers(1, 13)), 15),
        contact=f"rider{k}@example.org",
    )
    discipline = str(chance.choice(_DISCIPLINES))
    inseam = round(float(chance.normal(820, 45)), 0)
    saddle = round(SADDLE_TO_INSEAM * inseam + float(chance.normal(0, 25)), 1)
    before = _Legs(inseam, saddle, _flexion(chance, inseam, saddle))
    off = (AT_RATIO - before.flexion) / DEG_PER_MM
    by = off if abs(before.flexion - AT_RATIO) > 3 else float(chance.uniform(-5, 5))
    higher = round(saddle + by, 1)
    after = _Legs(inseam, higher, _flexion(chance, inseam, higher))
    began = _FIRST_DAY + timedelta(days=int(chance.integers(0, 700)), hours=int(chance.integers(8)))
    hurts = chance.random() < PAIN[before.flexion > PAIN_FROM]
    moved = Adjustment(
        part="saddle_height", amount=round(higher - saddle, 1), unit="mm", why=f"for {name}"
    )
    return FitSession(
        id=_id(chance),
        rider=rider,
        bicycle=Bicycle(
            id=_id(chance), rider=rider.id, name=f"bicycle of {name}", discipline=discipline
        ),
        began=began,
        fitter=f"Fitter of {studio}",
        studio=studio,
        discipline=discipline,
        interview={
            "pain_now": ["knee, front"] if hurts else ["none"],
            "hours_a_week": float(chance.integers(2, 15)),
            "goal_words": f"{name} wants to ride far",
        },
        examination={"inseam": inseam},
        set_up_before=_set_up(before, began),
        set_up_after=_set_up(after, began),
        trials=[
            _trial(chance, 0, before, []),
            _trial(chance, 1, after, [moved]),
        ],
        notes=[f"{name} came by train"],
        closed=True,
    )


def _set_up(legs: _Legs, taken: datetime) -> SetUp:
    height = Taken(value=legs.saddle, unit="mm", half_width=1.0)
    return SetUp(taken=taken, dimensions={"saddle_height": height}, parts={"saddle": "Example"})


def _trial(chance: np.random.Generator, number: int, legs: _Legs, moved: list[Adjustment]) -> Trial:
    n = int(chance.integers(40, 90))
    sd = 0.9
    se = sd / n**0.5
    numbers = [
        Number(
            measure="knee_flexion",
            side=side,
            event="bdc",
            crank_deg=180.0,
            unit="deg",
            n=n,
            mean=legs.flexion,
            sd=sd,
            se=se,
            ci95=(legs.flexion - 2 * se, legs.flexion + 2 * se),
            band=(33.0, 43.0),
            verdict="within" if 33 <= legs.flexion <= 43 else "unsure",
        )
        for side in _SIDES
    ]
    return Trial(
        number=number, seconds=n / 1.5, cadence_rpm=90.0, numbers=numbers, adjustments=moved
    )
