"""Strongly driven arrays whose envelopes never rest: they keep their merits, and an honest tone."""

from __future__ import annotations

import numpy as np
from scipy.integrate import solve_ivp

from arrayopt.design.designs import DesignSpace
from arrayopt.models.array import UP
from arrayopt.models.cells import build_cells
from arrayopt.models.coupled.response import CoupledPacked, find_coupled_band, pack_coupled
from arrayopt.physics.coupled.arrays import coupled_sweep
from tests.oracles.linear import LinearPart, linear_part
from tests.support.chain import duct

# Found by a search of the shipped study: eight radii, up to four onsets, two in antiphase.
STRONG = [
    [0.9830, 0.9991, 0.7864, 0.7667, 0.6960, 0.5891, 0.6004, 0.5799],  # radius
    [0.5401, 0.5119, 0.6110, 0.5394, 0.5385, 0.5957, 0.5400, 0.5959],  # electrode_coverage
    [0.6029, 0.6014, 0.6226, 0.6147, 0.6489, 0.6320, 0.6806, 0.6728],  # drive_amplitude
    [0.5068, 0.4999, 0.5000, 0.5043, 0.5191, 0.5000, 0.3769, 0.5086],  # drive_phase
    [0.8928],  # bias
]


def strong() -> CoupledPacked:
    study = duct()
    designs = DesignSpace(study, study.strategy("combined")).decode(np.concatenate(STRONG)[None])
    return pack_coupled(build_cells(designs, study), designs, study)


def test_an_array_that_beats_has_a_band() -> None:
    found = find_coupled_band(strong(), level=10.0 ** (-6.0 / 20.0), sweep=UP)
    assert found.status[0] == 0
    assert found.upper_edge[0] > found.lower_edge[0]


def test_its_tone_is_the_mean_of_the_beat() -> None:
    """The state on the sweep against M9.4 integrated by scipy from there on, averaged."""
    arrays = strong().arrays
    frequency = np.arange(60e3, 118.5e3, 230.0)
    swept = coupled_sweep(arrays, frequency=frequency[None])
    assert swept.status[0] == 0
    # a few steps below the last the array rests
    for i in (-1,):
        part = linear_part(arrays, design=0, frequency=frequency[i])

        def flow(_: float, A: np.ndarray, part: LinearPart = part) -> np.ndarray:
            left = part.operator @ A + 0.75 * part.cubic * np.abs(A) ** 2 * A
            return np.asarray(-1j * (part.force - left) / part.inertia)

        decay = (part.inertia / part.operator.diagonal().imag).max()
        times = np.linspace(60.0 * decay, 110.0 * decay, 400)
        run = solve_ivp(
            flow,
            (0.0, times[-1]),
            swept.amplitude[0, i] * 1.05,
            t_eval=times,
            method="DOP853",
            rtol=1e-5,
            atol=1e-13,  # amplitudes are micrometres
            first_step=0.01 * decay,
            max_step=0.5 * decay,
        )
        total = (run.y * arrays.site_count[:, None]).sum(axis=0)
        # it does beat, by 1.7 % of the pressure and up to a quarter of single cells
        assert np.ptp(np.abs(total)) > 0.01 * np.abs(total).mean()
        # 0.4 %: the rest point inside the beat is not quite its mean
        tone = (swept.amplitude[0, i] * arrays.site_count).sum()
        np.testing.assert_allclose(tone, total.mean(), rtol=0.01)
