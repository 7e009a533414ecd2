"""M12.7 to M12.9: pulses of chips against direct integration, steady states and themselves."""

from __future__ import annotations

import math
from functools import partial
from itertools import pairwise, permutations

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from arrayopt.physics.intime.flow_kernel import ChipArrays
from arrayopt.physics.intime.modes import Modal
from arrayopt.physics.intime.slow_flow import ChipStatus
from arrayopt.physics.intime.waveform import Drive, chip_pulses
from arrayopt.physics.sound.radiation import hankel_transform
from tests.oracles.coupled import DenseArray
from tests.oracles.sound import radiation_integral
from tests.physics.test_intime import PITCH, RHO, SHAPE, SPEED, chips, grid

CARRIER = 1.0e5
OFF = np.array([[[0.0, 0.012, -0.02, 0.03]]])


def springs(arrays, quadratic: float = 0.0):  # type: ignore[no-untyped-def]
    """Quadratic and cubic coefficients of the chips, for `chip_pulses`."""
    return {"quadratic": -quadratic * arrays.stiffness / 4e-6, "cubic": arrays.cubic}


SHAPES = np.array([[1.0, 0.0], [1.0, -3.1], [1.0, -6.0]])
"""Of three invented modes."""


def several(arrays: ChipArrays, modes: int) -> Modal:
    """Modes at 1, 3.1 and 5.8 times the frequency, with full tensors (invented)."""
    m = np.array([1.0, 0.6, 0.5])[:modes]
    k = m * np.array([1.0, 3.1, 5.8])[:modes] ** 2
    rng = np.random.default_rng(5)
    full: list[np.ndarray] = []
    for rank in (3, 4):
        tensor = rng.normal(size=(3,) * rank)
        tensor = sum(np.transpose(tensor, order) for order in permutations(range(rank)))
        tensor = tensor / math.factorial(rank) * 0.5
        tensor[(0,) * rank] = 1.0
        full.append(tensor[(slice(modes),) * rank])
    one = arrays.stiffness[..., None]
    springs = one * k
    return Modal(
        mass=arrays.mass[..., None] * m,
        damping=arrays.damping[..., None] * m * 2.0,
        stiffness=springs[..., None] * np.eye(modes),
        quadratic=-0.05 * one[..., None, None] / 4e-6 * full[0],
        cubic=arrays.cubic[..., None, None, None, None] * full[1],
        force=(arrays.force_re + 0j)[..., None] * np.array([1.0, -0.7, 0.4])[:modes],
        shape=np.broadcast_to(SHAPES[:modes], (1, 4, modes, 2)),
    )


