"""What a check says: what was looked at, and what was found."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Literal, get_args

Level = Literal["fault", "warning", "note"]
LEVELS: tuple[Level, ...] = get_args(Level)
"""Worst first."""

Name = Literal[
    "silent", "mangled", "description_incomplete", "restart", "stall",
    "rate_wrong", "rate_changed", "jitter", "gaps", "duplicates", "disorder", "latency", "drift",
    "labels_unknown", "labels_swapped", "units", "up_axis",
    "missing_marker", "missing_at_crank", "zero_positions",
    "noise", "segment_length", "marker_slipped", "posture",
    "no_pedalling", "foot_path", "crank_length", "precision",
]  # fmt: skip
NAMES: tuple[Name, ...] = get_args(Name)
"""Every finding there is, in the order in which findings of one level are listed."""

Z95 = 1.96
"""Standard errors in half a 95 % interval."""
MOST_SUBJECTS = 3
"""So many markers with the same trouble are told one by one; more become one finding."""
MOST_TOLD = 6


@dataclass(frozen=True)
class Finding:
    """Something that was found.

    Attributes
    ----------
    name
        Which of `NAMES`.
    level
        ``fault``: no rider can be fitted with it; ``warning``: numbers suffer; ``note``: good to
        know.
    subject
        The marker, segment or channel that it is about; None: the stream.
    text
        What was expected and what was found.
    remedy
        What to do about it.
    numbers
        The same as numbers, by names that end in their unit.
    """

    name: Name
    level: Level
    subject: str | None
    text: str
    remedy: str
    numbers: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Look:
    """Something that was looked at: what, the value, and which findings would speak against it."""

    what: str
    value: str
    names: tuple[Name, ...]


class Sheet:
    """Collects looks and findings while a stream is judged."""

    def __init__(self) -> None:
        self.looks: list[Look] = []
        self._findings: list[Finding] = []

    def look(self, what: str, value: str, *names: Name) -> None:
        """Note what was looked at."""
        self.looks.append(Look(what, value, names))

    def find(
        self,
        name: Name,
        level: Level,
        text: str,
        remedy: str,
        *,
        subject: str | None = None,
        **numbers: float,
    ) -> None:
        """Note what was found."""
        self._findings.append(Finding(name, level, subject, text, remedy, numbers))

    @property
    def findings(self) -> list[Finding]:
        """Worst first; the same trouble of many markers as one."""
        merged: list[Finding] = []
        for name in NAMES:
            for level in LEVELS:
                alike = [f for f in self._findings if (f.name, f.level) == (name, level)]
                own = [f for f in alike if f.subject is not None]
                if len(own) > MOST_SUBJECTS:
                    alike = [f for f in alike if f.subject is None] + [_merged(own)]
                merged += alike
        return sorted(merged, key=lambda finding: LEVELS.index(finding.level))


def _merged(findings: Sequence[Finding]) -> Finding:
    """One finding of several that differ in their subject; the worst stands for all."""
    ordered = sorted(findings, key=lambda f: -next(iter(f.numbers.values()), 0.0))
    first, others = ordered[0], [str(f.subject) for f in ordered[1:]]
    told = others if len(others) <= MOST_TOLD else [*others[: MOST_TOLD - 1], "more"]
    listed = f"{', '.join(told[:-1])} and {told[-1]}"
    return Finding(
        first.name,
        first.level,
        f"{first.subject} and {len(others)} others",
        f"{first.text} So it is with {listed}.",
        first.remedy,
        {f"{f.subject} {key}": value for f in ordered for key, value in f.numbers.items()},
    )


def times(count: int) -> str:
    """How often, in words.

    >>> times(1), times(3)
    ('once', '3 times')
    """
    return {0: "never", 1: "once", 2: "twice"}.get(count, f"{count} times")


def level_of(value: float, warning: float, fault: float) -> Level | None:
    """The level of a value by two limits, None below both.

    >>> level_of(3.0, 2.0, 5.0)
    'warning'
    """
    return "fault" if value >= fault else "warning" if value >= warning else None


@dataclass(frozen=True)
class Report:
    """What came out of a check.

    Attributes
    ----------
    source
        What was checked, for people.
    live, seconds, frames
        Whether it came over a socket; for how long, and how many frames.
    looks
        What was looked at, in order.
    findings
        Worst first.
    notes
        What the reader of a recording noted.
    """

    source: str
    live: bool
    seconds: float
    frames: int
    looks: tuple[Look, ...]
    findings: tuple[Finding, ...]
    notes: tuple[str, ...] = ()

    @property
    def worst(self) -> Level | None:
        """The worst level found, None if nothing was found."""
        return self.findings[0].level if self.findings else None

    @property
    def judged(self) -> bool:
        """Whether there was anything to judge."""
        return self.frames > 0 or any(f.name != "silent" for f in self.findings)

    def verdict(self, look: Look) -> Level | None:
        """The worst level found about a look."""
        levels = [f.level for f in self.findings if f.name in look.names]
        return min(levels, key=LEVELS.index) if levels else None
