"""Cells become the summed far-field pressure of the array along a sweep (M9)."""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from arrayopt.models.array import SMALL, TWO_WAY, UP, Response
from arrayopt.physics.numerics.compiled import inner, kernel
from arrayopt.physics.numerics.threads import spread
from arrayopt.physics.sound.path import path_absorption, path_factor
from arrayopt.physics.sound.radiation import (
    TERMS_FOR_LIMIT,
    directivity_scalar,
    directivity_series,
)
from arrayopt.physics.steady.steady_kernel import amplitude_row

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from arrayopt.design.designs import Designs
    from arrayopt.models.cells import Cells
    from arrayopt.physics.sound.air import AirState
    from arrayopt.study.read import Study

_TERMS = np.array(sorted(TERMS_FOR_LIMIT.items()))


class Packed(NamedTuple):
    """What the compiled kernels read; arrays (design, group) in C order unless noted."""

    mass: NDArray[np.float64]
    damping: NDArray[np.float64]
    stiffness: NDArray[np.float64]
    cubic: NDArray[np.float64]
    force: NDArray[np.float64]
    """Amplitude of the drive force, not negative."""
    drive_re: NDArray[np.float64]
    """Count x volume x exp(j phase): what one metre of amplitude displaces, real part (m2)."""
    drive_im: NDArray[np.float64]
    receive: NDArray[np.float64]
    """Count x volume x force per volt: charge per pressure and compliance (m2 N/V)."""
    ka_per_w: NDArray[np.float64]
    """radius / sound speed (s)."""
    loading: NDArray[np.float64]
    """density x sound speed x area (N s/m)."""
    resistance: NDArray[np.float64]
    """(design, group, term)."""
    reactance: NDArray[np.float64]
    directivity: NDArray[np.float64]
    """(design, group, term): power series of the element directivity in (ka sin)^2."""
    delay: NDArray[np.float64]
    """(design, cell): lead of each cell towards the target direction (s)."""
    group_of_cell: NDArray[np.int64]
    cell_count: NDArray[np.float64]
    """(group,)."""
    natural: NDArray[np.float64]
    """Small-signal resonance (rad/s)."""
    linewidth: NDArray[np.float64]
    """Small-signal -3 dB width (rad/s)."""
    sin_polar: float
    on_axis: bool
    """True where every cell arrives in step: target on the axis, or steered to it."""
    density: float
    distance: float
    absorption: NDArray[np.float64]
    """(constant,): arguments of ``physics.air.absorption_scalar`` after the frequency."""


def pack(cells: Cells, designs: Designs, study: Study) -> Packed:
    """Arrange the coefficients of a batch for the compiled kernels.

    Parameters
    ----------
    cells, designs : the same batch, (design, group)
    study : Study
        Gives the air, the target's distance and direction, and whether delays steer to it.
    """
    air, target = study.air_state, study.target
    phase = designs.drive_phase + np.where(cells.force_per_volt < 0.0, np.pi, 0.0)
    moved = cells.count * cells.volume
    direction = target.sine_vector()
    positions = designs.positions()
    delay = (positions[..., 0] * direction[0] + positions[..., 1] * direction[1]) / air.sound_speed
    on_axis = target.steered or target.polar == 0.0
    contiguous = np.ascontiguousarray
    return Packed(
        mass=contiguous(cells.mass),
        damping=contiguous(cells.damping),
        stiffness=contiguous(cells.stiffness),
        cubic=contiguous(cells.effective_cubic),
        force=contiguous(np.abs(cells.force_per_volt) * designs.drive_amplitude),
        drive_re=contiguous(moved * np.cos(phase)),
        drive_im=contiguous(moved * np.sin(phase)),
        receive=contiguous(moved * cells.force_per_volt),
        ka_per_w=contiguous(cells.radius / air.sound_speed),
        loading=contiguous(air.density * air.sound_speed * np.pi * cells.radius**2),
        resistance=contiguous(cells.resistance_series),
        reactance=contiguous(cells.reactance_series),
        directivity=contiguous(directivity_series(cells.shape)),
        delay=contiguous(delay),
        group_of_cell=contiguous(designs.layout.group_of_cell.astype(np.int64)),
        cell_count=contiguous(cells.count.astype(np.float64)),
        natural=contiguous(2.0 * np.pi * cells.natural_frequency),
        linewidth=contiguous(2.0 * np.pi * cells.natural_frequency / cells.quality_factor),
        sin_polar=float(np.sin(target.polar)),
        on_axis=bool(on_axis),
        density=air.density,
        distance=target.distance,
        absorption=absorption_constants(air),
    )


def absorption_constants(air: AirState) -> NDArray[np.float64]:
    """Arguments of ``physics.air.absorption_scalar`` after the frequency."""
    return np.array(
        [
            air.absorption_classical,
            air.absorption_oxygen,
            air.absorption_nitrogen,
            air.relaxation_oxygen,
            air.relaxation_nitrogen,
        ]
    )


