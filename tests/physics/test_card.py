"""Slow sweeps on a graphics card beside the processor's.

Without a card the same kernel runs in numba's simulator, in a process of its own since the
simulator is chosen when numba is imported: slow, but every line of it.
"""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from arrayopt.physics.intime.card import (
    DEVICES,
    VARIABLE,
    GpuUnavailableError,
    chosen_device,
    require_card,
)
from arrayopt.physics.intime.flow_kernel import ChipArrays
from arrayopt.physics.intime.pulse import contiguous_band
from arrayopt.physics.intime.slow_flow import ChipStatus, ChipSweep, chip_arrays, chip_sweep
from arrayopt.physics.sound.radiation import impedance_series

# The same formulas in the same order; products are fused where the processor's are not, and sums
# over cells run in another order. What that leaves grows with the steps while cells ring.
SAME = 1e-9
# 24 bits, rounded in some thousand steps, in sums of another order than the processor's.
SINGLE = 1e-3
SWEEP: dict[str, Any] = {"start": 0.95e5, "stop": [1.25e5, 1.28e5], "slowness": 1.0, "step": 0.3}

SIMULATED = """
import sys
import numpy as np
from arrayopt.physics.intime import card, card_kernel
from arrayopt.physics.intime.slow_flow import chip_sweep
from tests.physics.test_card import SWEEP, chips
card.WORKERS = card_kernel.WARP = 1  # the simulator starts every thread
card.ITEMS = card.IN_FLIGHT = 1
for device in card.DEVICES[1:]:
    np.savez(f"{sys.argv[1]}/{device}.npz", **chip_sweep(chips(), device=device, **SWEEP)._asdict())
"""


def chips(scatter: float = 0.01, count: int = 3, **more: Any) -> ChipArrays:
    """Two designs of 2 x 2 cells near 100 kHz, beyond onset; one chip of one is no chip."""
    size, side = (2, count, 4), np.array([0.0, 1.0])
    off = scatter * np.random.default_rng(7).normal(size=size)
    radius, mass = 0.45e-3 * (1.0 + off), 2e-9 * (1.0 + 2.0 * off)
    stiffness = 2e-9 * (2.0 * np.pi * 1.05e5) ** 2 * (1.0 - 2.0 * off)
    shape = np.array([1.0])
    damping = np.sqrt(mass * stiffness) / 60.0
    damping[1, 2, 1] = np.nan
    resistance, reactance = (np.broadcast_to(s, (2, 4, s.size)) for s in impedance_series(shape))
    given: dict[str, Any] = {
        "mass": mass,
        "damping": damping,
        "stiffness": stiffness,
        "cubic": 0.3 * stiffness / (4e-6) ** 2,
        "force": 4e-5 * np.exp(0.1j * np.arange(4)) * np.ones(size),
        "radius": radius,
        "volume": np.pi * radius**2 / 3.0,
        "cavity": 2e12 * np.ones(size),
        "nominal": np.full((2, 4), 0.45e-3),
        "shape": np.broadcast_to(shape, (2, 4, 1)),
        "resistance": resistance,
        "reactance": reactance,
        "density": 1.2,
        "sound_speed": 343.0,
        "scale": np.array([1.1e-3, 1.2e-3]),
        "lag": 1e-6 * np.arange(4),
        "lead": 5e-7 * np.arange(4),
        "polar": 0.3,
    }
    position = np.stack(np.meshgrid(side, side), axis=-1).reshape(-1, 2)
    return chip_arrays(position, **(given | more))


