"""What the model can be asked for: the one place that refuses, and says why."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from arrayopt.study.model import Target

SWEEPS = frozenset({"up-sweep", "down-sweep"})
PULSES = frozenset({"burst", "chirp", "waveform"})

SUPPORTED: Mapping[str, frozenset[str]] = {
    "vented": SWEEPS | PULSES,
    "sealed": SWEEPS | PULSES,
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


def refused(target: Target, back: str, waveform: bool) -> Iterator[tuple[tuple[str, ...], str]]:
    """Keys that there is no answer to, and why: of ``[target]``, and a ``[waveform]``."""
    known = SUPPORTED[back]
    asked: dict[str, tuple[str, ...]]
    asked = {name: ("target", key) for name, key in excitations(target).items()}
    if waveform:
        asked.setdefault("waveform", ("waveform",))
    for excitation, path in asked.items():
        if excitation not in known:
            backs = [f'"{of}"' for of, can in SUPPORTED.items() if excitation in can]
            if path == ("waveform",):
                needed = " or ".join(backs)
                yield path, f'needs back = {needed}; there are cells with back = "{back}"'
                continue
            need = f'cells with back = "{back}" are computed under {", ".join(sorted(known))}'
            yield path, f"{need} only; a {excitation} goes with back = {' or '.join(backs)}"
