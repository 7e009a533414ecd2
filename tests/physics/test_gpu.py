"""The burst stepper on a graphics card beside the processor's.

Without a card the same kernel runs in numba's simulator, in a process of its own since the
simulator is chosen when numba is imported: slow, but every line of it.
"""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
from typing import Any

import numpy as np
import pytest

from arrayopt.physics.transient.card import (
    DEVICES,
    VARIABLE,
    GpuUnavailableError,
    chosen_device,
    require_card,
)
from arrayopt.physics.transient.one_mode import BurstResponse, burst_envelope

# Identical algebra; only sums of products outside the steps may be fused on the card.
SAME = 1e-12
# A chirp's phasors come from a recurrence of a recurrence, whose rounding grows with the square of
# the steps a cycle: up to 1024^2 / 2 * 1.1e-16.
SAME_CHIRP = 1e-10
# Some 3000 steps of float32, each rounded by up to 6e-8 of the displacement.
SINGLE = 1e-4


def missing_card() -> str | None:
    """Why there is no card to test on."""
    try:
        require_card()
    except GpuUnavailableError as error:
        return str(error)
    return None


NO_CARD = missing_card()
needs_card = pytest.mark.skipif(NO_CARD is not None, reason=NO_CARD or "")

SIMULATED = """
import sys
sys.path.insert(0, sys.argv[1])
import numpy as np
from arrayopt.physics.transient import card_kernel as transient_gpu
from test_gpu import SAME, SINGLE, batch, compare, compare_sums
transient_gpu.THREADS, transient_gpu.LEAST_BLOCKS = 3, 1  # the simulator starts each of them
transient_gpu.CHUNK_BYTES = 16 * 40
cases = (
    dict(ring_down=1.5),
    dict(ring_down=1.5, end_frequency=1.15, quantity="acceleration"),
    dict(periods_per_sample=3, quantity="velocity"),
)
for case in cases:
    options = batch(5, longest=5.0, steps_per_cycle=[8, 10, 8, 8, 10]) | case
    compare(options, "gpu", SAME)
    compare(options, "gpu-single", SINGLE)
options = batch(3, longest=2.0) | dict(steps_per_cycle=None, tolerance=0.05, verify=True)
options["mass"] = np.array([1.0, np.nan, 1.0])
compare(options, "gpu", SAME)
compare_sums("gpu", **batch(4, longest=2.0, steps_per_cycle=8))
print("compared")
"""


def batch(count: int, *, longest: float = 12.3, **more: Any) -> dict[str, Any]:
    """Hardening oscillators near 1 Hz with drives of many lengths, whole cycles among them."""
    rng = np.random.default_rng(20)
    options = {
        "frequency": rng.uniform(0.9, 1.1, count),
        "duration": rng.uniform(0.7, longest, count),
        "drive_amplitude": rng.uniform(0.1, 3.0, count),
        "drive_phase": rng.uniform(0.0, 6.0, count),
        "mass": np.ones(count),
        "damping": 2.0 * np.pi / 40.0,
        "stiffness": (2.0 * np.pi) ** 2 * rng.uniform(0.9, 1.1, count),
        "quadratic": 2.0,
        "cubic": 20.0,
        "force_per_volt": 1.0,
    }
    options["duration"][:2] = np.floor(options["duration"][:2]) + 1.0
    options["frequency"][:2] = 1.0
    return options | more


def compare(options: dict[str, Any], device: str, tolerance: float) -> BurstResponse:
    """Check everything ``device`` returns against the processor's, relative to each envelope."""
    frequency = options["frequency"]
    rest = {key: value for key, value in options.items() if key != "frequency"}
    wanted = burst_envelope(frequency, device="cpu", **rest)
    found = burst_envelope(frequency, device=device, **rest)
    for name in ("status", "steps_per_cycle", "time", "burst_end"):
        np.testing.assert_array_equal(getattr(found, name), getattr(wanted, name), err_msg=name)
    peak = np.abs(wanted.envelope).max(axis=-1)
    gap = np.abs(found.envelope - wanted.envelope).max(axis=-1) / peak
    good = wanted.status == 0
    assert good.any()
    assert (gap[good] < tolerance).all(), gap[good].max()
    assert np.isnan(found.envelope[~good]).all()
    # The end is a small remainder after ring-down: compared with the largest of the batch.
    for name in ("end_displacement", "end_velocity"):
        a, b = getattr(found, name)[good], getattr(wanted, name)[good]
        np.testing.assert_allclose(a, b, rtol=0.0, atol=tolerance * np.abs(b).max(), err_msg=name)
    np.testing.assert_array_equal(np.isnan(found.error), np.isnan(wanted.error))
    return found


def compare_sums(device: str, **options: Any) -> None:
    """Check weighted sums of pairs, one oscillator rejected and left out, against the envelopes."""
    paired = {k: np.reshape(v, (-1, 2)) if np.ndim(v) else v for k, v in options.items()}
    paired["mass"][1, 1] = np.nan
    frequency = paired.pop("frequency")
    rng = np.random.default_rng(21)
    weights = rng.normal(size=(3, *frequency.shape)) + 1j * rng.normal(size=(3, *frequency.shape))
    weights[:, 1, 1] = 0.0
    plain = burst_envelope(frequency, device="cpu", **paired)
    found = burst_envelope(frequency, device=device, weights=weights, **paired)
    wanted = sum(weights[:, :, g, None] * np.nan_to_num(plain.envelope[:, g]) for g in range(2))
    scale = np.abs(wanted).max()
    np.testing.assert_allclose(found.envelope, wanted, rtol=0.0, atol=SAME * scale)
    np.testing.assert_allclose(found.peak, np.abs(plain.envelope).max(axis=-1), rtol=SAME)
    np.testing.assert_array_equal(found.status, plain.status)
    weights[1, 1, 1] = 1.0  # a rejected oscillator that counts spoils the sums of its row only
    spoilt = burst_envelope(frequency, device=device, weights=weights, **paired).envelope
    assert np.isnan(spoilt[1, 1]).all()
    assert np.isfinite(spoilt[:, 0]).all()


