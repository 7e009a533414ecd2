"""M9: steady states of arrays whose cells are coupled by mutual radiation.

    (d_n + 3/4 g_n |A_n|^2 + j l_n) A_n + j w sum_(m != n) Z_nm A_m = F_n                (M9.3)

One harmonic and one mode a cell; Z_nm of M5.9 to order 2. docs/models/M9-mutual.md has the method.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntFlag
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from arrayopt.base.arrays import Floats, Ints
from arrayopt.physics.back.neck_kernel import NO_NECK
from arrayopt.physics.coupled.newton import CoupledArrays
from arrayopt.physics.coupled.sweep import NOT_SETTLED, sweep_batch
from arrayopt.physics.numerics.threads import spread
from arrayopt.physics.sound.radiation import TERMS_FOR_LIMIT, directivity_series

TOLERANCE = 1e-7
"""Residual of M9.3 over the norm of the drive forces at which a state counts as found."""


class CoupledStatus(IntFlag):
    """What is wrong with a coupled sweep; 0 means nothing."""

    OK = 0
    NOT_SETTLED = NOT_SETTLED
    """Beyond a fold the envelopes did not come to rest: no steady state was found there."""
    KA_RANGE = 2
    """ka above 4: beyond the series of the self impedance (M5.6)."""
    OVERLAP = 4
    """Two discs overlap: the mutual impedance needs a spacing above the sum of the radii."""


@dataclass(frozen=True)
class SiteTable:
    """Which cells are alike by symmetry, and the different distances between them.

    Parameters
    ----------
    site_of_cell : (cell,) number of the site that stands for the cell.
    first_cell : (site,) the cell whose equation is solved.
    count : (site,) cells of each site.
    group : (site,) group of its cells.
    link : (link, 3) site that feels, site that is felt, number of the distance between them.
    weight : (link,) how many cells of the felt site lie at that distance from a cell of the other;
        a mean over the cells where the site is a whole group.
    distance : (pair class,) in units of the positions.
    """

    site_of_cell: Ints
    first_cell: Ints
    count: Ints
    group: Ints
    link: Ints
    weight: Floats
    distance: Floats


class CoupledSweep(NamedTuple):
    """States of a batch of coupled arrays along a sweep."""

    amplitude: NDArray[np.complex128]
    """(design, frequency, cell): centre displacement, phasor e^{+jwt} (m)."""
    jumps: Ints
    """(design, frequency): folds passed on the way from the frequency visited before."""
    status: Ints
    """(design,): `CoupledStatus`."""


def site_table(
    position: ArrayLike,
    group: ArrayLike,
    *,
    alike: Literal["symmetry", "group", "each"] = "symmetry",
) -> SiteTable:
    """Sites of an array: cells that are taken to move alike.

    Parameters
    ----------
    position : array (cell, 2)
        Centres, any unit.
    group : integer array (cell,)
        Cells of one number have the same coefficients and drive.
    alike : which cells move alike
        ``symmetry``: orbits under the symmetries that keep every group, exact for states that
        have the array's symmetry (M9.5); ``group``: all cells of a group, each feeling the mean
        of what they feel (M9.6), an approximation; ``each``: every cell for itself, also states
        that break the symmetry.

    Returns
    -------
    SiteTable
    """
    xy = np.asarray(position, dtype=np.float64)
    kind = np.asarray(group, dtype=np.int64)
    cells = len(xy)
    if len(np.unique(xy, axis=0)) < cells:
        raise ValueError("two cells have the same position.")
    label = np.arange(cells)
    if alike == "group":
        label = np.unique(kind, return_index=True)[1][np.searchsorted(np.unique(kind), kind)]
    elif alike == "symmetry" and cells > 1:
        for image in _symmetries(xy, kind):
            # union of cycles: the smaller label spreads until nothing changes
            while np.any(label[image] != label):
                low = np.minimum(label[image], label)
                label[image] = low
                label = np.minimum(low, label)
            label = label[label]
    first, site, count = np.unique(label, return_inverse=True, return_counts=True)[0:3]
    site = site.reshape(-1)
    # A whole group feels the mean over its cells; elsewhere one cell stands exactly for its site.
    feel = np.arange(cells) if alike == "group" else first
    between = np.hypot(*(xy[feel][:, None, :] - xy[None, :, :]).transpose(2, 0, 1))
    itself = feel[:, None] == np.arange(cells)[None, :]
    unit = between[~itself].min() if cells > 1 else 1.0
    rounded = np.where(itself, 0.0, np.round(between / unit, 9))
    pair = np.unique(rounded, return_inverse=True)[1].reshape(between.shape) - 1
    distance = np.zeros(max(int(pair.max()) + 1, 1))
    distance[pair[~itself]] = between[~itself]
    row, column = np.nonzero(~itself)
    triple = np.stack([site[feel][row], site[column], pair[row, column]], axis=1)
    link, times = np.unique(triple, axis=0, return_counts=True)
    share = count[link[:, 0]] if alike == "group" else 1
    return SiteTable(
        site_of_cell=site.astype(np.int64),
        first_cell=first.astype(np.int64),
        count=count.astype(np.int64),
        group=kind[first],
        link=np.ascontiguousarray(link, dtype=np.int64).reshape(-1, 3),
        weight=times / share,
        distance=distance,
    )


def _symmetries(xy: Floats, group: Ints) -> list[Ints]:
    """Permutations of the cells by rotations and reflections that keep positions and groups."""
    centred = xy - xy.mean(axis=0)
    radius = np.hypot(*centred.T)
    size = float(radius.max())
    z = (centred[:, 0] + 1j * centred[:, 1]) / size
    # the fewest candidates: images of one cell of the smallest shell away from the middle
    shell = np.where(radius > 1e-9 * size, np.round(radius / size, 9), -1.0)
    values, counts = np.unique(shell[shell > 0.0], return_counts=True)
    members = np.flatnonzero(shell == values[np.argmin(counts)])
    found = []
    for target in members:
        for mirrored in (False, True):
            source = z.conj() if mirrored else z
            turned = source * (z[target] / source[members[0]])
            apart = np.abs(turned[:, None] - z[None, :])
            image = apart.argmin(axis=1)
            fits = apart[np.arange(len(z)), image].max() < 1e-7
            fits = fits and len(np.unique(image)) == len(z)
            if fits and np.array_equal(group[image], group):
                found.append(image.astype(np.int64))
    return found


def coupled_arrays(
    table: SiteTable,
    *,
    mass: ArrayLike,
    damping: ArrayLike,
    stiffness: ArrayLike,
    cubic: ArrayLike,
    force: ArrayLike,
    radius: ArrayLike,
    shape: ArrayLike,
    resistance: ArrayLike,
    reactance: ArrayLike,
    density: float,
    sound_speed: float,
    highest_frequency: ArrayLike,
    scale: ArrayLike = 1.0,
    sides: int = 1,
    lead: ArrayLike | None = None,
    volume: ArrayLike = 0.0,
    cavity: ArrayLike = 0.0,
    neck: Floats = NO_NECK,
) -> CoupledArrays:
    """Arrange a batch of arrays for the coupled solver.

    Parameters
    ----------
    table : SiteTable
        Shared by the batch.
    mass, damping, stiffness, cubic : array (design, group)
        Of each cell without air [kg], [N s/m], [N/m], [N/m3].
    force : complex array (design, group)
        Drive force amplitude with its phase [N].
    radius : array (design, group)
        [m].
    shape : array (design, group, basis)
        Coefficients, see `radiation.hankel_transform`.
    resistance, reactance : array (design, group, term)
        Series of the self impedance (`radiation.impedance_series`), times ``sides``.
    density, sound_speed : float
        [kg/m3], [m/s].
    highest_frequency : array (design,)
        [Hz]: decides how many terms of the series are used (M5.6).
    scale : array (design,)
        Metres per unit of the table's positions.
    sides : int
        Radiating sides of the baffle, 1 or 2; 0 leaves mutual radiation out.
    lead : array (design, cell), optional
        The drive of a cell lags by this time [s]; needs a table without reduction.
    volume, cavity : array (design, group), with necks only
        Displaced volume per centre displacement [m2]; pressure per displaced volume of the cavity
        with its necks closed [Pa/m3].
    neck : array (4,)
        Number, radius [m] and length [m] of a cell's necks, viscosity of the gas [Pa s] (M5.16).
    """
    size = np.atleast_2d(np.asarray(mass, dtype=np.float64)).shape
    designs = size[0]

    def full(value: ArrayLike) -> Floats:
        return np.array(np.broadcast_to(value, size), dtype=np.float64, order="C")

    def rows(value: ArrayLike) -> Floats:
        series = np.asarray(value, dtype=np.float64)
        return np.array(np.broadcast_to(series, (*size, series.shape[-1])), order="C")

    drive = np.broadcast_to(np.asarray(force, dtype=np.complex128), size)
    radii = full(radius)
    top = np.broadcast_to(np.asarray(highest_frequency, dtype=np.float64), (designs,))
    ka = 2.0 * np.pi * top * radii.max(axis=1) / sound_speed
    limits = sorted((limit, terms) for terms, limit in TERMS_FOR_LIMIT.items())
    place = np.searchsorted([limit for limit, _ in limits], ka)
    used = np.array([terms for _, terms in limits] + [limits[-1][1]])[place]
    sites = len(table.first_cell)
    lags = np.zeros((designs, sites))
    if lead is not None:
        lags = np.ascontiguousarray(np.asarray(lead, dtype=np.float64)[:, table.first_cell])
    return CoupledArrays(
        mass=full(mass),
        damping=full(damping),
        stiffness=full(stiffness),
        cubic=full(cubic),
        force_re=np.array(drive.real, order="C"),
        force_im=np.array(drive.imag, order="C"),
        radius=radii,
        resistance=rows(resistance),
        reactance=rows(reactance),
        terms=used.astype(np.int64),
        transform=rows(directivity_series(shape)),
        scale=np.array(np.broadcast_to(scale, (designs,)), dtype=np.float64),
        distance=table.distance,
        site_group=table.group,
        site_count=table.count.astype(np.float64),
        cell_site=table.site_of_cell,
        link=table.link,
        weight=table.weight,
        lead=lags,
        coupling=np.full(designs, float(sides)),
        volume=full(volume),
        cavity=full(cavity),
        neck=np.array(neck, dtype=np.float64),
        density=float(density),
        sound_speed=float(sound_speed),
    )


def coupled_sweep(
    arrays: CoupledArrays,
    *,
    frequency: ArrayLike,
    down: bool = False,
    drive_scale: ArrayLike = 1.0,
    tolerance: float = TOLERANCE,
) -> CoupledSweep:
    """Follow every array of a batch along its frequencies, jumps included (M9.3, M9.4).

    Parameters
    ----------
    arrays : CoupledArrays
        From `coupled_arrays`.
    frequency : array (design, frequency) or (frequency,)
        Ascending [Hz], at most a tenth of the narrowest linewidth apart.
    down : bool
        Visit them from the last to the first.
    drive_scale : array (design,)
        Factor on all drive forces of a design.
    tolerance : float
        Residual over the norm of the forces.

    Returns
    -------
    CoupledSweep
        Valid for one mode and one harmonic a cell, ka below 4 and quasi-static sweeps. Designs
        whose ``status`` is not 0 have NaN amplitudes.
    """
    designs = arrays.mass.shape[0]
    hertz = np.broadcast_to(
        np.asarray(frequency, dtype=np.float64), (designs, np.shape(frequency)[-1])
    )
    points, sites = hertz.shape[1], arrays.site_group.size
    order = np.arange(points, dtype=np.int64)
    amplitude = np.full((designs, points, sites), np.nan, dtype=np.complex128)
    jumps = np.zeros((designs, points), dtype=np.int64)
    status = range_status(arrays, 2.0 * np.pi * hertz.max(axis=1))
    scale = np.array(np.broadcast_to(drive_scale, (designs,)), dtype=np.float64)
    spread(
        sweep_batch,
        designs,
        arrays,
        np.ascontiguousarray(2.0 * np.pi * hertz),
        np.ascontiguousarray(order[::-1]) if down else order,
        scale,
        tolerance,
        amplitude,
        jumps,
        status,
    )
    amplitude[status != 0] = np.nan
    return CoupledSweep(amplitude[:, :, arrays.cell_site], jumps, status)


def range_status(arrays: CoupledArrays, w: Floats) -> Ints:
    """`CoupledStatus` bits of geometry and range, (design,), for frequencies up to w (rad/s)."""
    ka = w[:, None] * arrays.radius / arrays.sound_speed
    status = np.where((ka > max(TERMS_FOR_LIMIT.values())).any(axis=1), CoupledStatus.KA_RANGE, 0)
    here, there, apart = arrays.link.T
    gaps = arrays.scale[:, None] * arrays.distance[apart]
    reach = arrays.radius[:, arrays.site_group]
    gaps = gaps - reach[:, here] - reach[:, there]
    overlap = (gaps < -1e-9 * arrays.radius.max()).any(axis=1) & (arrays.coupling > 0.0)
    return np.asarray(status | np.where(overlap, CoupledStatus.OVERLAP, 0), dtype=np.int64)
