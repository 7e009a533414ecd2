"""M12: slow sweeps of chips against steady states, direct integration and closed forms."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from arrayopt.physics.intime.flow_kernel import ChipArrays, coupling_matrix
from arrayopt.physics.intime.formulas import make_step
from arrayopt.physics.intime.slow_flow import (
    ChipStatus,
    ChipSweep,
    chip_arrays,
    chip_sweep,
    linear_figures,
    sweep_range,
)
from arrayopt.physics.sound.radiation import impedance_from_series, impedance_series
from arrayopt.physics.steady.steady import onset_force
from tests.oracles.coupled import DenseArray

RHO, SPEED = 1.2, 343.0
SHAPE = np.array([1.0])
QUALITY = 60.0
PITCH = 1.1e-3


def grid(n: int) -> np.ndarray:
    """n x n centres, unit pitch."""
    return np.stack(np.meshgrid(np.arange(n), np.arange(n)), axis=-1).reshape(-1, 2) * 1.0


def chips(
    position: np.ndarray, deviation: np.ndarray, *, drive: float, sides: int = 1, **more: Any
) -> tuple[ChipArrays, dict[str, Any]]:
    """Chips (design, chip, cell) of cells of 100 kHz whose radii deviate; drive over onset."""
    a0 = 0.45e-3
    a = a0 * (1.0 + deviation)
    mass = 2.0e-9 * (1.0 + 2.0 * deviation)
    stiffness = 2.0e-9 * (2.0 * np.pi * 1.05e5) ** 2 * (1.0 - 2.0 * deviation)
    damping = np.sqrt(mass * stiffness) / QUALITY
    resistance, reactance = (sides * s for s in impedance_series(SHAPE))
    w = 2.0 * np.pi * 1e5
    r, x, _ = impedance_from_series(w / SPEED * a0, resistance, reactance)
    load = RHO * SPEED * np.pi * a0**2
    cubic = 0.3 * stiffness / (4e-6) ** 2
    force = drive * onset_force(
        2.0e-9 + load * x / w,
        c=np.sqrt(2e-9 * 2e-9) * (2.0 * np.pi * 1.05e5) / QUALITY + load * r,
        k1=2.0e-9 * (2.0 * np.pi * 1.05e5) ** 2,
        g=0.3 * 2.0e-9 * (2.0 * np.pi * 1.05e5) ** 2 / (4e-6) ** 2,
    )
    cells = len(position)
    given = {
        "mass": mass,
        "damping": damping,
        "stiffness": stiffness,
        "cubic": cubic,
        "force": np.full(deviation.shape, force + 0j),
        "radius": a,
        "shape": np.broadcast_to(SHAPE, (len(deviation), cells, 1)),
        "resistance": np.broadcast_to(resistance, (len(deviation), cells, resistance.size)),
        "reactance": np.broadcast_to(reactance, (len(deviation), cells, reactance.size)),
        "density": RHO,
        "sound_speed": SPEED,
        "scale": PITCH,
        "sides": sides,
    } | more
    nominal = np.full((len(deviation), cells), a0)
    return chip_arrays(position, volume=np.pi * a**2 / 3.0, nominal=nominal, **given), given


def pressure(sweep: ChipSweep) -> np.ndarray:
    return np.abs(sweep.volume) * sweep.frequency[:, None] ** 2


def band(f: np.ndarray, p: np.ndarray) -> tuple[float, float, float]:
    """Peak and the -6 dB edges around it."""
    top = int(np.argmax(p))
    limit = 10.0 ** (-0.3) * p[top]
    inside = p >= limit
    low = top - int(np.argmin(inside[top::-1]))
    high = top + int(np.argmin(inside[top:]))
    lower = np.interp(limit, p[[low, low + 1]], f[[low, low + 1]])
    return p[top], float(lower), float(np.interp(limit, p[[high, high - 1]], f[[high, high - 1]]))


@pytest.mark.parametrize(("down", "drive"), [(False, 1.5), (True, 3.0), (False, 3.0)])
def test_steady_states_of_the_same_chips(down: bool, drive: float) -> None:
    position = grid(3)
    deviation = np.random.default_rng(4).normal(0.0, 0.01, (1, 3, 9))
    arrays, _ = chips(position, deviation, drive=drive)
    f = np.linspace(0.9e5, 1.3e5, 1500)[:: -1 if down else 1]
    sweep = chip_sweep(arrays, start=f[0], stop=f[-1], slowness=300.0)
    assert not sweep.status.any()
    order, rising, off = np.argsort(sweep.frequency[0]), np.argsort(f), []
    for chip in range(3):
        one = DenseArray(arrays, PITCH * position, SHAPE, chip=chip)
        exact = np.abs(one.swept(f) @ arrays.volume[0, chip]) * f**2
        mine = band(sweep.frequency[0][order], pressure(sweep)[0, chip][order])
        theirs = band(f[rising], exact[rising])
        # 1 %: what lag of the sweep and grid leave
        assert mine[0] == pytest.approx(theirs[0], rel=0.01)
        off.append(abs((mine[2] - mine[1]) / (theirs[2] - theirs[1]) - 1.0))
    # one may have a jump that hangs on more digits than either solver has
    assert np.sort(off)[1] < 0.01


def dense(arrays: ChipArrays, position: np.ndarray, w: float) -> Any:
    """Operator and inertia of the first chip at w from the functions of M5 alone."""
    return DenseArray(arrays, PITCH * position, SHAPE).operator(w)


def test_linear_limit_and_reciprocity() -> None:
    position = grid(3)
    deviation = np.random.default_rng(2).normal(0.0, 0.02, (1, 1, 9))
    arrays, given = chips(position, deviation, drive=1.0, cubic=0.0, sides=2)
    sweep = chip_sweep(arrays, start=0.9e5, stop=1.15e5, slowness=300.0)
    kept = [np.argmin(abs(sweep.frequency[0] - f)) for f in np.linspace(0.92e5, 1.12e5, 21)]
    wanted = []
    for k in kept:
        operator, _ = dense(arrays, position, 2.0 * np.pi * sweep.frequency[0, k])
        wanted.append(arrays.volume[0, 0] @ np.linalg.solve(operator, given["force"][0, 0]))
    worst = np.abs(sweep.volume[0, 0, kept] - wanted).max() / np.abs(wanted).max()
    assert worst < 3e-3  # lag of the sweep, 2/(pi^2 K) linewidths, on the steepest flank
    matrix = coupling_matrix(arrays, 0, 6e5)
    assert np.allclose(matrix, matrix.T, rtol=1e-13)


def test_direct_integration_through_jumps() -> None:
    """The same flow by DOP853, radiation exact at every frequency; cells jump on the way."""
    position = grid(2)
    deviation = np.array([[[0.0, 0.011, -0.017, 0.023]]])
    arrays, given = chips(position, deviation, drive=3.0)
    start, stop = 0.95e5, 1.24e5
    sweep = chip_sweep(arrays, start=start, stop=stop, slowness=5.0, step=0.06)
    w0, w1 = 2.0 * np.pi * start, 2.0 * np.pi * stop
    decay = linear_figures(arrays).decay.min()
    length = abs(w1 - w0) / (2.0 * decay**2 / (np.pi * 5.0))
    nodes = np.linspace(w0, w1, 600)
    found = [dense(arrays, position, w) for w in nodes]
    # operators of the nodes are interpolated: they are smooth, and 600 nodes leave 1e-6
    operators, inertias = np.array([o for o, _ in found]), np.array([i for _, i in found])
    force, bend = given["force"][0, 0], 0.75 * arrays.cubic[0, 0]

    def flow(t: float, A: np.ndarray) -> np.ndarray:
        place = np.clip(t / length, 0.0, 1.0) * 599
        k = min(int(place), 598)
        share = place - k
        operator = operators[k] + share * (operators[k + 1] - operators[k])
        inertia = inertias[k] + share * (inertias[k + 1] - inertias[k])
        return (force - operator @ A - bend * np.abs(A) ** 2 * A) / (1j * inertia)

    rest = np.linalg.solve(operators[0], force)
    times = (2.0 * np.pi * sweep.frequency[0] - w0) / (w1 - w0) * length
    exact = solve_ivp(
        flow, (0.0, times[-1]), rest, method="DOP853", t_eval=times, rtol=1e-9, atol=1e-15
    )
    volume = arrays.volume[0, 0] @ exact.y
    error = np.abs(sweep.volume[0, 0] - volume) / np.abs(volume).max()
    # segments are rounded up (the sweep is up to 1 % slower): beside jumps that shows
    assert np.median(error) < 1e-3
    assert np.quantile(error, 0.9) < 1e-2
    top = np.abs(exact.y).max(axis=1)
    assert sweep.deflection[0, 0] == pytest.approx(top, rel=5e-3)


def test_order_two() -> None:
    position = grid(2)
    deviation = np.array([[[0.0, 0.01, -0.01, 0.02]]])
    arrays, _ = chips(position, deviation, drive=1.2)
    decay = linear_figures(arrays).decay
    start, stop = 0.97e5, 1.03e5

    def end(halvings: int) -> np.ndarray:
        step = 0.16 / 2**halvings
        # 8 segments of the coarsest step, less a little that is rounded up
        slowness = 2.0 * decay.min() ** 2 / np.pi * 0.16 / decay.max() * 64 * 7.999
        slowness /= 2.0 * np.pi * (stop - start)
        sweep = chip_sweep(arrays, start=start, stop=stop, slowness=slowness, step=step)
        assert sweep.steps[0] % 2**halvings == 0
        return sweep.settled[0, 0]

    fine = end(5)
    errors = [np.abs(end(k) - fine).max() for k in (1, 2, 3)]
    orders = np.log2(np.array(errors[:-1]) / errors[1:])
    assert orders[-1] == pytest.approx(2.0, abs=0.3)


def test_energy_balance() -> None:
    """Power from the drive is what losses and sound take; stored energy changes little."""
    position = grid(3)
    deviation = np.random.default_rng(7).normal(0.0, 0.01, (1, 1, 9))
    arrays, given = chips(position, deviation, drive=0.7, sides=2)
    sweep = chip_sweep(arrays, start=0.9e5, stop=1.01e5, slowness=1000.0)
    w = 2.0 * np.pi * 1.01e5
    operator, _ = dense(arrays, position, w)
    A = sweep.settled[0, 0]
    taken = 0.5 * w * np.real(A.conj() @ (operator / 1j) @ A)
    given_now = 0.5 * w * np.imag(np.sum(np.conj(given["force"][0, 0]) * A) * -1.0)
    assert given_now == pytest.approx(taken, rel=5e-3)
    slope = np.diff(sweep.power[0, 0, -2:])[0] / np.diff(sweep.frequency[0, -2:])[0]
    ahead = sweep.power[0, 0, -1] + slope * (1.01e5 - sweep.frequency[0, -1])
    assert ahead == pytest.approx(taken, rel=5e-3)
    assert (sweep.power > 0.0).all()


def test_nothing_depends_on_the_batch() -> None:
    position = grid(3)
    deviation = np.random.default_rng(1).normal(0.0, 0.01, (2, 19, 9))
    deviation[1, :7] = deviation[0, 5:12]
    arrays, _ = chips(position, deviation, drive=2.0)
    both = chip_sweep(arrays, start=0.95e5, stop=1.2e5, slowness=5.0)
    # designs have one step each, from their own chips: the same chips, the same bits
    again = chips(position, deviation[1:], drive=2.0)[0]
    alone = chip_sweep(again, start=0.95e5, stop=1.2e5, slowness=5.0)
    points = alone.volume.shape[2]
    assert np.array_equal(both.volume[1, :, :points], alone.volume[0])
    assert np.array_equal(both.deflection[1], alone.deflection[0])
    shuffled = chips(position, deviation[:1, ::-1], drive=2.0)[0]
    turned = chip_sweep(shuffled, start=0.95e5, stop=1.2e5, slowness=5.0)
    points = turned.volume.shape[2]
    assert np.array_equal(both.volume[0, ::-1, :points], turned.volume[0])


def test_single_precision_keeps_merits() -> None:
    position = grid(3)
    deviation = np.random.default_rng(1).normal(0.0, 0.01, (1, 8, 9))
    arrays, _ = chips(position, deviation, drive=1.5)
    found = [chip_sweep(arrays, start=0.95e5, stop=1.2e5, single=one) for one in (False, True)]
    assert found[1].deflection == pytest.approx(found[0].deflection, rel=2e-3)
    tops = [pressure(sweep).max(axis=2) for sweep in found]
    assert tops[1] == pytest.approx(tops[0], rel=1e-3)


@pytest.mark.parametrize("drive", [0.3, 2.0])
def test_a_wider_range_changes_no_band(drive: float) -> None:
    deviation = np.random.default_rng(1).normal(0.0, 0.02, (1, 4, 9))
    arrays, _ = chips(grid(3), deviation, drive=drive, sides=2)
    low, high = sweep_range(arrays)
    found = []
    for more in (0.0, 0.15):
        sweep = chip_sweep(arrays, start=low * (1.0 - more), stop=high * (1.0 + more))
        found.append([band(sweep.frequency[0], p) for p in pressure(sweep)[0]])
    narrow, wide = np.moveaxis(np.array(found), -1, 1)
    assert narrow[0] == pytest.approx(wide[0], rel=1e-3)
    assert narrow[2] - narrow[1] == pytest.approx(wide[2] - wide[1], rel=2e-3)
    still = chips(grid(3), deviation, drive=0.0)[0]
    assert np.isnan(sweep_range(still)).all()


@pytest.mark.parametrize("scatter", [1e-9, 1e-6])
def test_nearly_equal_cells(scatter: float) -> None:
    """Symmetry breaks by itself: what comes out is a number, or is told."""
    deviation = scatter * np.random.default_rng(3).normal(size=(1, 4, 9))
    arrays, _ = chips(grid(3), deviation, drive=3.0)
    sweep = chip_sweep(arrays, start=0.93e5, stop=1.3e5)
    assert np.isfinite(pressure(sweep)).all()
    assert (sweep.status <= ChipStatus.BEATS).all()
    assert (sweep.beat >= 0.0).all()


def test_trouble_is_told() -> None:
    deviation = np.zeros((1, 2, 4))
    arrays, given = chips(grid(2), deviation, drive=1.0, scale=0.8e-3)
    sweep = chip_sweep(arrays, start=0.95e5, stop=1.1e5, slowness=1.0)
    assert (sweep.status & ChipStatus.OVERLAP).all()
    assert np.isnan(sweep.volume).all()
    damping = given["damping"].copy()
    damping[0, 1, 2] = np.nan
    arrays, _ = chips(grid(2), deviation, drive=1.0, damping=damping)
    sweep = chip_sweep(arrays, start=0.95e5, stop=1.1e5, slowness=1.0)
    assert sweep.status[0].tolist() == [0, int(ChipStatus.ESCAPED)]
    assert np.isfinite(sweep.deflection[0, 0]).all()
    assert np.isnan(sweep.deflection[0, 1]).all()
    with np.errstate(all="raise"):
        sweep = chip_sweep(arrays, start=1e21, stop=5e22)  # of no cell that can be made
    assert (sweep.status & ChipStatus.ESCAPED).all()
    assert np.isnan(sweep.volume).all()
    with pytest.raises(ValueError, match="two different positive"):
        chip_sweep(arrays, start=1e5, stop=1e5)
    with pytest.raises(ValueError, match="same position"):
        chips(np.zeros((4, 2)), deviation, drive=1.0)


@pytest.mark.parametrize("turn", [0.1, 0.5, 1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0])
@pytest.mark.parametrize("reactive", [0.3, -0.3])
def test_what_rings_at_a_frequency_of_its_own_dies_out(turn: float, reactive: float) -> None:
    """A free cell, far from the sweep's frequency, under a coupling that only stores energy."""
    step = make_step(lambda a, b, c: a * b + c, lambda function: function)
    decay, x, before = 0.12, 1.0 + 0.0j, 1.0 + 0.0j
    for _ in range(200):
        push, change = 1j * reactive * x, 1j * reactive * (x - before)
        before = x
        x = complex(
            *step(
                float,
                (x.real, x.imag),
                -decay,
                turn,
                0.0,
                (push.real, push.imag),
                (change.real, change.imag),
            )
        )
    assert abs(x) < np.exp(-0.5 * decay * 200)  # without coupling: exp(-decay 200)
