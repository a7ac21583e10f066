"""Who measures: what stands at the head of a report, and how it is written."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated, Literal

from platformdirs import user_config_path
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator

from livefit.definitions.loader import shipped_dir
from livefit.definitions.models import DefinitionError

FILE = "studio.toml"


class Studio(BaseModel):
    """A fitting studio; what is empty is left out."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    name: Annotated[str, Field(max_length=120)] = ""
    address: Annotated[list[Annotated[str, Field(max_length=120)]], Field(max_length=6)] = []
    """Line by line; one text may hold several."""
    contact: Annotated[str, Field(max_length=200)] = ""
    logo: Path | None = None
    """PNG, JPEG or another picture of pixels; relative to the file that names it."""
    fitter: Annotated[str, Field(max_length=120)] = ""
    paper: Literal["a4", "letter"] = "a4"
    language: Annotated[str, Field(pattern=r"^[a-z]{2}$")] = "en"
    """Of the report: that of a file ``words/report.LANGUAGE.toml``."""
    decimal: Literal["point", "comma"] | None = None
    """None: as the language has it."""

    @field_validator("address", mode="before")
    @classmethod
    def _one_text_is_lines(cls, given: object) -> object:
        return given.splitlines() if isinstance(given, str) else given

    @field_validator("logo", mode="before")
    @classmethod
    def _no_name_is_no_logo(cls, given: object) -> object:
        return given or None


def load_studio(user_dir: Path | None = None) -> Studio:
    """Read ``studio.toml`` from the fitter's own directory, or the shipped one if there is none.

    Parameters
    ----------
    user_dir
        None = the user's configuration directory of the operating system.

    Raises
    ------
    DefinitionError
        One line for each fault: the file, the key, what was expected and what was found.
    """
    own = (user_config_path("livefit") if user_dir is None else user_dir) / FILE
    path = own if own.is_file() else shipped_dir() / FILE
    try:
        studio = Studio.model_validate(tomllib.loads(path.read_text(encoding="utf-8-sig")))
    except ValidationError as error:
        faults = [
            f"{path}: {'.'.join(str(part) for part in entry['loc'])}: {entry['msg']}, "
            f"found {entry['input']!r}"
            for entry in error.errors(include_url=False)
        ]
        raise DefinitionError("\n".join(faults)) from error
    except (OSError, UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise DefinitionError(f"{path}: expected a readable TOML file, found: {error}") from error
    if studio.logo is None:
        return studio
    return studio.model_copy(update={"logo": path.parent / studio.logo})
