"""Clamped circular diaphragm: operating point, modes, modal coefficients, film stress (M2, M3)."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntFlag

import numpy as np
from numpy.typing import ArrayLike, NDArray

from arrayopt.base.arrays import Floats
from arrayopt.physics.numerics.threads import spread
from arrayopt.physics.plate import kernel as plate_kernel
from arrayopt.physics.plate.kernel import Cells, Solved
from arrayopt.physics.plate.table import MINIMUM_COVERAGE, PIECE_ENDS, PlateTable, plate_table

__all__ = [
    "FilmStress",
    "PlateModes",
    "PlateStatus",
    "PlateTable",
    "film_stress",
    "modes_at",
    "plate_table",
    "static_deflection",
]


class PlateStatus(IntFlag):
    """Why a cell has no coefficients; 0 means that it has."""

    OK = 0
    #: The tangent stiffness is not positive: film stress or bias buckles the plate. Choose a
    #: smaller radius, less compressive films or a lower bias.
    BUCKLED = plate_kernel.BUCKLED
    #: Newton's iteration did not settle. The load is far outside the model's range.
    NOT_CONVERGED = plate_kernel.NOT_CONVERGED
    #: The electrode coverage lies outside 0.02 to 1.
    COVERAGE_OUT_OF_RANGE = plate_kernel.COVERAGE
    #: Radius not positive, or an input not finite.
    BAD_INPUT = plate_kernel.INPUT


@dataclass(frozen=True)
class PlateModes:
    """Modal coefficients about the operating point; leading axes are those of the inputs.

    Mode m: ``mass q'' + stiffness q + Q_mnp q_n q_p + C_mnpq q_n q_p q_q = force_per_volt V_ac``.
    ``q`` is the centre displacement of the mode [m], positive towards the top of the stack.

    ``mass`` [kg], ``stiffness`` [N/m], ``quadratic`` [N/m2], ``cubic`` [N/m3], ``force_per_volt``
    [N/V] and ``volume`` [m2], each (..., mode); ``shape`` (..., mode, basis), coefficients of
    (1 - rho^2)^2 rho^(2 i), 1 at the centre; ``static_shape`` (..., basis) [m];
    ``static_deflection`` (...), at the centre [m]; ``quadratic_tensor`` (..., m, n, p);
    ``cubic_tensor`` (..., m, n, p, q); ``status``
    (...), `PlateStatus`: cells with a status other than 0 hold NaN.
    """

    mass: Floats
    stiffness: Floats
    quadratic: Floats
    cubic: Floats
    force_per_volt: Floats
    volume: Floats
    shape: Floats
    static_shape: Floats
    static_deflection: Floats
    quadratic_tensor: Floats
    cubic_tensor: Floats
    status: NDArray[np.int64]

    @property
    def angular_frequency(self) -> Floats:
        """Undamped angular frequency of each mode in vacuum [rad/s]."""
        return np.asarray(np.sqrt(self.stiffness / self.mass))


@dataclass(frozen=True)
class FilmStress:
    """In-plane stress of largest magnitude in each layer, (..., layer) [Pa]; tension positive.

    Zero where the layer is absent. ``layers``: names, bottom to top, of the covered section.
    """

    centre: Floats
    edge: Floats
    layers: tuple[str, ...]


def _tables(
    table_disc: PlateTable | None, table_ring: PlateTable | None, ring: NDArray[np.bool_]
) -> tuple[PlateTable, tuple[PlateTable, PlateTable]]:
    for table, kind in ((table_disc, False), (table_ring, True)):
        if table is not None and table.ring is not kind:
            raise ValueError("table_disc and table_ring are exchanged or of the same kind")
    if (table_disc is None and not ring.all()) or (table_ring is None and ring.any()):
        raise ValueError("there are disc or ring cells without a table of their kind")
    one = table_disc or table_ring
    if one is None:
        raise ValueError("no table given")
    pair = (table_disc or one, table_ring or one)
    if pair[0].n_transverse != pair[1].n_transverse or pair[0].covered != pair[1].covered:
        raise ValueError("table_disc and table_ring belong to different stacks or basis sizes")
    return one, pair


def _padded(series: tuple[Floats, Floats]) -> Floats:
    pieces, _, coefficients = series[0].shape
    stacked = np.zeros((2, pieces, max(s.shape[1] for s in series), coefficients))
    for k in range(2):
        stacked[k, :, : series[k].shape[1]] = series[k]
    return stacked


def _electrode_edge(coverage: Floats, ring: NDArray[np.bool_]) -> Floats:
    """(electrode edge radius / radius)^2."""
    return np.where(ring, 1.0 - coverage, coverage) ** 2


def modes_at(
    table_disc: PlateTable | None,
    table_ring: PlateTable | None,
    *,
    radius: ArrayLike,
    coverage: ArrayLike,
    ring: ArrayLike = False,
    bias: ArrayLike = 0.0,
    pressure: ArrayLike = 0.0,
    n_modes: int = 2,
) -> PlateModes:
    """Operating point and modal coefficients of many diaphragms at once.

    Parameters
    ----------
    table_disc, table_ring : PlateTable or None
        Of one stack; None where no cell is of that kind.
    radius, coverage, ring, bias, pressure : array_like, broadcast together
        Radius [m]; electrode coverage, 0.02 to 1 [1]; True for a ring electrode; bias [V];
        uniform static pressure from below [Pa].
    n_modes : int
        Axisymmetric modes kept, lowest first; at most the table's n_transverse.

    Returns
    -------
    PlateModes
        With a status per cell.

    Raises
    ------
    ValueError
        For tables that do not fit the cells, or more modes than functions.

    Notes
    -----
    Equations M2.7 and M3.1 to M3.6. Thin plates (radius over thickness above about 20), centre
    deflections up to about twice the thickness, ideally clamped and immovable edge.
    """
    batch = np.broadcast_arrays(radius, coverage, ring, bias, pressure)
    lead = batch[0].shape
    a, c, v, p = (np.array(batch[k], dtype=float, order="C").ravel() for k in (0, 1, 3, 4))
    is_ring = np.array(batch[2], dtype=bool, order="C").ravel()
    one, pair = _tables(table_disc, table_ring, is_ring)
    n, m, cells = one.n_transverse, n_modes, a.size
    if not 1 <= m <= n:
        raise ValueError(f"n_modes = {m}; the tables have {n} transverse functions")
    inside = (c >= MINIMUM_COVERAGE) & (c <= 1.0)
    finite = np.isfinite(a) & (a > 0.0) & np.isfinite(v) & np.isfinite(p)
    status = np.where(inside, 0, int(PlateStatus.COVERAGE_OUT_OF_RANGE)).astype(np.int64)
    status |= np.where(finite, 0, int(PlateStatus.BAD_INPUT)).astype(np.int64)
    shapes = [(n,), (m, n), (m,), (m,), (m,), (m,), (m, m, m), (m, m, m, m)]
    out = [np.full((cells, *shape), np.nan) for shape in shapes]
    spread(
        plate_kernel.solve_cells, cells, _padded((pair[0].series, pair[1].series)), PIECE_ENDS,
        one.storage, one.mean, one.covered.thickness,
        Cells(a, _electrode_edge(c, is_ring), is_ring.astype(np.int64), v, p), status, Solved(*out),
    )  # fmt: skip
    static, shape, mass, stiffness, force, volume, quadratic, cubic = (
        x.reshape(*lead, *x.shape[1:]) for x in out
    )
    return PlateModes(
        mass=mass,
        stiffness=stiffness,
        quadratic=np.einsum("...mmm->...m", quadratic).copy(),
        cubic=np.einsum("...mmmm->...m", cubic).copy(),
        force_per_volt=force,
        volume=volume,
        shape=np.einsum("ij,...mj->...mi", one.to_monomial, shape),
        static_shape=np.einsum("ij,...j->...i", one.to_monomial, static),
        # every internal function is 1 at the centre
        static_deflection=static.sum(axis=-1),
        quadratic_tensor=quadratic,
        cubic_tensor=cubic,
        status=status.reshape(lead),
    )


def static_deflection(
    table: PlateTable,
    *,
    radius: ArrayLike,
    coverage: ArrayLike,
    pressure: ArrayLike = 0.0,
    bias: ArrayLike = 0.0,
) -> tuple[Floats, Floats, NDArray[np.int64]]:
    """Static shape under uniform pressure from below, film stress and bias.

    Parameters
    ----------
    table : PlateTable
        Its electrode kind is the cells'.
    radius, coverage, pressure, bias : array_like, broadcast together
        [m], [1], [Pa], [V].

    Returns
    -------
    centre, shape, status
        Centre deflection (...) [m], coefficients (..., basis) [m], `PlateStatus` (...).
    """
    modes = modes_at(
        None if table.ring else table,
        table if table.ring else None,
        radius=radius,
        coverage=coverage,
        ring=table.ring,
        bias=bias,
        pressure=pressure,
        n_modes=1,
    )
    return modes.static_deflection, modes.static_shape, modes.status


def film_stress(
    table_disc: PlateTable | None,
    table_ring: PlateTable | None,
    *,
    radius: ArrayLike,
    coverage: ArrayLike,
    shape: ArrayLike,
    ring: ArrayLike = False,
    voltage: ArrayLike = 0.0,
) -> FilmStress:
    """Stress in each layer at the centre and at the clamped edge for a given deflection.

    Parameters
    ----------
    table_disc, table_ring : PlateTable or None
        As for `modes_at`.
    radius, coverage, ring, voltage : array_like, broadcast together
        [m], [1], kind, instantaneous voltage across the film [V].
    shape : array_like (..., basis)
        Deflection in (1 - rho^2)^2 rho^(2 i) [m]: static shape plus each mode's amplitude times
        its shape.

    Returns
    -------
    FilmStress
        Residual + membrane + bending stress, and the film's own e31f V/t (equation M3.7); of
        the radial and tangential values at both faces of a layer the one of largest magnitude.

    Notes
    -----
    The local peak at an electrode edge inside the plate is not covered. Membrane strains are
    derivatives of a Ritz solution: good to some per cent.
    """
    deflection = np.asarray(shape, dtype=float)
    batch = np.broadcast_arrays(radius, coverage, ring, voltage, deflection[..., 0])
    lead = batch[0].shape
    a, c, v = (np.asarray(batch[k], dtype=float) for k in (0, 1, 3))
    is_ring = np.asarray(batch[2], dtype=bool)
    one, pair = _tables(table_disc, table_ring, is_ring)
    mono = np.broadcast_to(deflection, (*lead, one.n_transverse))
    q = np.einsum("ij,...j->...i", np.linalg.inv(one.to_monomial), mono)
    series = _padded((pair[0].strain_series, pair[1].strain_series))
    s = _electrode_edge(c, is_ring)
    piece = np.clip(np.searchsorted(PIECE_ENDS, s) - 1, 0, len(PIECE_ENDS) - 2)
    local = (s - PIECE_ENDS[piece]) / np.diff(PIECE_ENDS)[piece]
    angle = np.arccos(np.clip(2.0 * local - 1.0, -1.0, 1.0))
    polynomials = np.cos(np.arange(series.shape[2]) * angle[..., None])
    strains = np.einsum("...k,...kc->...c", polynomials, series[is_ring.astype(int), piece])
    store, n = one.storage, one.n_transverse
    products = store.weight * q[..., store.first] * q[..., store.second]

    def membrane(s: Floats) -> Floats:
        from_deflection = (s[..., 2 : 2 + n] * q).sum(-1) + (s[..., 2 + n :] * products).sum(-1)
        return np.asarray(s[..., 0] + v * s[..., 1] + from_deflection / a**2)

    half = series.shape[3] // 2
    # w = sum c_i (1-s)^2 s^i: w'' = 2 (c_1 - 2 c_0)/a^2 at the centre, 8 sum(c)/a^2 at the edge
    second = mono[..., 1] if n > 1 else 0.0
    curvature_centre = -2.0 * (second - 2.0 * mono[..., 0]) / a**2
    curvature_edge = -8.0 * mono.sum(-1) / a**2
    at_centre = np.where(is_ring, c >= 1.0, True)
    at_edge = np.where(is_ring, True, c >= 1.0)
    strain_centre, strain_edge = membrane(strains[..., :half]), membrane(strains[..., half:])
    zero = np.zeros(lead)
    return FilmStress(
        _layer_stress(one, at_centre, v, (strain_centre,) * 2, (curvature_centre,) * 2),
        _layer_stress(one, at_edge, v, (strain_edge, zero), (curvature_edge, zero)),
        tuple(layer.name for layer in one.covered.layers),
    )


def _layer_stress(
    table: PlateTable,
    covered: NDArray[np.bool_],
    voltage: Floats,
    strain: tuple[Floats, Floats],
    curvature: tuple[Floats, Floats],
) -> Floats:
    result = np.zeros((*covered.shape, len(table.covered.layers)))
    for section, here in ((table.covered, covered), (table.bare, ~covered)):
        places = [k for k, x in enumerate(table.covered.layers) if x in section.layers]
        for place, layer, *heights in zip(
            places, section.layers, section.z_bottom, section.z_top, strict=True
        ):
            own = np.full(covered.shape, layer.residual_stress)
            if layer.active and section is table.covered:
                own = own + layer.e31f * voltage / layer.thickness
            largest = np.zeros(covered.shape)
            for z in heights:
                r, t = (e + z * k for e, k in zip(strain, curvature, strict=True))
                for first, second in ((r, t), (t, r)):
                    stress = own + layer.Q11 * first + layer.Q12 * second
                    largest = np.where(np.abs(stress) > np.abs(largest), stress, largest)
            result[..., place] = np.where(here, largest, result[..., place])
    return result
