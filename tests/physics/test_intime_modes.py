"""M12.11 to M12.14: sweeps of cells of several modes against the full equations in time."""

from __future__ import annotations

from functools import cache, partial
from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from arrayopt.physics.intime.flow_kernel import ChipArrays
from arrayopt.physics.intime.modes import Modal
from arrayopt.physics.intime.slow_flow import ChipStatus, ChipSweep, chip_arrays, chip_sweep
from arrayopt.physics.intime.slow_flow import linear_figures as figures
from arrayopt.physics.plate.diaphragm import PlateModes, modes_at, plate_table
from arrayopt.physics.plate.laminate import Layer, sections
from arrayopt.physics.sound.radiation import hankel_transform, impedance_series
from arrayopt.physics.steady.steady import effective_cubic, onset_force
from tests.oracles.sound import radiation_integral
from tests.physics.test_intime import RHO, SPEED, grid

RADIUS, PITCH, QUALITY = 0.45e-3, 1.1e-3, 45.0
OFF = np.array([[[0.0, 0.011, -0.017, 0.023]]])


@cache
def plate(bias: float) -> PlateModes:
    """Three modes of a disc of silicon with a film on it (invented); bias bows it."""
    same = {"poisson_ratio": 0.25, "residual_stress": 0.0, "relative_permittivity": 10.0}
    layers = [
        Layer("disc", 5e-6, 150e9, density=2330.0, patterned=False, active=False, e31f=0.0, **same),
        Layer("film", 1e-6, 285e9, density=3260.0, patterned=False, active=True, e31f=-9.0, **same),
        Layer("top", 1e-7, 300e9, density=1e4, patterned=True, active=False, e31f=0.0, **same),
    ]
    return modes_at(
        plate_table(*sections(layers), ring=False, n_transverse=6),
        None,
        radius=np.array(RADIUS),
        coverage=np.array(0.6),
        ring=np.array(False),
        bias=np.array(bias),
        n_modes=3,
    )


def plates(
    deviation: np.ndarray, *, modes: int, drive: float, bias: float = 0.0, **more: Any
) -> tuple[ChipArrays, Modal]:
    """Chips (design, chip, cell) on a square of such plates; drive over the onset of one mode."""
    p = plate(bias)
    cells = deviation.shape[2]
    k, first = slice(modes), impedance_series(p.shape[0])
    stiffness, mass = p.stiffness[0], p.mass[0]
    hard, _ = effective_cubic(stiffness, k2=p.quadratic[0], k3=p.cubic[0])
    damping = np.sqrt(p.stiffness * p.mass) / QUALITY
    push = drive * onset_force(mass, c=2.0 * damping[0], k1=stiffness, g=hard)
    force = push * p.force_per_volt / p.force_per_volt[0] + 0j

    def off(value: np.ndarray, by: float) -> np.ndarray:
        scale = 1.0 + by * deviation
        return np.asarray(value) * scale.reshape(*scale.shape, *(1,) * np.ndim(value))

    arrays = chip_arrays(
        grid(round(np.sqrt(cells))) if cells > 1 else np.zeros((1, 2)),
        mass=off(mass, 2.0),
        damping=off(damping[0], 0.0),
        stiffness=off(stiffness, -2.0),
        cubic=off(hard, 0.0),
        force=off(force[0], 0.0),
        radius=off(RADIUS, 1.0),
        volume=off(p.volume[0], 2.0),
        nominal=np.full((len(deviation), cells), RADIUS),
        shape=np.broadcast_to(p.shape[0], (len(deviation), cells, p.shape.shape[-1])),
        resistance=np.broadcast_to(first[0], (len(deviation), cells, first[0].size)),
        reactance=np.broadcast_to(first[1], (len(deviation), cells, first[1].size)),
        density=RHO,
        sound_speed=SPEED,
        **{"scale": PITCH} | more,
    )
    modal = Modal(
        mass=off(p.mass[k], 2.0),
        damping=off(damping[k], 0.0),
        stiffness=off(np.diag(p.stiffness[k]), -2.0),
        quadratic=off(p.quadratic_tensor[k, k, k], 0.0),
        cubic=off(p.cubic_tensor[k, k, k, k], 0.0),
        force=off(force[k], 0.0),
        shape=np.broadcast_to(p.shape[k], (len(deviation), cells, modes, p.shape.shape[-1])),
    )
    return arrays, modal