def array_pressure(
    cells: Cells,
    designs: Designs,
    study: Study,
    *,
    frequency: NDArray[np.float64],
    sweep: int,
) -> Response:
    """Far-field pressure of every array at given frequencies along a sweep (M9.1).

    Parameters
    ----------
    cells, designs : the same batch, (design, group)
    frequency : array (design, frequency) [Hz]
    sweep : UP, DOWN or SMALL

    Returns
    -------
    Response
        Phasors e^{+jwt} of peak amplitudes at ``study.target.distance``, propagation phase and
        absorption included. Valid in the far field of the array and below ka = 4 (M5).
    """
    packed = pack(cells, designs, study)
    frequency = np.ascontiguousarray(np.atleast_2d(frequency), dtype=np.float64)
    groups = packed.mass.shape[1]
    shape = (frequency.shape[0], groups, frequency.shape[1])
    group = np.empty(shape, dtype=np.complex128)
    deflection = np.empty(shape, dtype=np.complex128)
    spread(_group_pressures, shape[0], packed, frequency, sweep, group, deflection)
    travel = np.exp(-2j * np.pi * frequency * study.target.distance / study.air_state.sound_speed)
    group *= travel[:, None, :]
    owner = designs.layout.group_of_cell
    return Response(frequency, group.sum(axis=1), group, deflection, deflection, owner)


@inner
def series_terms(ka: float) -> int:
    """Terms of the radiation series that are good to 1e-9 up to ka (M5)."""
    for k in range(_TERMS.shape[0]):
        if ka <= _TERMS[k, 1]:
            return int(_TERMS[k, 0])
    return int(_TERMS[-1, 0])


@inner
def linear_row(
    packed: Packed,
    d: int,
    g: int,
    w: NDArray[np.float64],
    detuning: NDArray[np.float64],
    loss: NDArray[np.float64],
) -> None:
    """k1 - w^2 m_eff and w c_eff of one group along a row of w, radiation included (N/m; M6.2)."""
    points = w.size
    top = 0.0
    for i in range(points):
        top = max(top, w[i])
    unit = packed.ka_per_w[d, g]
    terms = series_terms(top * unit)
    last_r = packed.resistance[d, g, terms - 1]
    last_x = packed.reactance[d, g, terms - 1]
    for i in range(points):
        detuning[i] = last_x
        loss[i] = last_r
    for n in range(terms - 2, -1, -1):
        r = packed.resistance[d, g, n]
        x = packed.reactance[d, g, n]
        for i in range(points):
            ka = w[i] * unit
            ka2 = ka * ka
            detuning[i] = detuning[i] * ka2 + x
            loss[i] = loss[i] * ka2 + r
    mass = packed.mass[d, g]
    stiffness = packed.stiffness[d, g]
    damping = packed.damping[d, g]
    loading = packed.loading[d, g]
    for i in range(points):
        ka = w[i] * unit
        detuning[i] = stiffness - w[i] * (w[i] * mass + loading * ka * detuning[i])
        loss[i] = w[i] * (damping + loading * ka * ka * loss[i])


@inner
def displacement_row(
    packed: Packed,
    d: int,
    g: int,
    w: NDArray[np.float64],
    sweep: int,
    re: NDArray[np.float64],
    im: NDArray[np.float64],
    loss: NDArray[np.float64],
) -> None:
    """Centre displacement (re, im; m) of one group along a row of w, and its loss term (N/m)."""
    linear_row(packed, d, g, w, re, loss)
    force = packed.force[d, g]
    cubic = packed.cubic[d, g]
    if sweep != SMALL and cubic != 0.0:
        upper = (cubic > 0.0) == (sweep == UP)
        amplitude_row(re, loss, cubic, force, upper, im)
        bend = 0.75 * cubic
        for i in range(w.size):
            re[i] += bend * im[i]
    for i in range(w.size):
        norm = force / (re[i] * re[i] + loss[i] * loss[i])
        re[i] *= norm
        im[i] = -loss[i] * norm


@inner
def volume_row(
    packed: Packed,
    d: int,
    g: int,
    w: NDArray[np.float64],
    re: NDArray[np.float64],
    im: NDArray[np.float64],
    sum_re: NDArray[np.float64],
    sum_im: NDArray[np.float64],
) -> None:
    """Add the volume (m3) that one group displaces towards the target; re, im its displacement."""
    drive_re = packed.drive_re[d, g]
    drive_im = packed.drive_im[d, g]
    if packed.sin_polar == 0.0:
        for i in range(w.size):
            sum_re[i] += re[i] * drive_re - im[i] * drive_im
            sum_im[i] += re[i] * drive_im + im[i] * drive_re
        return
    for i in range(w.size):
        a_re, a_im = group_direction(packed, d, g, w[i])
        u_re = re[i] * drive_re - im[i] * drive_im
        u_im = re[i] * drive_im + im[i] * drive_re
        sum_re[i] += u_re * a_re - u_im * a_im
        sum_im[i] += u_re * a_im + u_im * a_re


