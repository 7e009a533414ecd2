"""Array response and band with mutual radiation: what `band.find_band` does, coupled (M9)."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

from arrayopt.base.arrays import Floats, Ints
from arrayopt.base.status import Status, translated
from arrayopt.models.array import DOWN, SMALL, TWO_WAY, Band, Response
from arrayopt.models.coupled.band import find_bands, grid_range
from arrayopt.models.coupled.states import CoupledPacked
from arrayopt.models.one_mode.grid import GRID_LIMIT, POINTS_PER_LINEWIDTH, SECTIONS
from arrayopt.models.one_mode.response import pack
from arrayopt.physics.coupled.arrays import (
    TOLERANCE,
    CoupledStatus,
    SiteTable,
    coupled_arrays,
    coupled_sweep,
    range_status,
    site_table,
)
from arrayopt.physics.coupled.newton import (
    CoupledArrays,
    residual,
    set_frequency,
    set_jacobian,
    solve_jacobian,
    workspace,
)
from arrayopt.physics.numerics.compiled import kernel
from arrayopt.physics.numerics.threads import spread
from arrayopt.physics.sound.path import path_absorption, path_factors
from arrayopt.physics.sound.radiation import directivity

if TYPE_CHECKING:
    from arrayopt.design.designs import Designs
    from arrayopt.models.cells import Cells
    from arrayopt.study.lattice import ArrayLayout
    from arrayopt.study.read import Study

Exact = Literal["symmetry", "group", "each"]
NECKED_FINER = 4.0
"""Points in a linewidth, over those of other cells: with necks a response may turn within a tenth
of its (wide) linewidth before a fold, and the peak is looked for at points and folds."""

Alike = Exact | Literal["few"]

CORRECTIONS = 2
"""Solutions, each of what the one before leaves, to 1e-7 of it: to rounding."""
HEARD_FINER = 3.0
"""Points of a table of what is received, over those of the sweep's grid."""

FEW_SITES = 32
"""Largest number of cells not alike by symmetry for which ``few`` keeps them apart."""

PER_DESIGN = frozenset(CoupledArrays._fields) - {
    "distance",
    "site_group",
    "site_count",
    "cell_site",
    "link",
    "weight",
    "density",
    "sound_speed",
    "neck",
}
"""Fields of `CoupledArrays` with a design axis."""


def pack_coupled(
    cells: Cells,
    designs: Designs,
    study: Study,
    *,
    alike: Alike = "symmetry",
    mutual: bool = True,
) -> CoupledPacked:
    """Arrange a batch for the coupled kernels.

    Parameters
    ----------
    cells, designs : the same batch, (design, group)
    study : Study
        Gives the air, the back side (a vented back radiates, and couples, on both sides), and the
        target; steering delays are part of the drive.
    alike : see `physics.coupled.site_table`; ``few`` is ``symmetry`` where that leaves at most
        `FEW_SITES` sites, else ``group``. A steered array keeps every cell for itself.
    mutual : bool
        False leaves mutual radiation out (the limit in which this equals `band.find_band`).
    """
    base = pack(cells, designs, study)
    span = _necked_span(cells)
    air, target = study.air_state, study.target
    phased = target.polar != 0.0
    steered = phased and target.steered
    layout = designs.layout
    table = _sites(layout, "each" if steered else alike)
    arrays = coupled_arrays(
        table,
        mass=cells.mass,
        damping=cells.damping,
        stiffness=cells.stiffness,
        cubic=cells.effective_cubic,
        force=cells.force_per_volt * designs.drive_amplitude * np.exp(1j * designs.drive_phase),
        radius=cells.radius,
        shape=cells.shape,
        resistance=cells.resistance_series,
        reactance=cells.reactance_series,
        density=air.density,
        sound_speed=air.sound_speed,
        highest_frequency=_highest(cells, span),
        scale=designs.pitch,
        sides=cells.back.sides if mutual else 0,
        lead=base.delay if steered else None,
        volume=cells.volume,
        cavity=cells.cavity,
        neck=cells.back.neck(air),
    )
    volume = np.array(cells.volume, order="C")
    silent = np.empty((len(designs), 0)), np.empty((len(designs), 2))
    return CoupledPacked(base, arrays, volume, span, bool(phased), *silent)


def _highest(cells: Cells, span: Floats) -> Floats:
    """Frequency that the series of the self impedance must serve, (design,) [Hz]."""
    own = 1.3 * cells.natural_frequency.max(axis=1)
    top = np.fmax(span[:, 1], span[:, 3]) / (2.0 * np.pi)
    return np.where(np.isfinite(top), top, own)