def air(arrays: ChipArrays, modal: Modal, w: float) -> np.ndarray:
    """Impedance of every mode of every cell to every other at w by quadrature (N s/m; M5.8)."""
    cells, modes = modal.mass.shape[2:]
    a, nominal, strength = arrays.radius[0, 0], arrays.nominal[0, 0], arrays.strength[0, 0]
    heard = [partial(hankel_transform, shape) for shape in modal.shape[0, 0]]

    @cache
    def between(i: int, j: int, spacing: float) -> complex:
        return radiation_integral(heard[i], heard[j], ka=w / SPEED * nominal, spacing=spacing)

    place = PITCH * grid(round(np.sqrt(cells)))
    z = np.empty((cells, modes, cells, modes), dtype=complex)
    for n in range(cells):
        for m in range(cells):
            apart = round(float(np.hypot(*(place[n] - place[m]))) / nominal, 9)
            for i in range(modes):
                for j in range(modes):
                    if n == m:
                        own = radiation_integral(heard[i], heard[j], ka=w / SPEED * a[n])
                        z[n, i, n, j] = own * a[n] ** 2
                    else:
                        size = nominal**2 * strength[n] * strength[m]
                        z[n, i, m, j] = between(min(i, j), max(i, j), apart) * size
    return RHO * SPEED * np.pi * z.reshape(cells * modes, cells * modes)


def motion(
    arrays: ChipArrays, modal: Modal, sweep: ChipSweep, w: float, periods: int
) -> tuple[np.ndarray, np.ndarray, float]:
    """First harmonics (cell * mode), largest displacements, power: DOP853 from the sweep's end.

    All modes, the air at w as masses and dampers, which it is for what moves at w.
    """
    cells, modes = modal.mass.shape[2:]
    z = air(arrays, modal, w)
    inverse = np.linalg.inv(np.diag(modal.mass[0, 0].ravel()) + z.imag / w)
    damping = np.diag(modal.damping[0, 0].ravel()) + z.real
    K, Q, C = modal.stiffness[0, 0], modal.quadratic[0, 0], modal.cubic[0, 0]
    F = modal.force[0, 0].ravel()

    def moved(t: float, y: np.ndarray) -> np.ndarray:
        q, v = y[: cells * modes], y[cells * modes :]
        x = q.reshape(cells, modes, 1)
        square = (x @ x.swapaxes(1, 2)).reshape(cells, 1, modes**2, 1)
        pull = K + (Q @ x[:, None])[..., 0] + (C.reshape(cells, modes, modes, -1) @ square)[..., 0]
        push = (F * np.exp(1j * w * t)).real - damping @ v - (pull @ x).ravel()
        return np.concatenate([v, inverse @ push])

    start = np.zeros((2, cells, modes))
    start[0, :, 0] = sweep.settled[0, 0].real
    start[1, :, 0] = (1j * w * sweep.settled[0, 0]).real
    period = 2.0 * np.pi / w
    times = period * (periods - 1 + np.arange(64) / 64.0)
    found = solve_ivp(
        moved, (0.0, times[-1]), start.ravel(), "DOP853", times, rtol=1e-7, atol=1e-13
    ).y
    q, v = found[: cells * modes], found[cells * modes :]
    first = 2.0 * (q * np.exp(-1j * w * times)).mean(axis=1)
    power = (F[:, None] * np.exp(1j * w * times)).real * v
    return first, np.abs(q.reshape(cells, modes, -1).sum(axis=1)).max(axis=1), power.sum(0).mean()


def volumes(arrays: ChipArrays, modal: Modal) -> np.ndarray:
    """Displaced volume of every mode of every cell of the first chip (cell * mode)."""
    share = hankel_transform(modal.shape[0], 0.0)
    return (arrays.volume[0, 0][:, None] * share / share[:, :1]).ravel()


