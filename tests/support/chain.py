"""Studies and designs that several tests of the chain start from."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from arrayopt.design.chips import NOMINAL
from arrayopt.design.designs import GROUP_ARRAYS, Designs, DesignSpace
from arrayopt.models.chips import Chips
from arrayopt.models.rows import FINE, Pace
from arrayopt.study.lattice import array_layout
from arrayopt.study.model import Study
from arrayopt.study.read import read_study, read_study_text
from tests.support.paths import STUDIES
from tests.support.tiny_study import tiny_text


def duct() -> Study:
    """The shipped duct study."""
    return read_study(STUDIES / "duct-flow-meter")


def four_cells(**cell: object) -> Study:
    """The duct study with four cells; keys of ``[cell]``."""
    study = read_study_text(tiny_text())
    return replace(study, cell=replace(study.cell, **cell))  # type: ignore[arg-type]


WAVEFORM = """\
kind = "burst"
carrier = ["95 kHz", "115 kHz"]
cycles = [2, 8]
taper = "50 %"
tail_cycles = [1, 4]
tail_amplitude = [0, 1]
per_channel = ["carrier", "tail_amplitude"]
max_voltage = "20 V"
max_slew = "10 V/us"
"""


def sending(waveform: str = WAVEFORM, excitation: str = "waveform") -> Study:
    """The duct study with four cells and a ``[waveform]``."""
    text = tiny_text().replace('"up-sweep"', f'"{excitation}"')
    assert "[limits]" in text
    return read_study_text(text.replace("[limits]", f"[waveform]\n{waveform}\n[limits]"))


def at_target(study: Study, **changes: object) -> Study:
    """The study with another target; ``polar`` and ``azimuth`` change its direction."""
    turned = {key: changes.pop(key) for key in ("polar", "azimuth") if key in changes}
    direction = replace(study.target.direction, **turned)  # type: ignore[arg-type]
    target = replace(study.target, direction=direction, **changes)  # type: ignore[arg-type]
    return replace(study, target=target)


def random_designs(study: Study, name: str, count: int, seed: int = 0) -> Designs:
    """Random designs of one strategy."""
    space = DesignSpace(study, study.strategy(name))
    X = np.random.default_rng(seed).random((count, space.n_variables))
    return space.decode(X)


def uniform_design(
    study: Study,
    *,
    radius: float = 450e-6,
    drive: float | NDArray[np.float64] = 1.0,
    bias: float = 5.0,
    name: str = "uniform-nonlinear",
) -> Designs:
    """All cells alike, disc electrodes of 67 % radius; ``drive`` (design,) in volts."""
    layout = study.strategy(name).layout
    volts = np.atleast_1d(np.asarray(drive, dtype=float))
    shape = (volts.size, layout.n_groups)
    return Designs(
        layout=layout,
        radius=np.full(shape, radius),
        electrode_coverage=np.full(shape, 0.67),
        ring=np.zeros(shape, dtype=bool),
        drive_amplitude=np.broadcast_to(volts[:, None], shape).copy(),
        drive_phase=np.zeros(shape),
        bias=np.full(shape, bias),
        pitch=np.full(volts.size, 1.1e-3),
    )


def one_cell(designs: Designs) -> Designs:
    """The first group's cell, without others."""
    none = np.zeros(1, dtype=int)
    layout = array_layout(np.zeros((1, 2)), class_of_cell=none, channel_of_cell=none, explicit=True)
    first = {name: getattr(designs, name)[:, :1] for name in GROUP_ARRAYS}
    return replace(designs, layout=layout, **first)


def as_drawn(designs: Designs, study: Study, *, modes: int = 1, pace: Pace = FINE) -> Chips:
    """One chip of each design, made as drawn, finely swept."""
    return Chips(designs, study, 1, use=NOMINAL, modes=modes, pace=pace)