@pytest.mark.parametrize("modes", [1, 2, 3])
def test_direct_integration_of_the_delayed_equations(modes: int) -> None:
    """Heun's method with 2400 steps a cycle, point sources, a target off the axis, k2 and k3."""
    position = grid(2)
    lag = np.array([[0.0, 1.3e-6, 2.1e-6, 0.4e-6]])
    arrays, _ = chips(position, OFF, drive=2.0, lag=lag)
    point = np.zeros_like(arrays.transform)
    point[..., 0] = arrays.transform[..., 0]
    arrays = arrays._replace(transform=point)
    drive = Drive(CARRIER, 9.3 / CARRIER, end=1.06e5, taper=0.3)
    modal = several(arrays, modes)
    w, a = 2.0 * np.pi * CARRIER, arrays.radius[0, 0]
    load = RHO * SPEED * np.pi * a**2
    M, C = (np.zeros((4, modes, modes)) for _ in range(2))
    for i in range(modes):
        for j in range(modes):
            one, two = (partial(hankel_transform, SHAPES[k]) for k in (i, j))
            z = np.array([radiation_integral(one, two, ka=ka) for ka in w / SPEED * a])
            M[:, i, j], C[:, i, j] = load * z.imag / w, load * z.real
        M[:, i, i] += modal.mass[0, 0, :, i]
        C[:, i, i] += modal.damping[0, 0, :, i]
    ka = w / SPEED * arrays.nominal[0]
    kept = SHAPES[:modes]
    heard = np.stack([hankel_transform(s, ka) / hankel_transform(SHAPES[0], ka) for s in kept], 1)
    told = np.array([hankel_transform(s, 0.0) / hankel_transform(SHAPES[0], 0.0) for s in kept])
    if modes == 1:
        one = {"quadratic": modal.quadratic[..., 0, 0, 0], "cubic": modal.cubic[..., 0, 0, 0, 0]}
        lone = arrays._replace(damping=modal.damping[..., 0])
        found = chip_pulses(lone, **one, drives=drive, ring=4e-5, tolerance=1e-4)
    else:
        found = chip_pulses(arrays, modal=modal, drives=drive, ring=4e-5, tolerance=1e-4)
    assert not found.status.any()

    n = round(9.3 * 2400)
    h = drive.duration / n
    total = n + int(4e-5 / h)
    wave = np.zeros(total + 1)
    wave[: n + 1] = drive.analytic(n + 1).real
    apart = PITCH * np.hypot(*(position[:, None] - position[None]).transpose(2, 0, 1))
    np.fill_diagonal(apart, np.inf)
    s = arrays.volume[0, 0]
    gain = RHO * s[:, None] * s[None, :] / (2.0 * np.pi * apart)
    back = np.where(np.isfinite(apart), apart, 1.0) / SPEED / h
    past, said = np.zeros((total + 1, 4)), np.zeros((total + 1, 4))
    columns = np.arange(4)[None, :].repeat(4, axis=0)
    inverse = np.linalg.inv(M)
    K, Q, T = modal.stiffness[0, 0], modal.quadratic[0, 0], modal.cubic[0, 0]
    force = modal.force[0, 0].real

    def acceleration(k: int, q: np.ndarray, v: np.ndarray) -> np.ndarray:
        at = k - back
        low = np.floor(at).astype(int)
        share = at - low
        early = np.where(low >= 0, past[np.maximum(low, 0), columns], 0.0)
        late = np.where(low >= -1, past[np.maximum(low + 1, 0), columns], 0.0)
        air = (gain * ((1.0 - share) * early + share * late)).sum(axis=1)
        pull = (C @ v[..., None])[..., 0] + (K @ q[..., None])[..., 0]
        pull += ((Q @ q[:, None, :, None])[..., 0] @ q[..., None])[..., 0]
        cube = (T @ q[:, None, None, :, None])[..., 0]
        pull += ((cube @ q[:, None, :, None])[..., 0] @ q[..., None])[..., 0]
        net = force * wave[k] - pull - heard * air[:, None]
        return (inverse @ net[..., None])[..., 0]

    q, v, top = np.zeros((4, modes)), np.zeros((4, modes)), np.zeros(4)
    for k in range(total):
        now = acceleration(k, q, v)
        past[k], said[k] = (heard * now).sum(axis=1), now @ told
        ahead, faster = q + h * v, v + h * now
        there = acceleration(k + 1, ahead, faster)
        q, v = q + 0.5 * h * (v + faster), v + 0.5 * h * (now + there)
        top = np.maximum(top, abs(q.sum(axis=1)))
    late = lag[0].max() - lag[0]
    times = np.arange(found.acceleration.shape[2]) * found.step[0]
    exact = sum(
        s[i] * np.interp(times - late[i], np.arange(total) * h, said[:total, i], left=0.0)
        for i in range(4)
    )
    error = np.abs(found.acceleration[0, 0] - exact)[times < (total - 1) * h]
    # Heun's own error, most in the highest mode, which makes most of the acceleration there is
    assert error.max() < 2e-3 * np.abs(exact).max()
    assert found.deflection[0, 0] == pytest.approx(top, rel=2e-3)


