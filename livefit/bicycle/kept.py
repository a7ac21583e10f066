"""Where a pointer's calibration is kept: one file for each pointer, readable by its owner only."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Annotated

import numpy as np
from platformdirs import user_data_path
from pydantic import BaseModel, ConfigDict, Field, FiniteFloat, ValidationError

from livefit.bicycle.pointer import Calibration
from livefit.definitions.bicycle import Pointer
from livefit.private_files import make_private_directory, write_private

Vector = tuple[FiniteFloat, FiniteFloat, FiniteFloat]
Matrix = tuple[Vector, Vector, Vector]
Positive = Annotated[FiniteFloat, Field(ge=0)]


class CalibrationMissingError(ValueError):
    """A pointer without a calibration that could be used; the text says what to do."""


class _Document(BaseModel):
    """A calibration as it is written; mm and deg."""

    model_config = ConfigDict(frozen=True, extra="forbid")

    version: int = Field(default=1, ge=1, le=1)
    pointer: str
    day: date
    markers: Annotated[list[str], Field(min_length=3)]
    shape_mm: Annotated[list[Vector], Field(min_length=3)]
    tip_mm: Vector
    tip_covariance_mm2: Matrix
    tip_se_mm: Positive
    residual_mm: Positive
    noise_mm: Positive
    turned_deg: Vector
    seconds: Positive


class CalibrationShelf:
    """The calibrations in one directory.

    Parameters
    ----------
    directory
        Where they are; by default ``pointers`` in the user's data directory.
    """

    def __init__(self, directory: Path | None = None) -> None:
        self.directory = directory or user_data_path("livefit") / "pointers"

    def keep(self, pointer: str, found: Calibration) -> Path:
        """Write a calibration in place of the one before and return its file."""
        document = _Document(
            pointer=pointer,
            day=found.day,
            markers=list(found.markers),
            shape_mm=found.shape.tolist(),
            tip_mm=found.tip.tolist(),
            tip_covariance_mm2=found.covariance.tolist(),
            tip_se_mm=found.tip_se,
            residual_mm=found.residual,
            noise_mm=found.noise,
            turned_deg=found.turned_deg.tolist(),
            seconds=found.seconds,
        )
        path = self._file(pointer)
        make_private_directory(path.parent)
        write_private(path, document.model_dump_json(indent=1) + "\n")
        return path

    def read(self, pointer: Pointer) -> Calibration:
        """The calibration of a pointer.

        Raises
        ------
        CalibrationMissingError
            There is none, it cannot be read, or it is of other markers.
        """
        path = self._file(pointer.name)
        again = f"Calibrate it: livefit pointer calibrate --pointer {pointer.name}"
        try:
            found = _Document.model_validate_json(path.read_text("utf-8"))
        except FileNotFoundError:
            raise CalibrationMissingError(
                f"expected a calibration of the pointer {pointer.name!r}, found none at {path}. "
                f"{again}"
            ) from None
        except (ValidationError, UnicodeDecodeError) as error:
            raise CalibrationMissingError(
                f"{path}: expected a calibration, found something else: {error}. {again}"
            ) from error
        if found.markers != pointer.markers or len(found.shape_mm) != len(found.markers):
            raise CalibrationMissingError(
                f"{path}: expected the markers {', '.join(pointer.markers)}, found "
                f"{', '.join(found.markers)}. {again}"
            )
        return Calibration(
            tuple(found.markers),
            np.array(found.shape_mm),
            np.array(found.tip_mm),
            np.array(found.tip_covariance_mm2),
            found.residual_mm,
            found.noise_mm,
            np.array(found.turned_deg),
            found.seconds,
            found.day,
        )

    def _file(self, pointer: str) -> Path:
        return self.directory / f"{pointer}.json"
