"""What a rider is asked, and what is measured of a set-up."""

from __future__ import annotations

from typing import Literal

from pydantic import BaseModel, ConfigDict, FiniteFloat, model_validator

from livefit.definitions.bicycle import Identifier

Reply = bool | float | str | list[str]
"""An answer, of the kind that its question wants."""

_YES = ("yes", "y", "true", "1")
_NO = ("no", "n", "false", "0")


class Question(BaseModel):
    """One question of the interview, or one entry of the physical examination."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: Identifier
    part: Literal["interview", "examination"]
    group: str
    ask: str
    kind: Literal["text", "yes_no", "number", "choice", "choices"]
    choices: list[str] = []
    unit: str = ""
    low: FiniteFloat | None = None
    high: FiniteFloat | None = None
    personal: bool = False
    """The answer is left out of everything that leaves the studio without names."""

    @model_validator(mode="after")
    def _keys_fit_the_kind(self) -> Question:
        if bool(self.choices) != (self.kind in ("choice", "choices")):
            raise ValueError("choices belong to the kinds 'choice' and 'choices', and only to them")
        if len(set(self.choices)) < len(self.choices):
            raise ValueError(f"expected each choice once, found {self.choices}")
        if any(";" in choice for choice in self.choices):
            raise ValueError("expected choices without ';', which stands between several of them")
        numbered = self.low is not None and self.high is not None and bool(self.unit)
        if numbered != (self.kind == "number") or (not numbered and self._has_numbers()):
            raise ValueError("unit, low and high belong to the kind 'number', and only to it")
        if self.low is not None and self.high is not None and not self.low < self.high:
            raise ValueError(f"low must be below high, found {self.low} and {self.high}")
        return self

    def _has_numbers(self) -> bool:
        return self.low is not None or self.high is not None or bool(self.unit)

    @property
    def wants(self) -> str:
        """What an answer looks like, in words.

        Examples
        --------
        >>> Question(name="foot", part="examination", group="Foot", ask="Length", kind="number",
        ...          unit="mm", low=150, high=370).wants
        'a number from 150 to 370 mm'
        """
        if self.kind == "number":
            return f"a number from {self.low:g} to {self.high:g} {self.unit}"
        if self.kind == "yes_no":
            return "yes or no"
        if self.kind == "choice":
            return f"one of: {'; '.join(self.choices)}"
        if self.kind == "choices":
            return f"any of these, with ';' between them: {'; '.join(self.choices)}"
        return "text"

    def reply(self, given: object) -> Reply:
        """Return an answer of the question's kind, from a value or from what was typed.

        Raises
        ------
        ValueError
            If it is none; the text says what was expected and what came.
        """
        found = self._read(given)
        if found is None:
            raise ValueError(f"{self.name}: expected {self.wants}, found {given!r}")
        return found

    def _read(self, given: object) -> Reply | None:
        if self.kind == "text":
            return given.strip() if isinstance(given, str) else None
        if self.kind == "yes_no":
            return _yes_or_no(given)
        if self.kind == "number":
            return self._number(given)
        if self.kind == "choice":
            return given if isinstance(given, str) and given in self.choices else None
        several = given.split(";") if isinstance(given, str) else given
        if not isinstance(several, list) or not all(isinstance(one, str) for one in several):
            return None
        named = [one.strip() for one in several if one.strip()]
        return named if set(named) <= set(self.choices) else None

    def _number(self, given: object) -> float | None:
        if isinstance(given, bool) or not isinstance(given, int | float | str):
            return None
        number = number_of(given) if isinstance(given, str) else float(given)
        if number is None or self.low is None or self.high is None:
            return None
        return number if self.low <= number <= self.high else None


def number_of(text: str) -> float | None:
    """Read a number with a point or a comma; None: it is none.

    Examples
    --------
    >>> number_of("172,5"), number_of("1.2.3")
    (172.5, None)
    """
    try:
        return float(text.strip().replace(",", "."))
    except ValueError:
        return None


def _yes_or_no(given: object) -> bool | None:
    if isinstance(given, bool):
        return given
    word = given.strip().lower() if isinstance(given, str) else ""
    return True if word in _YES else False if word in _NO else None


class SetUpEntry(BaseModel):
    """One dimension of a set-up, or (``unit`` "words") one part that is fitted."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: Identifier
    group: str
    title: str
    unit: Literal["mm", "deg", "kg", "count", "words"]
    how: str
    """How it is measured, in one sentence; of a part: what to write down."""
    low: FiniteFloat | None = None
    high: FiniteFloat | None = None

    @model_validator(mode="after")
    def _range_fits_the_unit(self) -> SetUpEntry:
        ranged = self.low is not None and self.high is not None
        if ranged == (self.unit == "words") or (self.low is None) != (self.high is None):
            raise ValueError("low and high belong to every unit but 'words', and both of them")
        if self.low is not None and self.high is not None and not self.low < self.high:
            raise ValueError(f"low must be below high, found {self.low} and {self.high}")
        return self

    def check(self, value: float) -> float:
        """Return a value that can be.

        Raises
        ------
        ValueError
            If it is not within the range; the text says what was expected.
        """
        if self.low is None or self.high is None:
            raise ValueError(f"{self.name}: a part is described in words, found {value}")
        if not self.low <= value <= self.high:
            raise ValueError(
                f"{self.name}: expected {self.low:g} to {self.high:g} {self.unit}, found "
                f"{value:g}. If it is right, widen the range in a set_up.toml of your own"
            )
        return value