@pytest.mark.parametrize(
    ("modes", "bias", "drive", "cells", "up_to"),
    [
        (1, 10.0, 4.0, 1, (1.05, 1.14)),
        pytest.param(2, 0.0, 8.0, 1, (1.05, 1.2, 1.27), marks=pytest.mark.slow),
        (2, 10.0, 8.0, 1, (1.1, 1.2)),
        pytest.param(3, 0.0, 8.0, 1, (1.05, 1.2, 1.27), marks=pytest.mark.slow),
        (3, 10.0, 4.0, 1, (1.05, 1.15)),
        pytest.param(3, 0.0, 8.0, 4, (1.1, 1.25), marks=pytest.mark.slow),
        pytest.param(3, 10.0, 6.0, 4, (1.05, 1.2), marks=pytest.mark.slow),
    ],
)
def test_up_the_branch(
    modes: int, bias: float, drive: float, cells: int, up_to: tuple[float, ...]
) -> None:
    """Steady states, displacement and power of the full equations, mutual sound included."""
    deviation = OFF if cells > 1 else np.zeros((1, 1, 1))
    arrays, modal = plates(deviation, modes=modes, drive=drive, bias=bias)
    f0 = figures(arrays).resonance[0, 0, 0] / (2.0 * np.pi)
    for end in up_to:
        sweep = chip_sweep(arrays, start=0.9 * f0, stop=end * f0, modal=modal, slowness=60.0)
        assert sweep.status[0, 0] == 0
        w = 2.0 * np.pi * end * f0
        first, top, power = motion(arrays, modal, sweep, w, 110)
        volume = volumes(arrays, modal) @ first
        # sizes came within 3e-4, 2e-3, 5e-3 and 3e-3: air of the third harmonic is that of w here
        slow = first.reshape(cells, modes)[:, 0]
        assert sweep.settled[0, 0] == pytest.approx(slow, rel=5e-3)
        assert sweep.volume[0, 0, -1] == pytest.approx(volume, rel=5e-3)
        assert sweep.deflection[0, 0] == pytest.approx(top, rel=0.01)
        assert sweep.power[0, 0, -1] == pytest.approx(power, rel=0.01)


def test_linear_limit() -> None:
    """Against a dense solve with every mode's impedance to every other by quadrature."""
    polar = 0.5
    arrays, modal = plates(OFF, modes=3, drive=1.0, polar=polar)
    none = [np.zeros_like(tensor) for tensor in (modal.quadratic, modal.cubic)]
    modal = modal._replace(quadratic=none[0], cubic=none[1])
    f0 = figures(arrays).resonance[0, 0, 0] / (2.0 * np.pi)
    sweep = chip_sweep(arrays, start=0.9 * f0, stop=1.1 * f0, modal=modal, slowness=300.0)
    wanted, found = [], []
    for k in np.linspace(0, sweep.frequency.shape[1] - 1, 9).astype(int):
        w = 2.0 * np.pi * sweep.frequency[0, k]
        own = (modal.stiffness[0, 0] - w * w * modal.mass[0, 0][..., None] * np.eye(3)).copy()
        own = own + 1j * w * modal.damping[0, 0][..., None] * np.eye(3)
        operator = 1j * w * air(arrays, modal, w)
        for n in range(4):
            operator[3 * n : 3 * n + 3, 3 * n : 3 * n + 3] += own[n]
        x = np.linalg.solve(operator, modal.force[0, 0].ravel())
        told = hankel_transform(modal.shape[0], w / SPEED * RADIUS * np.sin(polar))
        told = told * (np.pi * RADIUS**2 * arrays.strength[0, 0])[:, None]
        wanted.append(told.ravel() @ x)
        found.append(sweep.volume[0, 0, k])
    # lag of the sweep, 2/(pi^2 K) linewidths, and what M5.9 and M12.10 leave out
    assert np.abs(np.array(found) - wanted).max() < 4e-3 * np.abs(wanted).max()


