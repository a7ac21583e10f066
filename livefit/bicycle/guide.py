"""The guided list of points to touch, as a plain state machine."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

from livefit.bicycle.touching import Touch
from livefit.definitions.bicycle import TouchPoint


@dataclass(frozen=True)
class Guide:
    """Where in the list of points the work stands; every step returns the next state.

    Attributes
    ----------
    points
        In the order in which they are touched.
    index
        The point whose turn it is; ``len(points)`` = all have had theirs.
    touches
        By point.
    skipped
        Points left out.
    refused
        Why the last touch was not taken; empty = it was.
    """

    points: tuple[TouchPoint, ...]
    index: int = 0
    touches: Mapping[str, Touch] = field(default_factory=dict)
    skipped: frozenset[str] = frozenset()
    refused: str = ""

    @property
    def now(self) -> TouchPoint | None:
        """The point whose turn it is; None = the list is through."""
        return self.points[self.index] if self.index < len(self.points) else None

    @property
    def text(self) -> str:
        """What to do now."""
        if self.now is None:
            skipped = f", {len(self.skipped)} left out" if self.skipped else ""
            return f"All points done: {len(self.touches)} touched{skipped}."
        asked = f"{self.index + 1} of {len(self.points)}: {self.now.say}"
        return f"{self.refused} {asked}" if self.refused else asked

    def touch(self, touch: Touch) -> Guide:
        """Take a touch for the point whose turn it is, unless the tip slipped."""
        if self.now is None:
            return self
        if touch.slipped_mm:
            refused = f"The tip slipped by {touch.slipped_mm:.0f} mm; lift it and touch again."
            return replace(self, refused=refused)
        return replace(
            self,
            index=self.index + 1,
            touches={**self.touches, self.now.name: touch},
            skipped=self.skipped - {self.now.name},
            refused="",
        )

    def skip(self) -> Guide:
        """Leave the point out and go on; what was touched there before goes too."""
        if self.now is None:
            return self
        kept = {name: touch for name, touch in self.touches.items() if name != self.now.name}
        return replace(
            self,
            index=self.index + 1,
            touches=kept,
            skipped=self.skipped | {self.now.name},
            refused="",
        )

    def next(self) -> Guide:
        """Go on and leave the point as it is; one that has no touch stays to be done."""
        return replace(self, index=min(self.index + 1, len(self.points)), refused="")

    def back(self) -> Guide:
        """Go to the point before; what was touched there stays until it is touched again."""
        return replace(self, index=max(self.index - 1, 0), refused="")

    def retake(self, name: str | None = None) -> Guide:
        """Forget a point's touch and make it its turn; None = the point before this one.

        Raises
        ------
        KeyError
            If the list has no point of that name.
        """
        names = [point.name for point in self.points]
        if name is not None and name not in names:
            raise KeyError(f"no point is named {name!r}; expected one of: {', '.join(names)}")
        index = max(self.index - 1, 0) if name is None else names.index(name)
        kept = {there: touch for there, touch in self.touches.items() if there != names[index]}
        skipped = self.skipped - {names[index]}
        return replace(self, index=index, touches=kept, skipped=skipped, refused="")