@pytest.mark.parametrize(("taper", "order"), [(0.5, 3.5), (0.0, 2.3)])
def test_steps_are_of_order_four(taper: float, order: float) -> None:
    """Where the drive jumps, the half sample that stands for it leaves a smaller order."""
    arrays, _ = chips(grid(2), OFF, drive=1.5)
    drive = Drive(CARRIER, 16.0 / CARRIER, taper=taper)

    def last(steps: int) -> np.ndarray:
        found = chip_pulses(
            arrays, **springs(arrays), drives=drive, ring=8e-5, steps_per_cycle=steps
        )
        stride = found.acceleration.shape[2] * found.step[0]
        assert stride == pytest.approx(16.0 / CARRIER + 8e-5, rel=0.01)
        every = round(1.0 / (16 * CARRIER) / found.step[0])
        return found.acceleration[0, 0, ::every]

    fine = last(256)
    errors = []
    for steps in (32, 64):
        other = last(steps)
        n = min(fine.size, other.size) - 1
        errors.append(np.abs(other[:n] - fine[:n]).max() / np.abs(fine).max())
    assert errors[0] < 0.02
    assert np.log2(errors[0] / errors[1]) > order


def test_long_bursts_end_in_the_coupled_steady_state() -> None:
    position = grid(2)
    arrays, _ = chips(position, OFF, drive=0.8)
    f = np.append(np.linspace(0.9e5, CARRIER, 300)[:-1], CARRIER)
    steady = DenseArray(arrays, PITCH * position, SHAPE).swept(f)[-1]
    length = 220.0 / CARRIER
    found = chip_pulses(
        arrays, **springs(arrays), drives=Drive(CARRIER, length), steps_per_cycle=64
    )
    times = np.arange(found.acceleration.shape[2]) * found.step[0]
    cycle = (times >= length - 1.0 / CARRIER - 1e-12) & (times < length - 1e-12)
    turned = found.acceleration[0, 0, cycle] * np.exp(-2j * np.pi * CARRIER * times[cycle])
    wanted = -((2.0 * np.pi * CARRIER) ** 2) * (arrays.volume[0, 0] @ steady)
    # one harmonic in the steady state, and what is left of the beginning
    assert 2.0 * turned.mean() == pytest.approx(wanted, rel=0.01)


def test_samples_of_a_tone_are_the_tone() -> None:
    arrays, _ = chips(grid(2), OFF, drive=1.5)
    t = np.linspace(0.0, 12.0 / CARRIER, 12 * 40 + 1)
    shape = np.sin(np.pi * t / t[-1]) ** 2
    wave = Drive(CARRIER, t[-1], samples=tuple(shape * np.cos(2.0 * np.pi * CARRIER * t)))
    tapered = Drive(CARRIER, t[-1], taper=1.0)
    one, two = (
        chip_pulses(arrays, **springs(arrays), drives=d, ring=5e-5) for d in (wave, tapered)
    )
    worst = np.abs(one.acceleration - two.acceleration).max()
    assert worst < 2e-3 * np.abs(two.acceleration).max()


def test_nothing_depends_on_the_batch_and_single_precision_does() -> None:
    deviation = np.random.default_rng(1).normal(0.0, 0.01, (2, 18, 4))
    arrays, _ = chips(grid(2), deviation, drive=2.0)
    drives = [Drive(CARRIER, 10.0 / CARRIER), Drive(1.05e5, 8.0 / CARRIER, end=1.1e5, taper=0.5)]
    both = chip_pulses(arrays, **springs(arrays), drives=drives, ring=5e-5, steps_per_cycle=48)
    alone, _ = chips(grid(2), deviation[1:, 16:], drive=2.0)
    one = chip_pulses(alone, **springs(alone), drives=drives[1], ring=5e-5, steps_per_cycle=48)
    n = one.acceleration.shape[2]
    assert np.array_equal(both.acceleration[1, 16:, :n], one.acceleration[0])
    rough = chip_pulses(
        arrays, **springs(arrays), drives=drives, ring=5e-5, steps_per_cycle=48, single=True
    )
    inside = np.isfinite(both.acceleration)
    off = np.abs(rough.acceleration - both.acceleration)[inside].max()
    assert 0.0 < off < 1e-4 * np.abs(both.acceleration[inside]).max()


