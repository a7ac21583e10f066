"""Reading the definitions: what the program ships and, over it, the fitter's own files."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, TypeVar

from platformdirs import user_config_path
from pydantic import BaseModel, ValidationError

from livefit.definitions.bicycle import Pointer, TouchPoint
from livefit.definitions.checks import Section, find_faults
from livefit.definitions.interview import Question, SetUpEntry
from livefit.definitions.models import (
    Adjustment,
    Band,
    DefinitionError,
    Definitions,
    Discipline,
    Event,
    MarkerSet,
    Measure,
    Screen,
)
from livefit.definitions.replacing import Placements, PlacementSpread
from livefit.definitions.studio import Studio

REPLACING = "replacing.toml"
_INSIDE: Mapping[str, type[BaseModel]] = {"bands": Band, "at": PlacementSpread}
"""By key: models within a definition, for the keys that they know."""

_Model = TypeVar("_Model", bound=BaseModel)


def shipped_dir() -> Path:
    """Return the directory of the definitions that come with the program.

    Raises
    ------
    DefinitionError
        When the installation lacks it.
    """
    package = Path(__file__).parents[1]
    for place in (package / "configs", package.parent / "configs"):
        if (place / "measures.toml").is_file():
            return place
    raise DefinitionError(
        f"expected the definitions in {package / 'configs'}, found none there. "
        "Install the program again."
    )


def own_dir(user_dir: Path | None = None) -> Path:
    """Return the fitter's own directory: the one given, or that of the operating system."""
    return user_config_path("livefit") if user_dir is None else user_dir


def load_definitions(user_dir: Path | None = None) -> Definitions:
    """Read the shipped definitions and, over them, the fitter's own.

    In ``events.toml``, ``measures.toml``, ``adjustments.toml``, ``screens.toml``,
    ``touch_points.toml``, ``questions.toml``, ``set_up.toml`` and ``replacing.toml`` each table is
    one definition and its heading the name; in ``markers``, ``bands`` and ``pointers`` each file
    is one, named like the file. A definition of the fitter's own replaces the shipped one of the
    same name as a whole, in its place; any other is added at the end. Of ``studio.toml`` each key
    replaces the shipped one. A shipped band rests where a measure of the fitter's own is no longer
    taken at its event, or not in its unit.

    Parameters
    ----------
    user_dir
        The fitter's own directory, laid out like the shipped one; no file in it is required.
        None = the user's configuration directory of the operating system, if there is one.

    Raises
    ------
    DefinitionError
        One line for each fault found, with the file, the key, what was expected and what was
        found.
    """
    own = own_dir(user_dir)
    if user_dir is not None and not own.is_dir():
        raise DefinitionError(
            f"expected a directory of definitions, found none at {own}. "
            "Create it, or leave it out to work with the shipped definitions."
        )
    reading = _Reading()
    directories = [shipped_dir(), own]
    definitions = Definitions(
        marker_sets=reading.files(directories, "markers", MarkerSet, "marker_sets"),
        events=reading.tables(directories, "events.toml", Event, "events"),
        measures=reading.tables(directories, "measures.toml", Measure, "measures"),
        disciplines=reading.files(directories, "bands", Discipline, "disciplines"),
        adjustments=reading.tables(directories, "adjustments.toml", Adjustment, "adjustments"),
        screens=reading.tables(directories, "screens.toml", Screen, "screens"),
        pointers=reading.files(directories, "pointers", Pointer, "pointers"),
        touch_points=reading.tables(directories, "touch_points.toml", TouchPoint, "touch_points"),
        questions=reading.tables(directories, "questions.toml", Question, "questions"),
        set_up=reading.tables(directories, "set_up.toml", SetUpEntry, "set_up"),
        replacing=reading.tables(directories, REPLACING, Placements, "replacing"),
        studio=reading.studio(directories),
    )
    if not reading.faults:
        definitions = reading.without_resting_bands(definitions, own)
        reading.cross_check(definitions)
    if reading.faults:
        count = len(reading.faults)
        raise DefinitionError(
            "\n".join(
                [
                    f"{count} {'fault' if count == 1 else 'faults'} in the definitions:",
                    *reading.faults,
                    f"Correct what is named above. A file taken out of {own} gives way to the "
                    "shipped one.",
                ]
            )
        )
    return definitions


