"""What is drawn of an estimate of the next change."""

from __future__ import annotations

from dataclasses import dataclass

from livefit.view.words import Verdict


@dataclass(frozen=True)
class SideEstimate:
    """One side of one row: now, then, and how that would stand to the band."""

    now: str
    then: str
    rough: str
    """The same without decimals, where there is no room for them."""
    half: str
    """Half the 95 % interval of the change; empty where nothing can be said."""
    verdict: Verdict


@dataclass(frozen=True)
class RowEstimate:
    """One row, with the short names."""

    short: str
    event_short: str
    sides: tuple[SideEstimate, ...]
    said_by: str


@dataclass(frozen=True)
class EstimateTable:
    """Sentences, a table with a column for each side, and the cautions that go with it."""

    sentences: tuple[str, ...] = ()
    heads: tuple[str, ...] = ()
    rows: tuple[RowEstimate, ...] = ()
    cautions: tuple[str, ...] = ()
    last: bool = False
    """Of more rows than there is room for, the last ones are shown, not the first."""
