"""What each model can be asked for: the one place that refuses, and says why."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from arrayopt.study.model import ModelSettings, Study, Target

SWEEPS = frozenset({"up-sweep", "down-sweep"})
BURST, CHIRP = frozenset({"burst"}), frozenset({"chirp"})

ONE_MODE, COUPLED, SEVERAL_MODES, BOTH = "one-mode", "coupled", "several-modes", "both"

SUPPORTED: Mapping[tuple[str, str], frozenset[str]] = {
    (ONE_MODE, "vented"): SWEEPS | BURST | CHIRP,
    (ONE_MODE, "sealed"): SWEEPS | BURST | CHIRP,
    (ONE_MODE, "necked"): SWEEPS,
    (COUPLED, "vented"): SWEEPS | BURST,
    (COUPLED, "sealed"): SWEEPS | BURST,
    (COUPLED, "necked"): SWEEPS,
    (SEVERAL_MODES, "vented"): SWEEPS | BURST,
    (SEVERAL_MODES, "sealed"): SWEEPS | BURST,
    (SEVERAL_MODES, "necked"): SWEEPS,
    (BOTH, "vented"): SWEEPS,
    (BOTH, "sealed"): SWEEPS,
    (BOTH, "necked"): SWEEPS,
}
"""(model, back) -> excitations that it computes."""

EXCITATION_KEYS = {"burst": "burst_length", "chirp": "chirp"}
"""Key of ``[target]`` that an excitation needs."""
BESIDE = ("burst",)
"""Excitations that may stand beside another, where their key is given."""
CALIBRATED = frozenset({"vented", "sealed"})
"""Backs of cells that measurements can be fitted to: with necks they have two resonances."""

WORDS = {
    ONE_MODE: "one mode",
    COUPLED: "one mode with mutual radiation",
    SEVERAL_MODES: "several modes",
    BOTH: "several modes with mutual radiation",
}
CHIPS: Mapping[str, frozenset[str]] = dict.fromkeys(("vented", "sealed", "necked"), SWEEPS)
"""Back -> excitations under which chips as made are computed."""

BACK_KEYS: Mapping[str, Sequence[str]] = {
    "vented": (),
    "sealed": ("cavity_depth",),
    "necked": ("cavity_depth", "neck_radius", "neck_length", "neck_count"),
}
"""Keys that belong to each back; those without a default are needed."""


def model_name(model: ModelSettings) -> str:
    """Which model a study asks for."""
    several, mutual = model.kind == "multi-mode", model.mutual_radiation != "none"
    if several:
        return BOTH if mutual else SEVERAL_MODES
    return COUPLED if mutual else ONE_MODE


def excitations(target: Target) -> dict[str, str]:
    """What a study drives its arrays with, and the key of ``[target]`` that says so."""
    beside = {name: EXCITATION_KEYS[name] for name in BESIDE}
    given = {name: key for name, key in beside.items() if getattr(target, key) is not None}
    return {**given, target.excitation: "excitation"}


def escalates(study: Study) -> bool:
    """Whether designs past one mode's range are computed again with several modes."""
    same = study.target.excitation in SUPPORTED[BOTH, study.cell.back]
    return study.model.escalate and study.cell.mode == 1 and same


def refused(model: ModelSettings, target: Target, back: str) -> Iterator[tuple[str, str]]:
    """Keys of ``[target]`` that the study's model has no answer to, and why."""
    name = model_name(model)
    known = SUPPORTED[name, back]
    for excitation, key in excitations(target).items():
        if excitation not in known:
            need = f'{WORDS[name]} (back = "{back}") is computed under {", ".join(sorted(known))}'
            need += f" only; a {excitation} goes with " + _others(excitation, back)
            yield key, need


def chips_refused(study: Study) -> str | None:
    """Why the study's chips as made are not computed; None where they are."""
    excitation, known = study.target.excitation, CHIPS[study.cell.back]
    if excitation in known:
        return None
    return (
        f'target.excitation is "{excitation}"; chips as made are computed under '
        f"{', '.join(sorted(known))} only"
    )


def _others(excitation: str, back: str) -> str:
    """What can be had in place of it."""
    models = [
        WORDS[name] for (name, of), can in SUPPORTED.items() if of == back and excitation in can
    ]
    if models:
        return " or ".join(models)
    backs = [of for (_, of), can in SUPPORTED.items() if excitation in can]
    return "back = " + " or ".join(f'"{of}"' for of in dict.fromkeys(backs))
