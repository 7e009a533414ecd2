"""Studies and designs that several tests of the chain start from."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from arrayopt.design.designs import Designs, DesignSpace
from arrayopt.study.model import Study
from arrayopt.study.read import read_study
from tests.support.paths import STUDIES


def duct() -> Study:
    """The shipped duct study."""
    return read_study(STUDIES / "duct-flow-meter")


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