@inner
def group_direction(packed: Packed, d: int, g: int, w: float) -> tuple[float, float]:
    """Element directivity times the group's mean array factor towards the target (M9.2)."""
    ka = w * packed.ka_per_w[d, g] * packed.sin_polar
    element = directivity_scalar(ka, packed.directivity[d, g])
    if packed.on_axis:
        return element, 0.0
    re = im = 0.0
    for n in range(packed.group_of_cell.size):
        if packed.group_of_cell[n] == g:
            re += np.cos(w * packed.delay[d, n])
            im += np.sin(w * packed.delay[d, n])
    scale = element / packed.cell_count[g]
    return re * scale, im * scale


@inner
def receive_row(
    packed: Packed,
    d: int,
    w: NDArray[np.float64],
    pressure: NDArray[np.float64],
    work: NDArray[np.float64],
) -> None:
    """Turn pressure at the reflector into received charge amplitude (C; M10.5), in place.

    All channels summed, small signal; the echo is attenuated once more on its way back.
    """
    detuning, loss, re, im = work[0], work[1], work[2], work[3]
    re[:] = 0.0
    im[:] = 0.0
    for g in range(packed.mass.shape[1]):
        linear_row(packed, d, g, w, detuning, loss)
        for i in range(w.size):
            norm = packed.receive[d, g] / (detuning[i] * detuning[i] + loss[i] * loss[i])
            re[i] += detuning[i] * norm
            im[i] -= loss[i] * norm
    for i in range(w.size):
        attenuation = np.exp(-path_absorption(packed.absorption, w[i]) * packed.distance)
        pressure[i] *= attenuation * np.hypot(re[i], im[i])


@inner
def sweep_row(
    packed: Packed,
    d: int,
    w: NDArray[np.float64],
    sweep: int,
    pressure: NDArray[np.float64],
    power: NDArray[np.float64],
    deflection: NDArray[np.float64],
    work: NDArray[np.float64],
    place: NDArray[np.int64],
) -> None:
    """One design along a row of w: what the array does there.

    Fills ``pressure`` (w.size,), the summed far-field amplitude (Pa; two-way: received charge,
    C), ``power`` (w.size,), the mean mechanical power of all cells (W), and ``deflection``
    (group,), each group's largest centre amplitude on the row (m), and where on it that is,
    ``place``. ``work`` (5, w.size) is scratch.
    """
    re, im, loss, sum_re, sum_im = work[0], work[1], work[2], work[3], work[4]
    for i in range(w.size):
        sum_re[i] = sum_im[i] = power[i] = 0.0
    for g in range(packed.mass.shape[1]):
        largest = 0.0
        if packed.force[d, g] > 0.0:
            displacement_row(packed, d, g, w, sweep & 3, re, im, loss)
            volume_row(packed, d, g, w, re, im, sum_re, sum_im)
            half_count = 0.5 * packed.cell_count[g]
            for i in range(w.size):
                x2 = re[i] * re[i] + im[i] * im[i]
                power[i] += half_count * w[i] * loss[i] * x2
                if x2 > largest:
                    largest, place[g] = x2, i
        deflection[g] = np.sqrt(largest)
    for i in range(w.size):
        size = np.sqrt(sum_re[i] * sum_re[i] + sum_im[i] * sum_im[i])
        pressure[i] = path_factor(packed.density, packed.distance, packed.absorption, w[i]) * size
    if sweep >= TWO_WAY:
        receive_row(packed, d, w, pressure, work)


@kernel
def _group_pressures(
    start: int,
    stop: int,
    packed: Packed,
    frequency: NDArray[np.float64],
    sweep: int,
    group: NDArray[np.complex128],
    deflection: NDArray[np.complex128],
) -> None:
    points = frequency.shape[1]
    w, work = np.empty(points), np.empty((5, points))
    re, im, loss, sum_re, sum_im = work[0], work[1], work[2], work[3], work[4]
    for d in range(start, stop):
        for i in range(points):
            w[i] = 2.0 * np.pi * frequency[d, i]
        for g in range(packed.mass.shape[1]):
            turn = complex(packed.drive_re[d, g], packed.drive_im[d, g])
            turn /= max(abs(turn), 1e-300)
            for i in range(points):
                sum_re[i] = sum_im[i] = 0.0
            displacement_row(packed, d, g, w, sweep, re, im, loss)
            volume_row(packed, d, g, w, re, im, sum_re, sum_im)
            for i in range(points):
                path = path_factor(packed.density, packed.distance, packed.absorption, w[i])
                group[d, g, i] = -path * complex(sum_re[i], sum_im[i])
                deflection[d, g, i] = complex(re[i], im[i]) * turn