def test_trouble_is_told() -> None:
    arrays, _ = chips(grid(2), OFF, drive=60.0)
    soft = {"quadratic": 0.0, "cubic": -arrays.cubic}
    found = chip_pulses(arrays, **soft, drives=Drive(CARRIER, 2e-4))
    assert found.status[0, 0] == ChipStatus.ESCAPED
    assert np.isnan(found.acceleration).all()
    neck = np.array([4.0, 60e-6, 40e-6, 1.8e-5])
    necked, _ = chips(grid(2), OFF, drive=1.0, neck=neck, cavity=1e9)
    with pytest.raises(ValueError, match="not for necked"):
        chip_pulses(necked, quadratic=0.0, cubic=0.0, drives=Drive(CARRIER, 2e-4))
    with pytest.raises(ValueError, match="1 drives"):
        chip_pulses(arrays, **soft, drives=[Drive(CARRIER, 2e-4)] * 2)


@pytest.mark.parametrize("taper", [0.4, 0.0])
def test_a_braking_tail_against_a_general_integrator(taper: float) -> None:
    """One cell with k2 and k3 under a burst and its tail: scipy's DOP853, at 1e-10."""
    arrays, _ = chips(np.zeros((1, 2)), np.zeros((1, 1, 1)), drive=2.0)
    drive = Drive(
        CARRIER, 4.0 / CARRIER, taper=taper, tail_cycles=3.0, tail_amplitude=0.8, tail_phase=3.0
    )
    own = springs(arrays, 0.05)
    ring = 6.0 / CARRIER
    found = chip_pulses(arrays, **own, drives=drive, ring=ring, tolerance=1e-4)
    w, a = 2.0 * np.pi * CARRIER, arrays.radius[0, 0, 0]
    own_shape = partial(hankel_transform, SHAPE)
    z = radiation_integral(own_shape, own_shape, ka=w / SPEED * a)
    load = RHO * SPEED * np.pi * a**2
    m = arrays.mass[0, 0, 0] + load * z.imag / w
    c = arrays.damping[0, 0, 0] + load * z.real
    k1, k2, k3 = (x[0, 0, 0] for x in (arrays.stiffness, own["quadratic"], own["cubic"]))
    push = arrays.force_re[0, 0, 0]

    def slope(t: float, y: np.ndarray) -> list[float]:
        x, v = y
        net = push * drive.at(np.array([t]))[0].real - c * v - (k1 + (k2 + k3 * x) * x) * x
        return [v, net / m]

    x, v, times = 0.0, 0.0, found.step[0] * np.arange(found.acceleration.shape[2])
    exact = []
    for begin, end in pairwise((0.0, drive.duration, drive.whole, drive.whole + ring)):
        some = times[(times >= begin) & (times < end)]
        part = solve_ivp(
            slope, (begin, end), [x, v], "DOP853", [*some, end], rtol=1e-10, atol=1e-16
        )
        x, v = part.y[:, -1]
        exact += [slope(t + 1e-15, y)[1] for t, y in zip(some, part.y.T[:-1], strict=True)]
    exact = arrays.volume[0, 0, 0] * np.array(exact)
    got = found.acceleration[0, 0, : exact.size]
    inside = np.abs(times[: exact.size, None] - [0.0, drive.duration, drive.whole]).min(axis=1)
    apart = inside > 1.5 * found.step[0]  # where the force jumps a sample is a mean
    worst = np.abs(got - exact)[apart].max() / np.abs(exact).max()
    assert worst < (1e-3 if taper else 0.01)
