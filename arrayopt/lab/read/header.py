"""Form of what a measured file says about itself, in comment lines or a file beside it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated, Any, Literal

from arrayopt.base.forms import (
    Coverage,
    Duration,
    Fraction,
    Frequency,
    Length,
    Positive,
    Read,
    Voltage,
    VoltageAbove,
)
from arrayopt.base.units import Need


def _names(value: Any) -> list[str]:
    """A header line can only hold text: ``frequency [kHz], magnitude [nm]``."""
    names = value.split(",") if isinstance(value, str) else value
    if not isinstance(names, list) or not all(isinstance(name, str) for name in names):
        raise ValueError("a list is needed, in square brackets")
    return [name.strip() for name in names]


def _text(value: Any) -> str:
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise ValueError("text in quotes is needed")
    return str(value)


@dataclass(frozen=True)
class MeasuredHeader:
    """What a measured file says about itself, in comment lines or a TOML file beside it."""

    kind: Literal["sweep", "burst", "waveform"] = "sweep"
    quantity: Literal["displacement", "velocity", "pressure"] | None = None
    amplitude: Literal["peak", "rms", "peak-to-peak"] | None = None
    columns: Annotated[list[str], Read(_names, "a list is needed")] | None = None
    delimiter: Literal[",", ";", "tab", "space"] | None = None
    decimal: Literal[".", ","] | None = None
    cell: Annotated[str, Read(_text, "text is needed")] | None = None
    chip: Annotated[str, Read(_text, "text is needed")] | None = None
    radius: Length | None = None
    electrode_coverage: Coverage | None = None
    electrode: Literal["disc", "ring"] | None = None
    drive_amplitude: VoltageAbove | None = None
    bias: Voltage | None = None
    sweep: Literal["up", "down"] | None = None
    distance: Length | None = None
    cell_count: Positive = 1
    burst_cycles: Annotated[float, Need("ratio", above=0.0)] | None = None
    carrier: Frequency | None = None
    chirp_start: Frequency | None = None
    chirp_end: Frequency | None = None
    chirp_duration: Duration | None = None
    taper: Fraction = 0.0
    full_scale: str | None = None
    gain_uncertainty: Annotated[float, Need("ratio", at_least=0.0, below=0.5)] = 0.03
    frequency_drift: Annotated[float, Need("ratio", at_least=0.0, below=0.01)] = 2e-4
