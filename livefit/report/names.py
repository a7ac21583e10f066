"""What things are called in a report: measures, events, parts, dimensions, questions."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, TypeVar

from livefit.bicycle.dimensions import DIMENSIONS
from livefit.definitions import DefinitionError, Definitions, shipped_dir
from livefit.report.words import FALLBACK, JOIN, Words

QUARTERS = {0.0: "top", 90.0: "front", 180.0: "bottom", 270.0: "back"}
TITLES, SENTENCES = ("title", "ask"), ("sentence", "how")
"""Keys under which a table may have its title and its explanation."""

T = TypeVar("T")
Tables = Mapping[str, Mapping[str, Any]]


@dataclass(frozen=True)
class Names:
    """Titles in the report's language; in another than English its own words come first.

    Attributes
    ----------
    questions, set_up
        Tables by id.
    """

    words: Words
    definitions: Definitions
    questions: Tables = field(default_factory=dict)
    set_up: Tables = field(default_factory=dict)

    def measure(self, name: str) -> str:
        """Title of a measure."""
        return self._title(f"measure.{name}.title", name, lambda: self._measure(name).title)

    def measure_short(self, name: str) -> str:
        """What moves, in a word: knee."""
        return self._title(f"measure.{name}.what", name, lambda: self._measure(name).short)

    def plain(self, name: str) -> str:
        """What a measure is, said to a rider."""
        return self._title(f"measure.{name}.plain", name, lambda: self._measure(name).plain)

    def plain_at(self, measure: str, event: str) -> str:
        """What a number is, said to a rider: a range is no place, but how far it goes."""
        if self._kind(event) == "range":
            return self.words("numbers.range_plain")
        return self.plain(measure)

    def event(self, name: str) -> str:
        """Title of an event."""
        found = self.words.find(f"event.{name}.title")
        if found is not None and self._own:
            return found
        event = _found(lambda: self.definitions.event(name))
        if event is None:
            return readable(name)
        if event.kind == "crank" and name not in {e.name for e in self.definitions.events}:
            return self.words("event.free", crank=self.words.short(event.crank_deg or 0.0))
        return event.title

    def when(self, name: str) -> str:
        """Where in the stroke, said to a rider."""
        event = _found(lambda: self.definitions.event(name))
        if event is None:
            return readable(name)
        if event.kind != "crank":
            return self.words(f"when.{event.kind}")
        quarter = QUARTERS.get(event.crank_deg or 0.0)
        crank = self.words.short(event.crank_deg or 0.0)
        return self.words(f"when.{quarter}") if quarter else self.words("event.free", crank=crank)

    def way(self, measure: str, event: str, by: float) -> str:
        """Which way a change went: straighter, larger."""
        found = (
            None
            if self._kind(event) == "range"
            else self.words.find(f"measure.{measure}.{_more(by)}")
        )
        return found or self.words(f"larger.{_more(by)}")

    def part(self, name: str) -> str:
        """Title of an adjustment."""
        title = self._title
        return title(f"part.{name}.title", name, lambda: self.definitions.adjustment(name).title)

    def part_way(self, name: str, amount: float) -> str:
        """Which way a part went: up."""
        part = _found(lambda: self.definitions.adjustment(name))
        own = self.words.find(f"part.{name}.{_more(amount)}") if self._own else None
        if own is not None or part is None:
            return own or self.words(f"larger.{_more(amount)}")
        return part.more if amount > 0 else part.less

    def discipline(self, name: str) -> str:
        """Title of a discipline."""
        found = self._title
        return found(f"discipline.{name}", name, lambda: self.definitions.discipline(name).title)

    def dimension(self, name: str) -> str:
        """Title of a dimension of the bicycle."""
        return self._dimension(name, "title") or readable(name)

    def dimension_sentence(self, name: str) -> str:
        """What a dimension is; empty where nothing says so."""
        return self._dimension(name, "sentence")

    def fitted(self, name: str) -> str:
        """What a fitted part is called: saddle, stem."""
        return self.words.find(f"fitted.{name}") or self._dimension(name, "title") or readable(name)

    def question(self, name: str) -> str:
        """Title of a question; its id where none is known."""
        own = self.words.find(f"question.{name}")
        return own or _told(self.questions.get(name, {}), TITLES) or readable(name)

    def question_unit(self, name: str) -> str:
        """What stands behind a number that answers it; empty where nothing does."""
        unit = str(self.questions.get(name, {}).get("unit", ""))
        if not unit:
            return ""
        return self.words.find(f"unit.{unit}") or f"{JOIN}{self.choice(unit)}"

    def choice(self, answer: str) -> str:
        """One of the answers that a question offers, or what was said in own words."""
        return self.words.find(f"choice.{answer}") or answer

    def set_up_order(self, dimension: str) -> tuple[int, int, str]:
        """Where a dimension stands on the sheet: as its file has it, then those touched only."""
        for place, known in enumerate((list(self.set_up), [d.name for d in DIMENSIONS])):
            if dimension in known:
                return place, known.index(dimension), dimension
        return 2, 0, dimension

    @property
    def _own(self) -> bool:
        return self.words.language != FALLBACK

    def _kind(self, event: str) -> str | None:
        return _found(lambda: self.definitions.event(event).kind)

    def _measure(self, name: str) -> Any:
        return self.definitions.measure(name)

    def _title(self, key: str, name: str, defined: Callable[[], str]) -> str:
        """In English what the definitions say, in another language its own words."""
        own, there = self.words.find(key), _found(defined)
        if own is not None and (self._own or there is None or key.endswith(".what")):
            return own
        return there or own or readable(name)

    def _dimension(self, name: str, what: str) -> str:
        own = self.words.find(f"dimension.{name}.{what}")
        if own is not None and self._own:
            return own
        table = self.set_up.get(name, {})
        told = _told(table, SENTENCES if what == "sentence" else TITLES)
        known = next((getattr(d, what) for d in DIMENSIONS if d.name == name), None)
        return own or told or known or ""


def readable(name: str) -> str:
    """An id as words.

    >>> readable("knee_pain")
    'Knee pain'
    """
    text = name.replace("_", " ").strip()
    return text[:1].upper() + text[1:]


def read_tables(file: str, user_dir: Path | None = None) -> Tables:
    """The tables of a definitions file that may not be there; deeper ones by their own names.

    Raises
    ------
    DefinitionError
        The file is no TOML.
    """
    found: dict[str, Mapping[str, Any]] = {}
    for directory in (shipped_dir(), user_dir):
        path = None if directory is None else directory / file
        if path is None or not path.is_file():
            continue
        try:
            _gather(tomllib.loads(path.read_text(encoding="utf-8-sig")), found)
        except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
            raise DefinitionError(f"{path}: expected readable TOML, found: {error}") from error
    return found


def _gather(tables: Mapping[str, Any], found: dict[str, Mapping[str, Any]]) -> None:
    for name, table in tables.items():
        if isinstance(table, Mapping):
            found[name] = table
            _gather(table, found)


def _told(table: Mapping[str, Any], keys: tuple[str, ...]) -> str:
    return next((str(table[key]) for key in keys if key in table), "")


def _found(look: Callable[[], T]) -> T | None:
    try:
        return look()
    except DefinitionError:
        return None


def _more(by: float) -> str:
    return "more" if by > 0 else "less"
