"""Electrodes of cells as capacitors."""

from __future__ import annotations

from typing import Any

import numpy as np

from arrayopt.study.model import Study

VACUUM_PERMITTIVITY = 8.8541878128e-12
"""CODATA 2018 [F/m]."""


def capacitance(study: Study, *, radius: Any, coverage: Any, ring: Any) -> Any:
    """Capacitance of electrodes [F], (cell,): the film as a plate capacitor, fringes left out."""
    film = study.film
    outer = np.where(ring, radius, coverage * radius)
    inner = np.where(ring, (1.0 - coverage) * radius, 0.0)
    area = np.pi * (outer**2 - inner**2)
    return VACUUM_PERMITTIVITY * film.relative_permittivity * area / film.thickness