def run_python(program: str, *arguments: str, **environment: str) -> str:
    """What a fresh interpreter prints."""
    done = subprocess.run(
        [sys.executable, "-c", program, *arguments],
        capture_output=True,
        text=True,
        env=os.environ | environment,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout


def test_kernel_in_the_simulator_equals_the_processors() -> None:
    if importlib.util.find_spec("numba.cuda") is None:
        pytest.skip("this numba has no CUDA target: pip install arrayopt[gpu]")
    folder = os.path.dirname(__file__)
    assert "compared" in run_python(SIMULATED, folder, NUMBA_ENABLE_CUDASIM="1")


def test_weighted_sums_are_sums_of_envelopes() -> None:
    for parallel in (False, True):
        compare_sums("cpu", **batch(40), parallel=parallel)
    with pytest.raises(ValueError, match="weights"):
        burst_envelope(1.0, **{k: v for k, v in batch(2).items() if k != "frequency"}, weights=1.0)


def test_device_is_the_argument_then_the_variable_then_the_processor(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.delenv(VARIABLE, raising=False)
    assert chosen_device() == "cpu"
    monkeypatch.setenv(VARIABLE, "gpu")
    assert chosen_device() == "gpu"
    assert chosen_device("gpu-single") == "gpu-single"
    monkeypatch.setenv(VARIABLE, "")
    assert chosen_device() == "cpu"
    monkeypatch.setenv(VARIABLE, "tpu")
    with pytest.raises(ValueError, match=f'{VARIABLE} is "tpu"; choose one of cpu, gpu'):
        chosen_device()
    with pytest.raises(ValueError, match='device is "GPU"'):
        burst_envelope(**batch(2), device="GPU")
    assert DEVICES[0] == "cpu"


@pytest.mark.skipif(NO_CARD is None, reason="there is a card")
def test_missing_card_is_one_sentence(monkeypatch: pytest.MonkeyPatch) -> None:
    advice = "leave ARRAYOPT_DEVICE and device= out"
    with pytest.raises(GpuUnavailableError, match=advice):
        burst_envelope(**batch(2), device="gpu")
    monkeypatch.setenv(VARIABLE, "gpu")
    with pytest.raises(GpuUnavailableError, match=advice):
        burst_envelope(**batch(2))
    assert burst_envelope(**batch(2), device="cpu").status.tolist() == [0, 0]
    done = subprocess.run(
        [sys.executable, "-c", "from arrayopt.cli.main import main; main()", "check", "nowhere"],
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 2
    assert len(done.stderr.splitlines()) == 1
    assert advice in done.stderr


def test_processor_never_loads_the_cuda_target() -> None:
    program = (
        "import sys; from test_gpu import batch\n"
        "from arrayopt.physics.transient.one_mode import burst_envelope\n"
        "burst_envelope(**batch(2))\n"
        "assert 'arrayopt.physics.transient.card_kernel' not in sys.modules\n"
    )
    program = f"import sys; sys.path.insert(0, sys.argv[1])\n{program}"
    run_python(program, os.path.dirname(__file__), **{VARIABLE: ""})


@needs_card
@pytest.mark.parametrize("quantity", ["displacement", "velocity", "acceleration"])
@pytest.mark.parametrize(
    "case",
    [
        {"ring_down": 5.3},
        {"end_frequency": 1.2, "ring_down": 2.0},
        {"periods_per_sample": 3},
        {"verify": True},
        {"steps_per_cycle": 32},
    ],
)
def test_card_equals_the_processor(quantity: str, case: dict[str, Any]) -> None:
    same = SAME_CHIRP if "end_frequency" in case else SAME
    compare(batch(3000, quantity=quantity) | case, "gpu", same)
    if "verify" not in case:
        compare(batch(3000, quantity=quantity) | case, "gpu-single", SINGLE)


@needs_card
def test_card_adds_as_the_processor() -> None:
    compare_sums("gpu", **batch(4000))


@needs_card
def test_card_marks_what_the_processor_marks() -> None:
    options = batch(300)
    options["cubic"] = np.where(np.arange(300) % 3 == 0, -400.0, 20.0)
    options["mass"][7] = np.nan
    found = compare(options, "gpu", SAME)
    assert len(set(found.status.tolist())) == 3


@needs_card
def test_card_treats_each_oscillator_alone(monkeypatch: pytest.MonkeyPatch) -> None:
    from arrayopt.physics.transient import card_kernel as transient_gpu

    whole = burst_envelope(**batch(500), device="gpu", ring_down=2.0)
    monkeypatch.setattr(transient_gpu, "CHUNK_BYTES", 16 * 16 * 100)
    parts = burst_envelope(**batch(500), device="gpu", ring_down=2.0)
    np.testing.assert_array_equal(parts.envelope, whole.envelope)
    np.testing.assert_array_equal(parts.end_velocity, whole.end_velocity)
