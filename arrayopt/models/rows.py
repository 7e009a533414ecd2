"""Rows of chips that are moved side by side: their sweep's ends, its pace, ring-down (M12.4)."""

from __future__ import annotations

from typing import Any, NamedTuple

import numpy as np

from arrayopt.base.arrays import Bools, Floats, Ints
from arrayopt.base.status import Status
from arrayopt.models.cells import Cells
from arrayopt.models.made import Made
from arrayopt.physics.intime.flow_kernel import ChipArrays
from arrayopt.physics.intime.modes import Modal
from arrayopt.physics.intime.slow_flow import (
    ChipStatus,
    ChipSweep,
    chip_sweep,
    linear_figures,
    sweep_range,
)

PER_CHIP = frozenset(ChipArrays._fields[: ChipArrays._fields.index("nominal")])
SHARED = frozenset({"pair", "distance", "neck", "sine", "density", "sound_speed"})
"""Fields of `ChipArrays` with a chip axis, and without any; the rest have a design axis."""

NOWHERE = (1e5, 1.1e5)
"""Sweep of what has no resonance (Hz); its status says why."""

QUIET = 40.0
"""Level below the peak that counts as quiet, dB."""
RUNGS = np.sort(np.concatenate([2 ** np.arange(4, 14), 3 * 2 ** np.arange(3, 13)]))
"""Numbers of cycles that a ring-down is followed for: few, so that designs share batches."""
EXTENSIONS = 3
"""How often a ring-down is followed for twice as long before it is given up."""

WORDS = {
    ChipStatus.BEATS: Status.CHIP_BEATS,
    ChipStatus.ESCAPED: Status.RUNAWAY,
    ChipStatus.KA_RANGE: Status.MUTUAL_OUT_OF_RANGE,
    ChipStatus.OVERLAP: Status.CELLS_OVERLAP,
}
"""What the physics says of chips, as reasons."""


class Pace(NamedTuple):
    """How finely sweeps and pulses are computed (M12.4, M12.8, M12.15)."""

    slowness: float
    step: float
    single: bool
    measured: int
    """Chips of a design whose onset is found; the others' go with those of their cells."""
    pulse: float
    """Error of a pulse over its peak, which sets its steps (M8.5)."""
    carriers: float
    """Distance of a burst's first carriers over the rate at which the slowest cell builds up."""


QUICK = Pace(15.0, 0.2, single=True, measured=1, pulse=1e-3, carriers=1.6)
"""Of searches."""
FINE = Pace(20.0, 0.15, single=True, measured=8, pulse=5e-4, carriers=0.8)
"""Of verification."""


class Rows(NamedTuple):
    """Chips of a batch, as many side by side as there are lanes; a row is like a design."""

    arrays: ChipArrays
    modal: Modal | None
    quadratic: Floats
    """(row, lane, cell) [N/m2], as ``cubic`` [N/m3]: with one mode, in pulses."""
    cubic: Floats
    design: Ints
    """(row,): which design it is of."""

    def take(self, some: slice | Ints) -> Rows:
        """Some of the rows."""
        arrays = self.arrays._replace(
            **{n: getattr(self.arrays, n)[some] for n in set(ChipArrays._fields) - SHARED}
        )
        modal = self.modal and Modal(**{n: x[some] for n, x in self.modal._asdict().items()})
        return Rows(arrays, modal, self.quadratic[some], self.cubic[some], self.design[some])