def test_order_two() -> None:
    arrays, modal = plates(OFF, modes=2, drive=4.0, bias=10.0)
    decay = figures(arrays).decay
    f0 = figures(arrays).resonance[0, 0, 0] / (2.0 * np.pi)
    start, stop = 0.97 * f0, 1.05 * f0

    def end(halvings: int) -> np.ndarray:
        # 8 segments of the coarsest step, less a little that is rounded up
        slowness = 2.0 * decay.min() ** 2 / np.pi * 0.08 / decay.max() * 64 * 7.999
        slowness /= 2.0 * np.pi * (stop - start)
        sweep = chip_sweep(
            arrays, start=start, stop=stop, modal=modal, slowness=slowness, step=0.08 / 2**halvings
        )
        assert sweep.steps[0] % 2**halvings == 0
        return sweep.settled[0, 0]

    fine = end(5)
    errors = [np.abs(end(k) - fine).max() for k in (0, 1, 2)]
    # below 1e-6 of the amplitude what followers lag by remains, which is of order 1
    assert np.log2(np.array(errors[:-1]) / errors[1:]).min() > 1.8


@pytest.mark.parametrize("modes", [1, 3])
def test_batch_precision_and_nearly_equal_cells(modes: int) -> None:
    scatter = (
        np.random.default_rng(3).normal(size=(2, 17, 4)) * np.array([1e-9, 0.01])[:, None, None]
    )
    arrays, modal = plates(scatter, modes=modes, drive=3.0)
    bowed = plates(scatter, modes=modes, drive=3.0, bias=10.0)[1]
    modal = Modal(*(np.concatenate([a[:1], b[1:]]) for a, b in zip(modal, bowed, strict=True)))
    f0 = figures(arrays).resonance[0, 0, 0] / (2.0 * np.pi)
    ends = {"start": 0.93 * f0, "stop": 1.2 * f0, "slowness": 5.0}
    both = chip_sweep(arrays, modal=modal, **ends)
    assert np.isfinite(both.deflection).all()
    assert (both.status <= ChipStatus.BEATS).all()
    alone = modal._replace(**{name: value[1:] for name, value in modal._asdict().items()})
    mine = plates(scatter[1:], modes=modes, drive=3.0)[0]
    same = chip_sweep(mine, modal=alone, **ends)
    assert np.array_equal(same.deflection[0], both.deflection[1])
    points = same.volume.shape[2]
    assert np.array_equal(same.volume[0], both.volume[1, :, :points])
    single = chip_sweep(arrays, modal=modal, single=True, **ends)
    assert single.deflection[1] == pytest.approx(both.deflection[1], rel=5e-3)


def test_too_many_modes_are_refused() -> None:
    arrays, modal = plates(np.zeros((1, 1, 1)), modes=1, drive=1.0)
    four = np.repeat(modal.mass, 4, axis=-1)
    with pytest.raises(ValueError, match="4 modes are given"):
        chip_sweep(arrays, start=9e4, stop=1e5, modal=modal._replace(mass=four))


def test_one_mode_with_necks_is_the_one_mode() -> None:
    """Weakly driven, the first of one mode and harmonics moves as the one mode alone."""
    neck = np.array([4.0, 60e-6, 40e-6, 1.8e-5])
    cavity = np.full(OFF.shape, 1.4 * 101325.0 / (np.pi * RADIUS**2 * 200e-6))
    arrays, modal = plates(OFF, modes=1, drive=0.5, neck=neck, cavity=cavity)
    f0 = figures(arrays).resonance[0, 0, 0] / (2.0 * np.pi)
    ends = {"start": 0.75 * f0, "stop": 1.15 * f0}
    one, several = (chip_sweep(arrays, modal=m, **ends) for m in (None, modal))
    error = np.abs(one.volume - several.volume).max() / np.abs(one.volume).max()
    assert error < 2e-3
    assert several.power == pytest.approx(one.power, rel=5e-3)
    assert several.deflection == pytest.approx(one.deflection, rel=5e-3)
    free = chip_sweep(arrays._replace(neck=0.0 * neck), modal=modal, **ends)
    assert abs(np.abs(free.volume).max() / np.abs(one.volume).max() - 1.0) > 0.02