def compare(found: Any, wanted: ChipSweep, tolerance: float) -> None:
    """Everything a sweep says, relative to the largest of its chip; and the merits of both."""
    for name in ("frequency", "status", "steps"):
        np.testing.assert_array_equal(found[name], getattr(wanted, name), err_msg=name)
    good = wanted.status == 0
    assert good.sum() > 1
    for name in ("volume", "unrest", "power", "deflection", "settled"):
        value, other = found[name], getattr(wanted, name)
        np.testing.assert_array_equal(np.isnan(value), np.isnan(other), err_msg=name)
        top = np.nanmax(np.abs(other[good]), axis=1)
        assert (np.nanmax(np.abs(value - other)[good], axis=1) < tolerance * top).all(), name
    # the beat is the root of a difference of like numbers
    loudest = np.nanmax(np.abs(wanted.volume[good]), axis=1)
    gap = np.nanmax(np.abs(found["beat"] ** 2 - wanted.beat**2)[good], axis=1)
    assert (gap < tolerance * loudest**2).all()
    for d, chip in zip(*np.nonzero(good), strict=True):
        last = np.isfinite(wanted.frequency[d])
        ours, theirs = (
            contiguous_band(wanted.frequency[d, last], np.abs(volume[d, chip, last]), drop=6.0)
            for volume in (found["volume"], wanted.volume)
        )
        assert ours.peak == pytest.approx(theirs.peak, rel=tolerance)
        assert ours.width == pytest.approx(theirs.width, rel=tolerance)


def missing_card() -> str | None:
    """Why there is no card to test on."""
    try:
        require_card()
    except GpuUnavailableError as error:
        return str(error)
    return None


NO_CARD = missing_card()
needs_card = pytest.mark.skipif(NO_CARD is not None, reason=NO_CARD or "")


@pytest.mark.slow
def test_simulated_card_equals_the_processor(tmp_path: Path) -> None:
    if importlib.util.find_spec("numba.cuda") is None:
        pytest.skip("this numba has no CUDA target: pip install arrayopt[gpu]")
    # the simulator calls what is compiled for the card from Python: nothing may be compiled
    simulated = os.environ | {"NUMBA_ENABLE_CUDASIM": "1", "NUMBA_DISABLE_JIT": "1"}
    command = [sys.executable, "-c", SIMULATED, str(tmp_path)]
    subprocess.run(command, env=simulated, check=True, cwd=Path(__file__).parents[2])
    for device, tolerance in (("gpu", SAME), ("gpu-single", SINGLE)):
        wanted = chip_sweep(chips(), device="cpu", **SWEEP)
        assert wanted.status.ravel().tolist() == [0] * 5 + [int(ChipStatus.ESCAPED)]
        compare(np.load(tmp_path / f"{device}.npz"), wanted, tolerance)


@needs_card
@pytest.mark.parametrize(("device", "tolerance"), [("gpu", SAME), ("gpu-single", SINGLE)])
def test_card_equals_the_processor(device: str, tolerance: float) -> None:
    arrays = chips(count=37)
    wanted = chip_sweep(arrays, device="cpu", **SWEEP)
    compare(chip_sweep(arrays, device=device, **SWEEP)._asdict(), wanted, tolerance)


@needs_card
def test_card_treats_each_chip_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    from arrayopt.physics.intime import card

    arrays = chips(count=37)
    whole = chip_sweep(arrays, device="gpu", **SWEEP)
    monkeypatch.setattr(card, "ITEMS", 1)
    monkeypatch.setattr(card, "IN_FLIGHT", 2)
    for value, again in zip(whole, chip_sweep(arrays, device="gpu", **SWEEP), strict=True):
        np.testing.assert_array_equal(value, again)


def test_device_by_argument_or_variable(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.delenv(VARIABLE, raising=False)
    assert chosen_device() == DEVICES[0] == "cpu"
    monkeypatch.setenv(VARIABLE, "gpu")
    assert chosen_device() == "gpu"
    assert chosen_device("gpu-single") == "gpu-single"
    monkeypatch.setenv(VARIABLE, "tpu")
    with pytest.raises(ValueError, match=f'{VARIABLE} is "tpu"; choose one of cpu, gpu'):
        chosen_device()
    with pytest.raises(ValueError, match='device is "card"'):
        chosen_device("card")


@pytest.mark.skipif(NO_CARD is None, reason="there is a card")
def test_missing_card_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    advice = "leave ARRAYOPT_DEVICE and device= out"
    with pytest.raises(GpuUnavailableError, match=advice):
        chip_sweep(chips(), device="gpu", **SWEEP)
    monkeypatch.setenv(VARIABLE, "gpu")
    with pytest.raises(GpuUnavailableError, match=advice):
        chip_sweep(chips(), **SWEEP)