class _Reading:
    """One pass over the directories: gathers the faults and where each definition came from."""

    def __init__(self) -> None:
        self.faults: list[str] = []
        self._origin: dict[tuple[Section, str], tuple[Path, str]] = {}

    def tables(
        self, directories: list[Path], file: str, model: type[_Model], section: Section
    ) -> list[_Model]:
        """Read the files in which each table is one definition."""
        found: dict[str, _Model] = {}
        for path in (directory / file for directory in directories):
            for name, table in (self._toml(path) or {}).items():
                self._add(found, model, name, table, section, path, name)
        return list(found.values())

    def files(
        self, directories: list[Path], folder: str, model: type[_Model], section: Section
    ) -> list[_Model]:
        """Read the folders in which each file is one definition."""
        found: dict[str, _Model] = {}
        for directory in directories:
            for path in sorted((directory / folder).glob("[!.]*.toml")):
                content = self._toml(path)
                if content is not None:
                    self._add(found, model, path.stem, content, section, path, "")
        return list(found.values())

    def studio(self, directories: list[Path]) -> Studio:
        """Read the file of which each key counts for itself."""
        keys: dict[str, Any] = {}
        for path in (directory / "studio.toml" for directory in directories):
            content = self._toml(path) or {}
            if isinstance(content.get("logo"), str) and content["logo"]:
                content["logo"] = str(path.parent / content["logo"])
            try:
                Studio.model_validate(content, strict=True)
            except ValidationError as error:
                for key, text in _readable(error, Studio):
                    self._fault(path, key, text)
            else:
                keys |= content
        return Studio.model_validate(keys)

    def without_resting_bands(self, definitions: Definitions, own: Path) -> Definitions:
        """Leave out the shipped bands for which the fitter's own measures have no place."""

        def is_own(section: Section, name: str) -> bool:
            return self._origin[section, name][0].is_relative_to(own)

        changed = {m.name: m for m in definitions.measures if is_own("measures", m.name)}

        def rests(band: Band) -> bool:
            measure = changed.get(band.measure)
            return measure is not None and not (
                band.event in measure.events and band.unit == measure.unit
            )

        disciplines = [
            discipline
            if is_own("disciplines", discipline.name)
            else discipline.model_copy(
                update={"bands": [band for band in discipline.bands if not rests(band)]}
            )
            for discipline in definitions.disciplines
        ]
        return definitions.model_copy(update={"disciplines": disciplines})

    def cross_check(self, definitions: Definitions) -> None:
        """Find where the definitions do not fit one another."""
        for fault in find_faults(definitions):
            path, prefix = self._origin[fault.section, fault.name]
            self._fault(path, _joined(prefix, fault.key), fault.text)

    def _fault(self, path: Path, key: str, text: str) -> None:
        self.faults.append(f"  {path}: {key}: {text}" if key else f"  {path}: {text}")

    def _toml(self, path: Path) -> dict[str, Any] | None:
        """Read one file; None = it is not there, or it has a fault."""
        try:
            return tomllib.loads(path.read_text(encoding="utf-8-sig"))
        except FileNotFoundError:
            return None
        except OSError as error:
            self._fault(path, "", f"expected a readable file, found: {error.strerror}")
        except UnicodeDecodeError as error:
            found = f"the byte {error.object[error.start]:#x} at position {error.start}"
            self._fault(path, "", f"expected text in UTF-8, found {found}")
        except tomllib.TOMLDecodeError as error:
            self._fault(path, "", f"expected valid TOML, found: {error}")
        return None

    def _add(
        self,
        found: dict[str, _Model],
        model: type[_Model],
        name: str,
        table: object,
        section: Section,
        path: Path,
        prefix: str,
    ) -> None:
        if not isinstance(table, Mapping):
            self._fault(path, name, f"expected a table [{name}], found {table!r}")
            return
        if "name" in table:
            where = "the heading of the table" if prefix else "the name of the file"
            self._fault(path, _joined(prefix, "name"), f"expected no such key: {where} is the name")
            return
        try:
            found[name] = model.model_validate({"name": name, **table}, strict=True)
        except ValidationError as error:
            for key, text in _readable(error, model):
                self._fault(path, _joined(prefix, key), text)
        else:
            self._origin[section, name] = path, prefix


def _joined(prefix: str, key: str) -> str:
    return ".".join(part for part in (prefix, key) if part)


def _readable(error: ValidationError, model: type[BaseModel]) -> Iterator[tuple[str, str]]:
    """Turn each entry of a validation error into a key path and a text for people."""
    for entry in error.errors(include_url=False):
        key = ""
        for part in entry["loc"]:
            key = f"{key}[{part}]" if isinstance(part, int) else _joined(key, part)
        if entry["type"] == "missing":
            text = "expected this key, found none"
        elif entry["type"] == "extra_forbidden":
            inside = _INSIDE.get(str(entry["loc"][0]), model)
            known = inside.model_fields.keys()
            keys = known if model is Studio else known - {"name"}
            text = f"expected one of the keys {', '.join(sorted(keys))}, found this one"
        elif entry["type"] == "string_pattern_mismatch":
            wanted = "lower-case letters, digits and underscores with a letter first"
            if model is Studio:
                wanted = "a language such as en or de"
            text = f"expected {wanted}, found {entry['input']!r}"
        elif entry["type"] == "value_error":
            text = entry["msg"].removeprefix("Value error, ")
        else:
            wanted = entry["msg"].removeprefix("Input should be ")
            text = f"expected {wanted}, found {entry['input']!r}"
        yield key, text
