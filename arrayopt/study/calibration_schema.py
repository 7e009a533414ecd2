"""Form of a calibration file: what `calibrate` writes and a study includes."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field

Finite = Annotated[float, Field(allow_inf_nan=False, strict=False)]


class Form(BaseModel):
    """Base of files around a calibration: exact types, and an unknown key is an error."""

    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)


class ParameterTable(Form):
    """One fitted number of a calibration with its 95 % interval."""

    value: Finite
    lower: Finite
    upper: Finite
    units: str
    identified: bool
    remark: str = ""


class ParametersTable(Form):
    """``[parameters]``: everything a calibration changes in the model."""

    quality_factor: ParameterTable
    film_tension: ParameterTable
    thickness_scale: ParameterTable
    coupling_scale: ParameterTable
    cubic_scale: ParameterTable


class DrawsTable(Form):
    """``[draws]``: parameter sets as likely as the data make them, for bands on predictions."""

    names: list[str]
    values: list[list[Finite]]


class UsedTable(Form):
    """``[[used]]``: what became of one trace."""

    file: str
    line: int
    trace: str
    points: int
    used: int
    note: str = ""


class CalibrationFile(Form):
    """A whole calibration file; only ``parameters`` and ``draws`` change results."""

    format: Literal[1]
    title: str = ""
    nominal_stack: str
    parameters: ParametersTable
    draws: DrawsTable
    used: list[UsedTable] = Field(default_factory=list)
    modal: list[dict[str, Any]] = Field(default_factory=list)
    readings: list[str] = Field(default_factory=list)
    findings: list[str] = Field(default_factory=list)
    cannot_tell: list[str] = Field(default_factory=list)
