"""Sensors that are broken on purpose: what goes wrong with each, as files say it."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated, Any, Literal, get_args

from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from livefit.definitions import shipped_dir
from simulators.frame_faults import AnyFrameFault
from simulators.options import OPTIONS
from simulators.scene import Seconds
from simulators.way_faults import AnyWayFault, Said

Finding = Literal[
    "description_incomplete", "labels_unknown", "rate_wrong", "rate_changed", "jitter", "gaps",
    "duplicates", "disorder", "latency", "drift", "units", "up_axis", "missing_marker",
    "missing_at_crank", "zero_positions", "segment_length", "labels_swapped", "marker_slipped",
    "posture", "noise", "foot_path", "crank_length", "precision", "stall", "restart", "mangled",
    "silent", "no_pedalling",
]  # fmt: skip
"""What `livefit check` calls what it finds."""
FINDINGS: tuple[str, ...] = get_args(Finding)


class Fault(BaseModel):
    """One sensor and what is wrong with it.

    Attributes
    ----------
    name
        Of the file.
    title, description
        In plain words.
    expect
        What a check of the stream must find; empty for a sensor that is sound.
    seconds
        Length of a ride in which the fault shows.
    shows_s
        From when on it shows.
    source
        Options of the simulated source.
    said
        What the description says instead of what is so.
    frames
        What goes wrong with the frames where they are measured, in this order.
    way
        What goes wrong with the messages on the way, in this order.
    """

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: str
    title: Annotated[str, Field(min_length=1)]
    description: Annotated[str, Field(min_length=1)]
    expect: tuple[Finding, ...]
    seconds: Annotated[float, Field(gt=0)] = 20.0
    shows_s: Seconds = 0.0
    source: dict[str, str] = Field(default_factory=dict)
    said: Said = Said()
    frames: tuple[AnyFrameFault, ...] = ()
    way: tuple[AnyWayFault, ...] = ()

    @field_validator("source")
    @classmethod
    def _known(cls, source: dict[str, str]) -> dict[str, str]:
        unknown = sorted(set(source) - set(OPTIONS))
        if unknown:
            known = ", ".join(name for name in OPTIONS if name != "fault")
            raise ValueError(f"expected options of the simulated source, {known}, found {unknown}")
        return source


def faults_dir() -> Path:
    """Where the faults that come with the program are described."""
    return shipped_dir() / "faults"


def fault_names() -> list[str]:
    """The faults that come with the program, sorted."""
    return sorted(path.stem for path in faults_dir().glob("[!.]*.toml"))


def read_fault(name: str) -> Fault:
    """Read a fault by its name, or by the path of a file of one's own that ends in ``.toml``.

    Raises
    ------
    ValueError
        If there is none, or the file is wrong; the text has a line for each mistake.
    """
    own = name.endswith(".toml")
    path = Path(name) if own else faults_dir() / f"{name}.toml"
    try:
        content = tomllib.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        if own:
            raise ValueError(f"expected a file with a fault, found none at {path}") from None
        known = ", ".join(fault_names())
        raise ValueError(
            f"there is no fault {name!r}; expected one of {known}, "
            "or the path of a .toml file of your own"
        ) from None
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise ValueError(f"{path}: expected a readable file in TOML, found: {error}") from error
    try:
        return Fault.model_validate({"name": path.stem, **content})
    except ValidationError as error:
        lines = [_line(path, entry) for entry in error.errors(include_url=False)]
        raise ValueError("\n".join(lines)) from error


def _line(path: Path, entry: Any) -> str:
    """One mistake with file, key, what was expected and what was found."""
    key = ".".join(str(part) for part in entry["loc"])
    if entry["type"] == "missing":
        return f"{path}: {key}: expected this key, found none"
    if entry["type"] == "extra_forbidden":
        return f"{path}: {key}: expected no such key, found {entry['input']!r}"
    if entry["type"] == "value_error":
        return f"{path}: {key}: {entry['msg'].removeprefix('Value error, ')}"
    if entry["type"] == "union_tag_invalid":
        context = entry["ctx"]
        return f"{path}: {key}.kind: expected {context['expected_tags']}, found {context['tag']!r}"
    if entry["type"] == "union_tag_not_found":
        return f"{path}: {key}.kind: expected the kind of fault, found none"
    wanted = entry["msg"].removeprefix("Input should be ")
    return f"{path}: {key}: expected {wanted}, found {entry['input']!r}"
