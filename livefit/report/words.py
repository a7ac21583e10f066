"""The words of a report in one language, and how numbers and dates are written in it."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from datetime import date
from functools import cache
from pathlib import Path
from typing import Any, Literal

from livefit.definitions import DefinitionError, shipped_dir

FALLBACK = "en"
MINUS = "\N{MINUS SIGN}"
NONE = "\N{EN DASH}"
"""Stands where a number would, while there is none."""
JOIN = "\N{NO-BREAK SPACE}"

Flat = Mapping[str, str | list[str]]


class Words:
    r"""Looks words up by a dotted key; what a language lacks is said in English.

    Parameters
    ----------
    language
        Two letters.
    decimal
        ``point`` or ``comma``; None: as the language has it.
    user_dir
        A directory whose ``words/report.LANGUAGE.toml`` goes over the shipped one.

    Raises
    ------
    DefinitionError
        There are no words in this language, or the file cannot be read.

    Examples
    --------
    >>> words = Words("de")
    >>> words.half(0.36), words.half(0.04)
    ('0,4', '<0,1')
    >>> words.quantity(-3.25, "deg"), words.signed(4.0, "mm"), words.date(date(2026, 3, 1))
    ('−3,2°', '+4,0\xa0mm', '1. März 2026')
    """

    def __init__(
        self,
        language: str = FALLBACK,
        decimal: Literal["point", "comma"] | None = None,
        user_dir: Path | None = None,
    ) -> None:
        shipped = shipped_dir()
        own = {} if user_dir is None else _own(user_dir, language)
        there = _shipped(shipped, language)
        if not (own or there):
            known = sorted(p.suffixes[0][1:] for p in (shipped / "words").glob("report.*.toml"))
            raise DefinitionError(
                f"expected a language that reports are written in ({', '.join(known)}), got "
                f"{language!r}. To add it, put words/report.{language}.toml in your own directory"
            )
        self.language = language
        self._words = {**_shipped(shipped, FALLBACK), **there, **own}
        mark = self("decimal") if decimal is None else decimal
        self._mark = "," if mark == "comma" else "."

    def __call__(self, key: str, **values: object) -> str:
        """The words of ``key``, with the values put in."""
        text = self._words[key]
        if not isinstance(text, str):
            raise KeyError(f"{key} is a list")
        return text.format(**values) if values else text

    def find(self, *keys: str) -> str | None:
        """The words of the first key that there is."""
        return next((self(key) for key in keys if key in self._words), None)

    def lines(self, key: str) -> list[str]:
        """A list of sentences."""
        found = self._words[key]
        return [found] if isinstance(found, str) else list(found)

    def number(self, value: float | None, places: int = 1) -> str:
        """With a true minus sign, and no minus before zero."""
        if value is None:
            return NONE
        text = f"{value:.{places}f}"
        if float(text) == 0.0:
            text = text.lstrip("-")
        return text.replace("-", MINUS).replace(".", self._mark)

    def half(self, value: float) -> str:
        """Half an interval: never nought, for nothing is known that well."""
        text = self.number(value)
        return f"<{self.number(0.1)}" if text == self.number(0.0) else text

    def short(self, value: float) -> str:
        """To one place at most, and none where it is whole."""
        return self.number(value, 0 if round(value, 1) == round(value) else 1)

    def quantity(self, value: float | None, unit: str, places: int = 1) -> str:
        """A number with its unit."""
        return NONE if value is None else self.number(value, places) + self.unit(unit)

    def signed(self, value: float | None, unit: str, places: int = 1) -> str:
        """A change: with its sign, unless it is nought."""
        text = self.quantity(value, unit, places)
        return f"+{text}" if value is not None and float(f"{value:.{places}f}") > 0 else text

    def span(self, low: float, high: float, unit: str) -> str:
        """``30 to 40°``."""
        return self("span", low=self.short(low), high=self.short(high)) + self.unit(unit)

    def unit(self, unit: str) -> str:
        """What stands behind a number."""
        return self(f"unit.{unit}").replace(" ", JOIN)

    def date(self, day: date) -> str:
        """Day, month in words, year."""
        month = self.lines("months")[day.month - 1]
        return self("date", day=day.day, month=month, year=day.year)


def _own(user_dir: Path, language: str) -> Flat:
    return _read(user_dir / "words" / f"report.{language}.toml")


@cache
def _shipped(directory: Path, language: str) -> Flat:
    return _read(directory / "words" / f"report.{language}.toml")


def _read(path: Path) -> Flat:
    if not path.is_file():
        return {}
    try:
        return flat(tomllib.loads(path.read_text(encoding="utf-8-sig")))
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise DefinitionError(f"{path}: expected a readable TOML file, found: {error}") from error


def flat(tables: Mapping[str, Any], prefix: str = "") -> dict[str, str | list[str]]:
    """Nested tables as dotted keys.

    >>> flat({"unit": {"mm": " mm"}, "months": ["January"]})
    {'unit.mm': ' mm', 'months': ['January']}
    """
    found: dict[str, str | list[str]] = {}
    for key, value in tables.items():
        if isinstance(value, Mapping):
            found.update(flat(value, f"{prefix}{key}."))
        elif isinstance(value, list):
            found[prefix + key] = [str(item) for item in value]
        else:
            found[prefix + key] = str(value)
    return found