def _necked_span(cells: Cells) -> Floats:
    """Ranges of the sweeps of every design's driven cells (see `CoupledPacked`)."""
    driven = (cells.drive_amplitude > 0.0) & (cells.force_per_volt != 0.0)
    span = np.full((len(driven), 5), np.nan)
    found = cells.necked
    if found is None:
        return span
    with np.errstate(invalid="ignore"):
        for k, (value, pick) in enumerate(
            (
                (found.low, np.min),
                (found.high, np.max),
                (found.driven_low, np.min),
                (found.driven_high, np.max),
                (found.width / (NECKED_FINER * POINTS_PER_LINEWIDTH), np.min),
            )
        ):
            unused = np.inf if pick is np.min else 0.0
            span[:, k] = pick(np.where(driven, value, unused), axis=1)
    return span


def coupled_pressure(
    packed: CoupledPacked,
    cells: Cells,
    designs: Designs,
    study: Study,
    *,
    frequency: Floats,
    sweep: int,
) -> Response:
    """As `response.array_pressure`, with mutual radiation; ``deflection`` is each group's mean.

    ``frequency`` (design, frequency) ascending [Hz], anywhere: the sweep is followed from outside
    all resonances, in steps of at most a tenth of the narrowest linewidth, through these points.
    NaN where it did not settle. ``packed``: of these cells and designs.
    """
    arrays, base = packed.arrays, packed.base
    if sweep == SMALL:
        arrays = arrays._replace(cubic=np.zeros_like(arrays.cubic))
    amplitude = np.empty((*frequency.shape, arrays.cell_site.size), dtype=complex)

    def follow(start: int, stop: int) -> None:
        for d in range(start, stop):
            amplitude[d] = _followed(packed, arrays, d, frequency[d], sweep)

    spread(follow, len(designs))
    owner = designs.layout.group_of_cell
    groups = designs.layout.n_groups
    w = 2.0 * np.pi * frequency
    travel = study.target.distance / study.air_state.sound_speed
    path = path_factors(base.density, base.distance, base.absorption, w) * np.exp(-1j * w * travel)
    lead = base.delay if packed.phased else np.zeros_like(base.delay)
    phase = np.exp(1j * w[:, :, None] * lead[:, None, :])
    shape = (len(designs), groups, w.shape[1])
    pressure, deflection = np.empty(shape, dtype=complex), np.empty(shape, dtype=complex)
    for g in range(groups):
        mine = amplitude[:, :, owner == g]
        kappa = w / study.air_state.sound_speed * designs.radius[:, g, None] * base.sin_polar
        element = directivity(cells.shape[:, g, None], kappa)
        moved = (mine * phase[:, :, owner == g]).sum(axis=-1) * cells.volume[:, g, None] * element
        pressure[:, g] = -path * moved
        # contiguous: summed in one order whatever the batch
        deflection[:, g] = np.ascontiguousarray(mine).mean(axis=-1)
    steered = arrays.lead.any()
    site = amplitude * phase if steered else amplitude
    every = np.arange(owner.size)
    return Response(
        frequency, pressure.sum(axis=1), pressure, deflection, site.swapaxes(1, 2), every
    )


def _followed(
    packed: CoupledPacked, arrays: CoupledArrays, d: int, frequency: Floats, sweep: int
) -> NDArray[np.complex128]:
    """Displacement (frequency, cell) of one design at points of its whole sweep."""
    one = arrays._replace(**{name: getattr(arrays, name)[d : d + 1] for name in PER_DESIGN})
    low, high, step, _ = grid_range(packed, d, sweep, np.empty((5, SECTIONS)))
    low, high = min(low, 2.0 * np.pi * frequency[0]), max(high, 2.0 * np.pi * frequency[-1])
    if not np.isfinite(low) or not np.isfinite(step):
        return np.full((frequency.size, arrays.cell_site.size), np.nan, dtype=complex)
    even = np.linspace(low, high, int(np.ceil((high - low) / step)) + 1) / (2.0 * np.pi)
    grid = np.unique(np.concatenate([even, frequency]))
    swept = coupled_sweep(one, frequency=grid[None, :], down=sweep == DOWN)
    return np.asarray(swept.amplitude[0, np.searchsorted(grid, frequency)])


def received(packed: CoupledPacked, design: Ints, w: Floats) -> Floats:
    """See `ArrayModel.receive`; w (entry,) in rad/s."""
    arrays, base = packed.arrays, packed.base
    # By reciprocity: what one volt on every channel moves at small signal, target on the axis.
    # `receive` is count times volume times force per volt.
    volume = packed.volume * base.cell_count
    with np.errstate(divide="ignore", invalid="ignore"):
        force = np.where(volume != 0.0, base.receive / volume, 0.0)
    nothing = np.zeros_like(force)
    linear = arrays._replace(
        force_re=force, force_im=nothing, cubic=nothing, lead=np.zeros_like(arrays.lead)
    )
    out = np.empty(w.size)
    spread(_received, w.size, packed._replace(arrays=linear), design, w, out)
    return out


