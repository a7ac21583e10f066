"""Who measures: what stands at the head of a report, and how it is written."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, field_validator


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
    def _a_text_is_a_path(cls, given: object) -> object:
        return Path(given) if isinstance(given, str) and given else given or None
