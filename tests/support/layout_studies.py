"""Invented designs for the layout tests: lattices, groupings and electrodes."""

from __future__ import annotations

import numpy as np

from arrayopt.design.designs import Designs, DesignSpace
from arrayopt.study.model import Strategy, Study
from arrayopt.study.read import read_study_text

TEMPLATE = """
format = 1
title = "Layout test"

[[stack]]
material = "Si"
thickness = "5 um"

[[stack]]
material = "Mo"
thickness = "0.2 um"
role = "bottom-electrode"

[[stack]]
material = "ScAlN-20"
thickness = "1 um"
active = true

[[stack]]
material = "Al"
thickness = "0.2 um"
patterned = true

[cell]
quality_factor = 90

[array]
{array}
clearance = "40 um"
edge_margin = "300 um"
die = ["{die}", "{die}"]
classes = {{ scheme = "{classes}" }}
channels = {{ scheme = "{channels}"{count} }}

[drive]
amplitude_limit = "20 V"

[fixed]
amplitude = "5 V"
electrode = "{electrode}"
electrode_coverage = 0.6

[vary]
radius = ["400 um", "450 um"]

[target]
centre_frequency = ["80 kHz", "130 kHz"]
"""


def make(
    *,
    lattice: str = "square",
    rows: int = 4,
    columns: int = 3,
    pitch: str = "1 mm",
    die: str = "6 mm",
    classes: str = "one",
    channels: str = "one",
    count: int | None = None,
    electrode: str = "disc",
    positions: str | None = None,
) -> tuple[Study, Strategy, Designs]:
    """A study, its strategy and one design whose radii differ by class."""
    array = f'lattice = "{lattice}"\n'
    array += (
        f"positions = {positions}"
        if positions is not None
        else f'rows = {rows}\ncolumns = {columns}\npitch = "{pitch}"'
    )
    text = TEMPLATE.format(
        array=array,
        die=die,
        classes=classes,
        channels=channels,
        count="" if count is None else f", count = {count}",
        electrode=electrode,
    )
    study = read_study_text(text)
    strategy = study.strategies[0]
    space = DesignSpace(study, strategy)
    vector = np.linspace(0.0, 1.0, space.n_variables)[None]
    return study, strategy, space.decode(vector)
