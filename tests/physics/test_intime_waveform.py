"""M12.7 to M12.9: pulses of chips against direct integration, steady states and themselves."""

from __future__ import annotations

import numpy as np
import pytest

from arrayopt.physics.intime.slow_flow import ChipStatus
from arrayopt.physics.intime.waveform import Drive, chip_pulses
from arrayopt.physics.sound.radiation import impedance_from_series
from tests.physics.test_intime import PITCH, RHO, SPEED, chips, followed, grid

CARRIER = 1.0e5
OFF = np.array([[[0.0, 0.012, -0.02, 0.03]]])


def springs(arrays, quadratic: float = 0.0):  # type: ignore[no-untyped-def]
    """Quadratic and cubic coefficients of the chips, for `chip_pulses`."""
    return {"quadratic": -quadratic * arrays.stiffness / 4e-6, "cubic": arrays.cubic}


def test_direct_integration_of_the_delayed_equations() -> None:
    """Heun's method with 1500 steps a cycle, point sources, a target off the axis, a jump of k2."""
    position = grid(2)
    lag = np.array([[0.0, 1.3e-6, 2.1e-6, 0.4e-6]])
    arrays, given = chips(position, OFF, drive=2.0, lag=lag)
    point = np.zeros_like(arrays.transform)
    point[..., 0] = arrays.transform[..., 0]
    arrays = arrays._replace(transform=point)
    drive = Drive(CARRIER, 14.3 / CARRIER, end=1.06e5, taper=0.3)
    found = chip_pulses(arrays, **springs(arrays, 0.1), drives=drive, ring=6e-5, tolerance=1e-4)
    assert not found.status.any()

    n = round(14.3 * 1500)
    h = drive.duration / n
    total = n + int(6e-5 / h)
    wave = np.zeros(total + 1)
    wave[: n + 1] = drive.analytic(n + 1).real
    w, a = 2.0 * np.pi * CARRIER, arrays.radius[0, 0]
    r, x, _ = impedance_from_series(
        w / SPEED * a, *(given[k][0, 0] for k in ("resistance", "reactance"))
    )
    load = RHO * SPEED * np.pi * a**2
    m, c = arrays.mass[0, 0] + load * x / w, arrays.damping[0, 0] + load * r
    k1, k3 = arrays.stiffness[0, 0], arrays.cubic[0, 0]
    k2, force = -0.1 * k1 / 4e-6, arrays.force_re[0, 0]
    apart = PITCH * np.hypot(*(position[:, None] - position[None]).transpose(2, 0, 1))
    np.fill_diagonal(apart, np.inf)
    s = arrays.volume[0, 0]
    gain = RHO * s[:, None] * s[None, :] / (2.0 * np.pi * apart)
    back = np.where(np.isfinite(apart), apart, 1.0) / SPEED / h
    past = np.zeros((total + 1, 4))
    columns = np.arange(4)[None, :].repeat(4, axis=0)

    def acceleration(k: int, q: np.ndarray, v: np.ndarray) -> np.ndarray:
        at = k - back
        low = np.floor(at).astype(int)
        share = at - low
        early = np.where(low >= 0, past[np.maximum(low, 0), columns], 0.0)
        late = np.where(low >= -1, past[np.maximum(low + 1, 0), columns], 0.0)
        heard = (gain * ((1.0 - share) * early + share * late)).sum(axis=1)
        return (force * wave[k] - c * v - (k1 + (k2 + k3 * q) * q) * q - heard) / m

    q = v = np.zeros(4)
    top = np.zeros(4)
    for k in range(total):
        past[k] = acceleration(k, q, v)
        ahead, faster = q + h * v, v + h * past[k]
        there = acceleration(k + 1, ahead, faster)
        q, v = q + 0.5 * h * (v + faster), v + 0.5 * h * (past[k] + there)
        top = np.maximum(top, abs(q))
    late = lag[0].max() - lag[0]
    times = np.arange(found.acceleration.shape[2]) * found.step[0]
    exact = sum(
        s[i] * np.interp(times - late[i], np.arange(total) * h, past[:total, i], left=0.0)
        for i in range(4)
    )
    error = np.abs(found.acceleration[0, 0] - exact)[times < (total - 1) * h]
    assert error.max() < 1e-3 * np.abs(exact).max()
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
    arrays, given = chips(position, OFF, drive=0.8)
    f = np.append(np.linspace(0.9e5, CARRIER, 300)[:-1], CARRIER)
    steady = followed(given, position, f, False)[0, -1]
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
