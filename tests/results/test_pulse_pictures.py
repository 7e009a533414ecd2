"""The pulse of a design as it is drawn: what is stored, with units, on one time axis."""

from __future__ import annotations

from functools import lru_cache

import numpy as np
import xarray as xr

from arrayopt.base.glossary import quantity
from arrayopt.design.designs import DesignSpace
from arrayopt.merits.curves import FLOOR
from arrayopt.merits.evaluate import evaluate
from arrayopt.models.chips import Chips
from arrayopt.results.plots.file import MARK, draw_design
from arrayopt.results.plots.pictures import plot_pulse
from arrayopt.results.tables import group_rows
from tests.support.chain import sending


@lru_cache(maxsize=1)
def evaluated() -> xr.Dataset:
    study = sending()
    strategy = study.strategy("combined")
    space = DesignSpace(study, strategy)
    designs = space.decode(np.random.default_rng(2).random((1, space.n_variables)))
    found = evaluate(designs, study, strategy, chips=3).isel(design=0)
    found.attrs["trace"] = np.abs(Chips(designs, study, 3).sent.of(0)).max(axis=1)
    return found


def test_curves_are_those_of_the_chips() -> None:
    design = evaluated()
    top = design.attrs["trace"]
    assert np.isclose(design["pulse_envelope_highest"].max(), top.max(), rtol=0.02)
    low, middle, high = (
        np.asarray(design[f"pulse_envelope{end}"]) for end in ("_lowest", "", "_highest")
    )
    assert (low <= middle).all()
    assert (middle <= high).all()
    assert float(design["compressed_pulse"].max()) == 0.0
    at = np.asarray(design["compressed_time"])
    width = float(np.median(design["compressed_width_chips"]))
    below = at[np.asarray(design["compressed_pulse"]) < -6.02]
    found = below[below > 0.0].min() - below[below < 0.0].max()
    assert np.isclose(found, width, rtol=0.05, atol=3.0 * (at[1] - at[0]))
    volts = np.abs(design["pulse_drive"]).max()
    assert 0.9 * design["drive_amplitude"].max() < volts <= design["drive_amplitude"].max()
    assert float(design["pulse_spectrum"].max()) == 0.0
    assert float(design["pulse_spectrum_lowest"].min()) >= FLOOR


def test_the_picture_has_units_and_the_band_of_chips() -> None:
    design = evaluated()
    drive, sound, tones, narrow = plot_pulse(design)
    assert drive.get_xlabel() == sound.get_xlabel() == "time (µs)"
    assert drive.get_ylabel() == "drive of the channel driven most (V)"
    assert sound.get_ylabel() == "pressure at target (Pa)"
    assert tones.get_xlabel() == "frequency (kHz)"
    assert narrow.get_ylabel() == "compressed pulse (dB)"
    lines = {line.get_label(): line for line in sound.get_lines()}
    assert set(lines) == {"as drawn", "without tail", "median chip"}
    np.testing.assert_array_equal(lines["median chip"].get_ydata(), design["pulse_envelope"])
    for ax in (sound, tones, narrow):
        assert len(ax.collections) == 1
    assert quantity("pulse_time").shown == "us"


def test_files_carry_their_mark_and_do_not_change() -> None:
    design = evaluated()
    one = draw_design(design, form="svg", title="a design")
    assert one == draw_design(design, form="svg", title="a design")
    for content in (one, draw_design(design, form="png", title="a design")):
        assert MARK.encode() in content
    plain = design.drop_vars([n for n in design if str(n).startswith("pulse_envelope")])
    assert draw_design(plain, form="png", title="its response") != draw_design(
        design, form="png", title="its response"
    )


def test_tables_of_groups_show_the_waveform() -> None:
    head = group_rows(evaluated())[0]
    assert {"pulse carrier [kHz]", "tail amplitude [%]"} <= set(head)
