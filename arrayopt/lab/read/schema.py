"""Form of what a measured file says about itself, in comment lines or a file beside it."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field

from arrayopt.base.units import Need
from arrayopt.study.calibration_schema import Form
from arrayopt.study.schema import Unit


def _unit(kind: str, **limits: float) -> BeforeValidator:
    return BeforeValidator(Unit(Need(kind, **limits)))


def _names(value: object) -> object:
    """A header line can only hold text: ``frequency [kHz], magnitude [nm]``."""
    return [item.strip() for item in value.split(",")] if isinstance(value, str) else value


def _text(value: object) -> object:
    return str(value) if isinstance(value, int | float) and not isinstance(value, bool) else value


Share = Annotated[float, _unit("ratio", at_least=0.0, below=0.5)]


class MeasuredHeader(Form):
    """What a measured file says about itself, in comment lines or a TOML file beside it."""

    kind: Literal["sweep", "burst"] = "sweep"
    quantity: Literal["displacement", "velocity", "pressure"] | None = None
    amplitude: Literal["peak", "rms", "peak-to-peak"] | None = None
    columns: Annotated[list[str], BeforeValidator(_names)] | None = None
    delimiter: Literal[",", ";", "tab", "space"] | None = None
    decimal: Literal[".", ","] | None = None
    cell: Annotated[str, BeforeValidator(_text)] | None = None
    radius: Annotated[float, _unit("length", above=0.0)] | None = None
    electrode_coverage: Annotated[float, _unit("ratio", above=0.0, at_most=1.0)] | None = None
    electrode: Literal["disc", "ring"] | None = None
    drive_amplitude: Annotated[float, _unit("voltage", above=0.0)] | None = None
    bias: Annotated[float, _unit("voltage")] | None = None
    sweep: Literal["up", "down"] | None = None
    distance: Annotated[float, _unit("length", above=0.0)] | None = None
    cell_count: Annotated[int, Field(gt=0)] = 1
    burst_cycles: Annotated[float, _unit("ratio", above=0.0)] | None = None
    full_scale: str | None = None
    gain_uncertainty: Share = 0.03
    frequency_drift: Annotated[float, _unit("ratio", at_least=0.0, below=0.01)] = 2e-4
