"""What the model can be asked for: the one place that refuses, and says why."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from arrayopt.study.model import Target

SWEEPS = frozenset({"up-sweep", "down-sweep"})
BURST, CHIRP = frozenset({"burst"}), frozenset({"chirp"})

SUPPORTED: Mapping[str, frozenset[str]] = {
    "vented": SWEEPS | BURST | CHIRP,
    "sealed": SWEEPS | BURST | CHIRP,
    "necked": SWEEPS,
}
"""Back -> excitations that are computed."""

EXCITATION_KEYS = {"burst": "burst_length", "chirp": "chirp"}
"""Key of ``[target]`` that an excitation needs."""
BESIDE = ("burst",)
"""Excitations that may stand beside another, where their key is given."""
CALIBRATED = frozenset({"vented", "sealed"})
"""Backs of cells that measurements can be fitted to: with necks they have two resonances."""

BACK_KEYS: Mapping[str, Sequence[str]] = {
    "vented": (),
    "sealed": ("cavity_depth",),
    "necked": ("cavity_depth", "neck_radius", "neck_length", "neck_count"),
}
"""Keys that belong to each back; those without a default are needed."""


def excitations(target: Target) -> dict[str, str]:
    """What a study drives its arrays with, and the key of ``[target]`` that says so."""
    beside = {name: EXCITATION_KEYS[name] for name in BESIDE}
    given = {name: key for name, key in beside.items() if getattr(target, key) is not None}
    return {**given, target.excitation: "excitation"}


def refused(target: Target, back: str) -> Iterator[tuple[str, str]]:
    """Keys of ``[target]`` that there is no answer to, and why."""
    known = SUPPORTED[back]
    for excitation, key in excitations(target).items():
        if excitation not in known:
            backs = [f'"{of}"' for of, can in SUPPORTED.items() if excitation in can]
            need = f'cells with back = "{back}" are computed under {", ".join(sorted(known))}'
            yield key, f"{need} only; a {excitation} goes with back = {' or '.join(backs)}"
