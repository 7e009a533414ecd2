"""Whether runs may be compared: what must be equal, what is told, and which belong together."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from arrayopt.base.errors import ResultsError
from arrayopt.base.glossary import shown, words
from arrayopt.results.read import Reading
from arrayopt.study.model import Objective, Strategy, Study
from arrayopt.study.read import read_study_text


@dataclass(frozen=True)
class Entry:
    """One strategy of one run, under the label that strategies alike in all runs share."""

    label: str
    strategy: str
    reading: Reading


def _die(study: Study) -> tuple[Any, ...]:
    chip = study.chip
    return chip.lattice, chip.die, chip.clearance, chip.edge_margin


# What must be equal for two searches to answer the same question, by the words for it.
_EQUAL: tuple[tuple[str, Callable[[Study], Any]], ...] = (
    ("die, clearance or edge margin ([array])", _die),
    ("layer stack ([[stack]])", lambda s: s.stack),
    ("air ([air])", lambda s: s.air),
    ("target ([target])", lambda s: s.target),
    ("cell settings ([cell])", lambda s: s.cell),
    ("drive limits ([drive])", lambda s: s.drive),
    ("model ([model])", lambda s: s.model),
    ("making ([fabrication])", lambda s: s.fabrication),
)


def check_footing(readings: Sequence[Reading], *, anyway: bool = False) -> Iterator[str]:
    """Notes on how equal the conditions are, a sentence each.

    Parameters
    ----------
    readings : at least one.
    anyway : tell of unequal conditions instead of refusing.

    Raises
    ------
    ResultsError
        Objectives, reference point or scales differ; or, unless ``anyway``, what the searches were
        given differs.
    """
    first = readings[0]
    for other in readings[1:]:
        _same_objectives(first, other)
        differ = _differences(first, other)
        if differ and not anyway:
            raise ResultsError(
                f"{first.path} and {other.path} are not on equal footing; they differ in: "
                f"{'; '.join(differ)}. Compare runs of one study, or add --anyway to see the "
                "figures with a warning."
            )
        if _state(first) != _state(other):
            yield (
                f"{first.path} and {other.path} are two states of one study: {_told_state(first)} "
                f"and {_told_state(other)}. Their strategies stand side by side, not as seeds."
            )
        for part in differ:
            yield f"Not on equal footing: {first.path} and {other.path} differ in {part}."
        if other.versions != first.versions:
            yield (
                f"{first.path} and {other.path} were made with different versions "
                f"({_versions(first, other)}); small differences may come from that."
            )
    for reading in readings:
        for note in reading.notes:
            yield f"{reading.path}: {note}"
    yield from _limits(readings)


def _same_objectives(first: Reading, other: Reading) -> None:
    if not first.objectives or not other.objectives:
        return
    a, b = (_told(r.objectives) for r in (first, other))
    if a != b:
        raise ResultsError(
            f"{first.path} and {other.path} cannot be compared: their objectives, reference points "
            f"or scales differ ({a} against {b}), so hypervolumes have no common meaning"
        )


def _told(objectives: Sequence[Objective]) -> str:
    return ", ".join(
        f"{o.sense} {o.name} from {shown(o.name, o.reference)} by {shown(o.name, o.scale)}"
        for o in objectives
    )


def _differences(first: Reading, other: Reading) -> list[str]:
    if first.digest == other.digest:
        return []
    if first.study is None or other.study is None:
        return ["the study, of which one can no longer be read"]
    a, b = first.study, other.study
    if _state(first) != _state(other):  # what was measured is no other question
        a, b = (read_study_text(study.text, calibrated=False) for study in (a, b))
    return [words for words, part in _EQUAL if part(a) != part(b)]


def _state(reading: Reading) -> str:
    """Which calibration is in force."""
    calibration = None if reading.study is None else reading.study.calibration
    return "" if calibration is None else calibration.digest


def _told_state(reading: Reading) -> str:
    return "calibrated" if _state(reading) else "as designed"


def _versions(first: Reading, other: Reading) -> str:
    names = sorted(set(first.versions) | set(other.versions))
    return ", ".join(
        f"{n} {first.versions.get(n, 'none')} and {other.versions.get(n, 'none')}"
        for n in names
        if first.versions.get(n) != other.versions.get(n)
    )


def _limits(readings: Sequence[Reading]) -> Iterator[str]:
    """Tell which limits only some strategies must keep: they belong to what a strategy is."""
    said: dict[str, list[str]] = {}
    everyone: set[str] = set()
    for reading in readings:
        for strategy in reading.study.strategies if reading.study else ():
            everyone.add(strategy.name)
            for limit in strategy.limits:
                low, high = (
                    "" if end is None else f" at {word} {shown(limit.name, end)}"
                    for word, end in (("least", limit.minimum), ("most", limit.maximum))
                )
                text = f"{words(limit.name)}{low}{high}"
                if strategy.name not in said.setdefault(text, []):
                    said[text].append(strategy.name)
    for text, names in said.items():
        if len(names) < len(everyone):
            yield f"A limit of {' and '.join(names)} alone, as part of what it is: {text}."


def entries(readings: Sequence[Reading]) -> list[Entry]:
    """All strategies of all runs, the same strategy of several seeds under one label.

    Raises
    ------
    ResultsError
        Two runs have the same study and seed: the same search would be counted twice.
    """
    seen: dict[tuple[str, int], Reading] = {}
    for reading in readings:
        key = (reading.digest, reading.seed)
        if key in seen:
            raise ResultsError(
                f"{seen[key].path} and {reading.path} are the same study with the same seed "
                f"{reading.seed}; a copy says nothing about chance, so give one of them"
            )
        seen[key] = reading
    found: list[Entry] = []
    kinds: dict[str, list[tuple[Any, str]]] = {}
    for reading in readings:
        for name in reading.evaluations:
            kind = _kind(reading, name)
            known = kinds.setdefault(name, [])
            label = next((text for other, text in known if other == kind), None)
            if label is None:
                label = name if not known else f"{name} ({reading.path.name})"
                known.append((kind, label))
            found.append(Entry(label, name, reading))
    return found


def _kind(reading: Reading, name: str) -> Any:
    if reading.study is None:
        return reading.digest
    return strategy_key(reading.study.strategy(name)), _state(reading)


def strategy_key(strategy: Strategy) -> Any:
    """What makes two strategies the same whatever study file they stand in."""
    layout = strategy.layout
    arrays = (layout.unit_position, layout.class_of_cell, layout.channel_of_cell)
    return (
        tuple(np.asarray(a).tobytes() for a in arrays),
        tuple(sorted(strategy.fixed.items())),
        tuple(strategy.vary.items()),
        strategy.limits,
        strategy.waveform,
    )
