"""M8.6, coupled modes in time: against one mode, solve_ivp with full tensors, symmetries."""

from __future__ import annotations

from itertools import permutations
from typing import Any

import numpy as np
import pytest
from scipy.integrate import solve_ivp

from arrayopt.base.arrays import Floats
from arrayopt.physics.transient.modes import modes_burst_envelope
from arrayopt.physics.transient.one_mode import TransientStatus, burst_envelope

NATURAL = 2.0 * np.pi


def symmetric(tensor: Floats) -> Floats:
    """Mean over all orders of the indices: the tensor of a potential."""
    orders = list(permutations(range(tensor.ndim)))
    return np.asarray(sum(np.transpose(tensor, p) for p in orders) / len(orders))


def plate(modes: int, seed: int = 3) -> dict[str, Any]:
    """Unit modes at the clamped disc's ratios 1 : 3.89 : 8.72 : 15.5 with random coupling."""
    rng = np.random.default_rng(seed)
    mass = np.array([1.0, 0.5, 0.3, 0.2])[:modes]
    ratio = np.array([1.0, 3.89, 8.72, 15.5])[:modes]
    return {
        "mass": mass,
        "damping": mass * NATURAL * ratio / 40.0,
        "stiffness": mass * (NATURAL * ratio) ** 2,
        "force_per_volt": np.array([1.0, -0.5, 0.3, -0.2])[:modes],
        "quadratic_tensor": symmetric(rng.normal(size=(modes,) * 3)) * 4.0,
        "cubic_tensor": symmetric(np.abs(rng.normal(size=(modes,) * 4))) * 20.0,
        "stiffness_per_volt": symmetric(rng.normal(size=(modes,) * 2)) * 0.5,
    }


DRIVE: dict[str, Any] = {"duration": 12.3, "drive_amplitude": 2.0, "drive_phase": 0.3}


def test_one_mode_is_the_one_mode_stepper() -> None:
    one = {k: v for k, v in plate(1).items() if k != "stiffness_per_volt"}
    for end in (None, 1.2):
        a = modes_burst_envelope(
            1.04, **DRIVE, **one, end_frequency=end, ring_down=3.0, steps_per_cycle=96
        )
        b = burst_envelope(
            1.04,
            **DRIVE,
            mass=one["mass"][0],
            damping=one["damping"][0],
            stiffness=one["stiffness"][0],
            force_per_volt=one["force_per_volt"][0],
            quadratic=one["quadratic_tensor"][0, 0, 0],
            cubic=one["cubic_tensor"][0, 0, 0, 0],
            end_frequency=end,
            ring_down=3.0,
            steps_per_cycle=96,
        )
        # Same formula, other order of sums, about 1e3 steps.
        assert np.abs(a.envelope[0] - b.envelope).max() < 1e-11 * np.abs(b.envelope).max()
        assert np.array_equal(a.time, b.time)