@kernel
def _received(
    begin: int, stop: int, packed: CoupledPacked, design: Ints, w: Floats, out: Floats
) -> None:
    arrays, base = packed.arrays, packed.base
    sites = arrays.site_group.size
    s = workspace(sites, arrays.mass.shape[1], arrays.distance.size)
    scratch = np.zeros((4, 2 * sites))
    x, still, step, rest = scratch[0], scratch[1], scratch[2], scratch[3]
    for e in range(begin, stop):
        d = design[e]
        set_frequency(arrays, d, w[e], s)
        set_jacobian(arrays, d, s, still)
        x[:] = 0.0
        for _ in range(CORRECTIONS):
            residual(arrays, d, s, x, 1.0, rest)
            solve_jacobian(s, rest, 1e-7, step)
            for i in range(2 * sites):
                x[i] += step[i]
        re = im = 0.0
        for i in range(sites):
            moved = arrays.site_count[i] * packed.volume[d, arrays.site_group[i]]
            re += moved * x[i]
            im += moved * x[sites + i]
        way = np.exp(-path_absorption(base.absorption, w[e]) * base.distance)
        out[e] = way * np.hypot(re, im)


def _hearing(packed: CoupledPacked, sweep: int) -> CoupledPacked:
    """The same with a table of what is received over each design's sweep."""
    tables, hears = [], np.zeros((len(packed.volume), 2))
    for d in range(len(hears)):
        low, high, step, _ = grid_range(packed, d, sweep, np.empty((5, SECTIONS)))
        size = 0
        if 0.0 < low < high and (high - low) / step < GRID_LIMIT:
            size = max(int(np.ceil(HEARD_FINER * (high - low) / step)) + 1, 4)
            hears[d] = low, (size - 1) / (high - low)
        w = np.linspace(low, high, size) if size else np.zeros(0)
        tables.append(received(packed, np.full(size, d), w))
    longest = max(max((len(table) for table in tables), default=0), 4)
    heard = np.zeros((len(tables), longest))
    for row, table in zip(heard, tables, strict=True):
        row[: len(table)] = table
    return packed._replace(heard=heard, hears=hears)


WORDS = {
    CoupledStatus.NOT_SETTLED: Status.MUTUAL_UNSETTLED,
    CoupledStatus.KA_RANGE: Status.MUTUAL_OUT_OF_RANGE,
    CoupledStatus.OVERLAP: Status.CELLS_OVERLAP,
}


def find_coupled_band(packed: CoupledPacked, *, level: float, sweep: int) -> Band:
    """Contiguous band around the peak of each design's coupled response (M10.1 on M9.3).

    Parameters
    ----------
    packed : CoupledPacked
        From `pack_coupled`.
    level : float
        Band limit below the peak as a pressure ratio.
    sweep : UP, DOWN or SMALL; with TWO_WAY added the peak is the received charge's (C)

    Returns
    -------
    Band
        As from `band.find_band`, edges and jumps closed in to 1e-6 of the frequency. What is
        received is taken from the cubics through points a third of the grid's step apart.
    """
    if sweep & TWO_WAY:
        packed = _hearing(packed, sweep & 3)
        sweep &= 3
    designs, groups = packed.volume.shape
    out = np.full((designs, 6), np.nan)
    deflection = np.full((designs, groups), np.nan)
    status = np.zeros(designs, dtype=np.int64)
    if sweep == SMALL:
        silent = packed.arrays._replace(cubic=np.zeros_like(packed.arrays.cubic))
        packed = packed._replace(arrays=silent)
    spread(find_bands, designs, packed, level, sweep, TOLERANCE, out, deflection, status)
    reach = 2.0 * np.pi * np.where(np.isfinite(out[:, 3]), out[:, 3], out[:, 1])
    status |= translated(range_status(packed.arrays, np.nan_to_num(reach)), WORDS)
    out[status != 0] = np.nan
    deflection[status != 0] = np.nan
    return Band.of(out.T, deflection, status)


@lru_cache(maxsize=64)
def _site_table(position: bytes, group: bytes, alike: Exact) -> SiteTable:
    xy = np.frombuffer(position, dtype=np.float64).reshape(-1, 2)
    return site_table(xy, np.frombuffer(group, dtype=np.int64), alike=alike)


def _sites(layout: ArrayLayout, alike: Alike) -> SiteTable:
    """The table of a layout, made once per process: a search asks for it at every batch."""
    group = np.asarray(layout.group_of_cell, dtype=np.int64).tobytes()
    position = np.asarray(layout.unit_position).tobytes()
    if alike != "few":
        return _site_table(position, group, alike)
    exact = _site_table(position, group, "symmetry")
    return exact if len(exact.count) <= FEW_SITES else _site_table(position, group, "group")
