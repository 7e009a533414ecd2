"""Why a design has no merits, or a verification no values: one flag each, with words for people."""

from __future__ import annotations

from collections.abc import Mapping
from enum import IntFlag
from typing import Any, Self

import numpy as np
from numpy.typing import ArrayLike, NDArray


class Reasons(IntFlag):
    """Flags that say what is wrong and what to try next; 0 is good."""

    sentence: str

    def __new__(cls, value: int, sentence: str = "") -> Self:
        """A flag of this value."""
        made = int.__new__(cls, value)
        made._value_ = value
        made.sentence = sentence
        return made

    @classmethod
    def sentences(cls, status: int) -> list[str]:
        """What the flags of a stored status say."""
        known = [flag for flag in cls if flag.value and status & flag.value]
        rest = status & ~sum(flag.value for flag in known)
        unknown = [f"a status of another version ({rest})"] if rest else []
        return [flag.sentence for flag in known] + unknown


class Status(Reasons):
    """Why a design has no merits; values are stored."""

    NOT_DRIVEN = 1, "no cell is driven: raise the drive amplitude's lower bound"
    OFF_GRID = (
        2,
        "the response never falls to the band's level inside the frequencies looked at: choose a "
        "level nearer to the peak, or narrow the radius bounds",
    )
    GRID_LIMIT = (
        4,
        "resonances lie too far apart for their width, or jumps are too many: narrow the radius "
        "bounds, or lower the drive",
    )
    RUNAWAY = (
        8,
        "a softening cell runs out of its well, without a bounded upper branch: lower the drive or "
        "the static bow",
    )
    NO_ONSET = (
        16,
        "a driven cell never becomes bistable, so the array has no onset voltage: allow more "
        "drive, or leave onset_voltage out of objectives and limits",
    )
    MUTUAL_OUT_OF_RANGE = (
        2 << 5,
        "the cells are too wide for the model of mutual radiation (ka): smaller cells, or lower "
        "frequency",
    )
    CELLS_OVERLAP = 4 << 5, "neighbouring cells overlap: raise the pitch, or lower the radius"
    BUCKLED = (
        1 << 8,
        "film stress or bias leaves the flat state unstable: lower the compressive stress",
    )
    NOT_CONVERGED = (
        2 << 8,
        "the static deflection was not found, the bias is far outside the plate model's range: "
        "lower the bias",
    )
    OUT_OF_RANGE = (
        4 << 8,
        "the electrode covers less than 2 % of the radius, or ka at resonance is above 4: more "
        "coverage, smaller cells or lower frequency",
    )
    STRONGLY_QUADRATIC = (
        8 << 8,
        "the static bow is too large for one effective cubic: lower the bias or the film's moments",
    )
    CAVITY = (
        16 << 8,
        "the necked back leaves its lumped model (k times depth, neck length or radius above 0.5, "
        "ka above 1, or not adiabatic): a smaller cavity or neck",
    )
    OUTRACED = (
        1 << 32,
        "its onset voltage is higher than that of designs that are no worse in anything else; how "
        "much was not computed",
    )
    CHIP_BEATS = (
        1 << 13,
        "the chip never settles somewhere on the sweep, its motion beats: values there are means "
        "over the beat; lower the drive, or move radii apart",
    )
    BURST_OFF_GRID = (
        2 << 24,
        "the response to bursts never falls to the band's level: longer bursts, or a level nearer "
        "to the peak",
    )
    BURST_GRID_LIMIT = (
        4 << 24,
        "the response to bursts jumps too often, or over too wide a range: lower the drive, or "
        "narrow the radius bounds",
    )
    BURST_RUNAWAY = 8 << 24, "in a burst a softening cell runs out of its well: lower the drive"
    STILL_RINGING = (
        1 << 28,
        "not quiet after many times the linear decay, cells nearly cancel while they are driven: "
        "bring drive phases or radii closer together",
    )
    PULSE_RUNAWAY = 2 << 28, "in the pulse a softening cell runs out of its well: lower the drive"
    NO_CARRIER = (
        4 << 28,
        "no band, and so no carrier for a pulse: see the band's own reason",
    )
    NO_SPECTRUM = (
        8 << 28,
        "the pulse's spectrum has no -6 dB band between half and one and a half times the carrier: "
        "a longer pulse",
    )
    NO_ECHO = (
        1 << 33,
        "the echo is lost in the air before it arrives: a nearer target, or a lower frequency",
    )


class VerifyStatus(Reasons):
    """What verified chips say against a design; values are stored."""

    FEW_VALUES = (
        1,
        "fewer chips than the study's share have values: evaluate the design to see why",
    )
    LIMIT = (
        2,
        "a limit is kept by fewer chips than the study's share: choose a design with more margin, "
        "or tighten the limit in the search",
    )
    LOST = (
        4,
        "an objective falls short of what the search promised by more than the study's tolerance: "
        "search with more chips, or choose a design that holds",
    )
    BEATS = (
        8,
        "more chips than the study's share allows never settle somewhere on the sweep: lower the "
        "drive, or move radii apart",
    )


def translated(status: ArrayLike, words: Mapping[Any, int]) -> NDArray[np.int64]:
    """Flags of a part's own status, any shape, as those that ``words`` says."""
    given = np.asarray(status, dtype=np.int64)
    out = np.zeros(given.shape, dtype=np.int64)
    for mine, other in words.items():
        out |= np.where(given & int(mine), int(other), 0)
    return out


BESIDE = {
    Status.NOT_DRIVEN: Status.NOT_DRIVEN,
    Status.OFF_GRID: Status.BURST_OFF_GRID,
    Status.GRID_LIMIT: Status.BURST_GRID_LIMIT,
    Status.RUNAWAY: Status.BURST_RUNAWAY,
}
"""What a band that stands beside that of the excitation lacks."""


def trouble(design: Mapping[Any, Any]) -> list[str]:
    """What is wrong with one stored design and with its verification, in sentences."""
    told = []
    for name, kind, word in (
        ("status", Status, "No merits"),
        ("verify_status", VerifyStatus, "Verified"),
    ):
        stored = int(design[name]) if name in design else 0
        if stored > 0:  # -1: was not asked for
            told += [f"{word}: {sentence}." for sentence in kind.sentences(stored)]
    return told
