"""M11: chips as they are made: draws, and what the plate model makes of them."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
import pytest

from arrayopt.design.chips import CUT, Draws, draw_chips
from arrayopt.models.cells import build_cells
from arrayopt.models.made import COEFFICIENTS, made_chips
from arrayopt.physics.intime.slow_flow import chip_sweep
from arrayopt.physics.intime.waveform import Drive, chip_pulses
from arrayopt.study.model import Scatter
from tests.support.chain import duct, random_designs, uniform_design

NONE = Scatter(**dict.fromkeys(Scatter.__dataclass_fields__, 0.0))


def test_draws() -> None:
    place = np.random.default_rng(0).random((5, 2))
    many = draw_chips(Scatter(thickness_trend=0.01), chips=512, position=place, seed=3)
    few = draw_chips(Scatter(thickness_trend=0.01), chips=10, position=place, seed=3)
    assert np.array_equal(few.radius, many.radius[:10])
    assert np.array_equal(few.thickness, many.thickness[:10])
    other = draw_chips(Scatter(), chips=10, position=place, seed=3, use="verify")
    assert not np.isclose(other.radius, few.radius).any()
    shared = replace(NONE, chip_tension=5.0, cell_radius=0.003)
    made = draw_chips(shared, chips=512, position=place, seed=3)
    assert (np.ptp(made.tension, axis=1) == 0.0).all()
    # a normal cut at 3 sd has 0.9866 of its deviation
    assert made.tension[:, 0].std() == pytest.approx(5.0 * 0.9866, rel=0.03)
    assert made.radius.std() == pytest.approx(0.003 * 0.9866, rel=0.03)
    assert np.abs(made.radius).max() <= CUT * 0.003
    assert abs(made.radius.mean()) < 1e-5
    tilted = draw_chips(replace(NONE, thickness_trend=0.01), chips=64, position=place, seed=3)
    assert np.linalg.matrix_rank(tilted.thickness) == 2  # linear in x and y
    with pytest.raises(ValueError, match="cell_radius is -1"):
        Scatter(cell_radius=-1.0)
    with pytest.raises(ValueError, match="choose or verify"):
        draw_chips(Scatter(), chips=3, position=place, seed=1, use="both")


@pytest.mark.parametrize("size", [1.0, 3.0])
def test_coefficients_are_the_plate_model_s(size: float) -> None:
    """All deviations at once, alike in every cell, against the plate itself made so."""
    study = duct()
    designs = random_designs(study, "combined", 3)
    cells = designs.layout.n_cells
    by = size * np.array([0.003, -0.0152, -0.05, 5.0, 0.1, 0.0])
    draws = Draws(*(np.full((1, cells), value) for value in by))
    made = made_chips(designs, study, draws)
    stack = []
    thickest = max(layer.thickness for layer in study.stack if not layer.patterned)
    for layer in study.stack:
        stress = layer.residual_stress
        if layer.thickness == thickest:
            stress += by[3] / layer.thickness
        stack.append(
            replace(
                layer,
                thickness=layer.thickness * (1.0 + by[1]),
                residual_stress=stress / (1.0 + by[1]) if layer.thickness == thickest else stress,
                e31f=layer.e31f * (1.0 + by[2]),
            )
        )
    exact = build_cells(
        replace(designs, radius=designs.radius * (1.0 + by[0])),
        replace(study, stack=tuple(stack)),
    )
    group = designs.layout.group_of_cell
    found = made.arrays
    pairs = {
        "stiffness": found.stiffness,
        "mass": found.mass,
        "cubic": made.cubic,
        "volume": found.volume,
        "force_per_volt": found.force_re / designs.drive_amplitude[:, None, group],
    }
    assert set(pairs) <= set(COEFFICIENTS)
    driven = designs.drive_amplitude[:, None, group] > 0.0
    for name, mine in pairs.items():
        wanted = getattr(exact, name)[:, None, group]
        if name == "force_per_volt":
            turn = np.cos(designs.drive_phase)[:, None, group]
            mine, wanted = mine[driven], (wanted * turn)[driven]
        off = np.abs(mine - wanted).max() / np.abs(wanted).max()
        # what two deviations do together is left out: their product
        assert off < 0.004 * size**2, name
    damping = exact.damping[:, None, group] / (1.0 + by[4])
    assert found.damping == pytest.approx(damping, rel=0.004 * size**2)


def test_made_chips_sweep() -> None:
    study = duct()
    designs = uniform_design(study, drive=2.0)
    draws = draw_chips(Scatter(), chips=3, position=designs.layout.unit_position, seed=study.seed)
    made = made_chips(designs, study, draws)
    f = made.nominal.natural_frequency
    sweep = chip_sweep(made.arrays, start=0.85 * f.min(), stop=1.3 * f.max(), slowness=2.0)
    assert np.isfinite(sweep.deflection).all()
    still = made_chips(
        designs, study, Draws(*(np.zeros((2, designs.layout.n_cells)) for _ in fields(Draws)))
    )
    group = designs.layout.group_of_cell
    assert np.array_equal(still.arrays.mass[:, 0], made.nominal.mass[:, group])
    assert np.array_equal(still.arrays.stiffness[:, 1], made.nominal.stiffness[:, group])


def test_several_modes_begin_with_the_driven_one() -> None:
    study = duct()
    designs = uniform_design(study, drive=1.0)
    draws = draw_chips(Scatter(), chips=2, position=designs.layout.unit_position, seed=1)
    made = made_chips(designs, study, draws, n_modes=2)
    modal, arrays = made.modal, made.arrays
    assert modal is not None
    assert np.allclose(modal.mass[..., 0], arrays.mass, rtol=1e-12)
    assert np.allclose(modal.stiffness[..., 0, 0], arrays.stiffness, rtol=1e-9)
    assert np.allclose(modal.cubic[..., 0, 0, 0, 0], made.cubic, rtol=1e-9)
    assert np.allclose(modal.damping[..., 0], arrays.damping, rtol=1e-3)
    f = float(made.nominal.natural_frequency.mean())
    weak = arrays._replace(force_re=0.02 * arrays.force_re, force_im=0.02 * arrays.force_im)
    drive = Drive(f, 10.0 / f, taper=0.5)
    one = chip_pulses(weak, quadratic=made.quadratic, cubic=made.cubic, drives=drive)
    two = chip_pulses(weak, modal=modal._replace(force=0.02 * modal.force), drives=drive)
    assert not one.status.any()
    assert not two.status.any()
    # weakly driven at the first mode's resonance, the second adds its static part
    top = np.nanmax(np.abs(one.acceleration))
    assert np.nanmax(np.abs(two.acceleration)) == pytest.approx(top, rel=0.05)
