"""Which limits keep designs from being feasible, in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from arrayopt.base.arrays import Floats
from arrayopt.base.glossary import shown, words
from arrayopt.study.model import Chip, Limit

MOST = 4
"""Limits that are told."""


@dataclass(frozen=True)
class Bound:
    """A limit as the search sees it: by how much it is broken, over ``scale``, kept where <= 0.

    ``name`` is the limited quantity's in the glossary, ``text`` says the limit.
    """

    name: str
    text: str
    scale: float


def bounds_of(limits: Sequence[Limit], chip: Chip) -> list[Bound]:
    """Of a strategy: clearance, die, and every limit in order."""
    out = [
        Bound("clearance_margin", "clearance", max(chip.clearance, 1e-6)),
        Bound("die_margin", "room on the die", min(chip.die)),
    ]
    for limit in limits:
        ends = ((limit.minimum, "at least"), (limit.maximum, "at most"))
        told = [f"{word} {shown(limit.name, end)}" for end, word in ends if end is not None]
        scale = max((abs(end) for end, _ in ends if end is not None), default=1.0) or 1.0
        out.append(Bound(limit.name, f"{words(limit.name)} {' and '.join(told)}", scale))
    return out


def always(G: Floats, bounds: Sequence[Bound]) -> list[str]:
    """The limits that every design (design, bound) with a value breaks, in words."""
    asked = np.isfinite(G)
    kept = np.atleast_1d((asked & (G <= 0.0)).any(axis=0) | ~asked.any(axis=0))
    return [bound.text for k, bound in enumerate(bounds) if not kept[k]]


def binding(G: Floats, bounds: Sequence[Bound], *, first: int = 0) -> list[str]:
    """The limits broken most often, a sentence each: by how many designs, and how near they came.

    ``G`` (design, bound), NaN where a design has no values, or breaks others that are looked at
    first; no bound at all where none has values. ``first`` is the first one's number.
    """
    told = []
    if G.shape[1] < len(bounds):
        G = np.full((len(G), len(bounds)), np.nan)
    nothing = np.asarray(~(np.isfinite(G).all(axis=1) | (G > 0.0).any(axis=1)))
    if nothing.any():
        told.append(f"{nothing.mean():.0%} of designs have no values at all")
    asked = np.isfinite(G)
    known = np.where(asked, G, np.inf)
    broken = (np.where(asked, G > 0.0, nothing[:, None])).sum(axis=0)
    broken = broken / np.maximum((asked | nothing[:, None]).sum(axis=0), 1)
    for k in np.argsort(-broken, kind="stable")[:MOST]:
        if broken[k] == 0.0:
            break
        of = "designs" if (asked[:, k] | nothing).all() else "designs that keep the others"
        text = f"{bounds[k].text}: broken by {broken[k]:.0%} of {of}"
        nearest = int(np.argmin(known[:, k]))
        if broken[k] == 1.0 and np.isfinite(known[nearest, k]):
            off = shown(bounds[k].name, bounds[k].scale * float(known[nearest, k]))
            text += f"; design {first + nearest} comes nearest, off by {off.partition(' re ')[0]}"
        told.append(text)
    return told