@pytest.mark.parametrize(
    ("modes", "quantity"), [(2, "displacement"), (3, "velocity"), (4, "acceleration")]
)
def test_envelopes_agree_with_solve_ivp(modes: int, quantity: str) -> None:
    """The equations written out with full tensors, by DOP853; means over whole carrier cycles."""
    cell, carrier, samples = plate(modes), 1.04, 768
    m, c, k = cell["mass"], cell["damping"], cell["stiffness"]

    def rhs(t: float, y: Floats) -> Floats:
        q, v = y[:modes], y[modes:]
        volt = 2.0 * np.cos(2.0 * np.pi * carrier * t + 0.3)
        force = cell["force_per_volt"] * volt - c * v - k * q
        force -= np.einsum("mab,a,b", cell["quadratic_tensor"], q, q)
        force -= np.einsum("mabc,a,b,c", cell["cubic_tensor"], q, q, q)
        force -= volt * np.einsum("ma,a", cell["stiffness_per_volt"], q)
        return np.concatenate([v, force / m])

    drive = {**DRIVE, "duration": 12.0 / carrier}  # whole cycles
    found = modes_burst_envelope(
        carrier, **drive, **cell, ring_down=3.0, verify=True, tolerance=1e-6, quantity=quantity
    )
    assert found.status == TransientStatus.OK
    assert found.error < 1e-6
    time = np.arange(12 * samples + 1) / (carrier * samples)
    y = solve_ivp(
        rhs, (0.0, time[-1]), np.zeros(2 * modes), "DOP853", time, rtol=1e-10, atol=1e-12
    ).y
    motion = {"displacement": y[:modes], "velocity": y[modes:]}
    if quantity == "acceleration":
        motion[quantity] = np.array([rhs(t, z)[modes:] for t, z in zip(time, y.T, strict=True)]).T
    signal = motion[quantity] * np.exp(-2j * np.pi * carrier * time)
    for n in (4, 8, 11):
        piece = signal[:, samples * n : samples * (n + 1) + 1]
        mean = (piece[:, 1:] + piece[:, :-1]).sum(axis=1) / samples
        # trapezoidal means: (w h)^2/12 of the change per window
        gap = np.abs(found.envelope[:, n] - mean)
        assert gap.max() < 2e-5 * np.abs(found.envelope).max()


def test_batch_shapes_and_independence() -> None:
    cells = {
        k: np.stack([plate(2, seed)[k] for seed in range(5)])[:, None] for k in plate(2)
    }  # (cell, 1, mode...)
    carriers = np.linspace(0.9, 1.1, 9)
    drive = {**DRIVE, "duration": 6.4}
    whole = modes_burst_envelope(carriers, **drive, **cells, ring_down=2.0)
    assert whole.envelope.shape[:3] == (5, 9, 2)
    assert whole.status.shape == (5, 9)
    assert whole.time.shape == (9, whole.envelope.shape[-1])
    threaded = modes_burst_envelope(carriers, **drive, **cells, ring_down=2.0, parallel=True)
    assert np.array_equal(whole.envelope, threaded.envelope)
    alone = modes_burst_envelope(carriers[7], **drive, **plate(2, 4), ring_down=2.0)
    n = whole.burst_end - alone.burst_end
    kept = whole.envelope[4, 7, :, n : n + alone.envelope.shape[-1]]
    assert np.array_equal(kept, alone.envelope)


def test_unsymmetric_storage_of_the_same_tensor_changes_nothing() -> None:
    cell = plate(2)
    lopsided = dict(cell)
    lopsided["quadratic_tensor"] = np.triu(2.0 * cell["quadratic_tensor"]) - np.einsum(
        "maa,ab->mab", cell["quadratic_tensor"], np.eye(2)
    )
    a = modes_burst_envelope(1.0, **DRIVE, **cell, steps_per_cycle=64)
    b = modes_burst_envelope(1.0, **DRIVE, **lopsided, steps_per_cycle=64)
    assert np.abs(a.envelope - b.envelope).max() < 1e-12 * np.abs(a.envelope).max()


def test_status_and_mistakes() -> None:
    cell = plate(2)
    weak = {**cell, "cubic_tensor": -cell["cubic_tensor"]}
    found = modes_burst_envelope(1.0, **{**DRIVE, "drive_amplitude": [0.01, 40.0, np.nan]}, **weak)
    assert found.status.tolist() == [
        TransientStatus.OK,
        TransientStatus.ESCAPED,
        TransientStatus.BAD_INPUT,
    ]
    assert np.isnan(found.envelope[1:]).all()
    with pytest.raises(ValueError, match="5 modes"):
        modes_burst_envelope(1.0, **DRIVE, **{k: np.ones((5,) * v.ndim) for k, v in cell.items()})
    with pytest.raises(ValueError, match="quantity"):
        modes_burst_envelope(1.0, **DRIVE, **cell, quantity="force")