def rows_of(
    made: Made,
    design: Ints,
    chip: Ints,
    *,
    scale: Floats | None = None,
    linear: bool = False,
    unit: bool = False,
) -> Rows:
    """Chips picked out of a batch.

    Parameters
    ----------
    design, chip : (row,) and (row, lane).
    scale : (row, lane): factor on all forces.
    linear : springs without their bend.
    unit : one volt on every channel in place of the drive.
    """
    at = (design[:, None], chip)

    def picked(value: Any, per_chip: bool) -> Any:
        return np.ascontiguousarray(value[at] if per_chip else value[design])

    arrays = made.arrays._replace(
        **{
            name: picked(getattr(made.arrays, name), name in PER_CHIP)
            for name in set(ChipArrays._fields) - SHARED
        }
    )
    modal = made.modal and Modal(
        **{n: picked(getattr(made.modal, n), n != "shape") for n in Modal._fields}
    )
    if unit:
        push = picked(made.force_per_volt, True)
        arrays = arrays._replace(force_re=push, force_im=0.0 * push, lead=0.0 * arrays.lead)
        modal = modal and modal._replace(force=picked(made.modal_per_volt, True) + 0j)
    if scale is not None:
        by = scale[..., None]
        arrays = arrays._replace(force_re=arrays.force_re * by, force_im=arrays.force_im * by)
        modal = modal and modal._replace(force=modal.force * by[..., None])
    quadratic, cubic = picked(made.quadratic, True), picked(made.cubic, True)
    if linear:
        quadratic, cubic = 0.0 * quadratic, 0.0 * cubic
        arrays = arrays._replace(cubic=0.0 * arrays.cubic)
        modal = modal and modal._replace(quadratic=0.0 * modal.quadratic, cubic=0.0 * modal.cubic)
    return Rows(arrays, modal, quadratic, cubic, design)


def flow(rows: Rows, pace: Pace, start: Floats, stop: Floats) -> ChipSweep:
    """Rows along their sweeps, (row,) [Hz]."""
    return chip_sweep(
        rows.arrays,
        start=start,
        stop=stop,
        slowness=pace.slowness,
        step=pace.step,
        single=pace.single,
        modal=rows.modal,
    )


def ends_of(rows: Rows, nominal: Cells) -> tuple[Floats, Floats]:
    """Sweep that holds all resonances and backbones of each row, (row,) [Hz].

    ``nominal``: cells of the designs.
    """
    low, high = (2.0 * np.pi * end for end in sweep_range(rows.arrays))
    found = nominal.necked
    if found is not None:  # two resonances a cell, which move as the diaphragm's do
        own = 2.0 * np.pi * nominal.natural_frequency[rows.design]
        shift = linear_figures(rows.arrays).resonance.reshape(len(low), -1)
        lowest = np.fmin(found.low, found.driven_low)[rows.design]
        highest = np.fmax(found.high, found.driven_high)[rows.design]
        least = shift.min(axis=1) / np.fmin.reduce(own, axis=1)
        most = shift.max(axis=1) / np.fmax.reduce(own, axis=1)
        low = np.fmin(low, np.fmin.reduce(lowest, axis=1) * least)
        high = np.fmax(high, np.fmax.reduce(highest, axis=1) * most)
    sound = np.isfinite(low) & (high > low)
    return (
        np.where(sound, low / (2.0 * np.pi), NOWHERE[0]),
        np.where(sound, high / (2.0 * np.pi), NOWHERE[1]),
    )


def driven_cells(rows: Rows) -> Bools:
    """Which cells are driven, (row, lane, cell); none of a chip that lacks coefficients."""
    force = np.hypot(rows.arrays.force_re, rows.arrays.force_im)
    known = np.isfinite(linear_figures(rows.arrays).decay) & np.isfinite(force)
    return np.asarray((force > 0.0) & known.all(axis=2, keepdims=True))


def rungs(rows: Rows, carrier: Floats) -> Ints:
    """Carrier cycles after which linear cells are quiet, with a margin, (row,).

    The slowest one needs ln(100)/decay; half as long again for cells that partly cancel.
    """
    decay = np.where(driven_cells(rows), linear_figures(rows.arrays).decay, np.inf)
    time = 1.5 * np.log(10.0 ** (QUIET / 20.0)) / decay.min(axis=(1, 2))
    rung = np.searchsorted(RUNGS, time * carrier)
    return np.asarray(RUNGS[np.minimum(rung, RUNGS.size - 1)], dtype=np.int64)
