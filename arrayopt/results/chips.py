"""What the chips of one design do, as tables and sentences for reading in a terminal."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from arrayopt.base.glossary import heading, quantity, shown_number, words
from arrayopt.base.status import Status
from arrayopt.merits.chips import checked_limits, senses
from arrayopt.results.tables import text_table

if TYPE_CHECKING:
    from arrayopt.merits.chips import ChipMerits
    from arrayopt.study.model import Limit, Strategy, Study

BRIEF = ("fractional_bandwidth", "centre_frequency", "peak_level", "ripple", "deflection_ratio")
"""Merits that are shown of every study, beside its objectives."""


def chip_report(
    made: ChipMerits, nominal: Mapping[Any, Any], study: Study, strategy: Strategy
) -> str:
    """Chips of one design (the first of ``made``) beside the search's model of it.

    Parameters
    ----------
    made : ChipMerits
    nominal : stored values of the design (a dataset without the design axis).
    study, strategy : give objectives, limits, and the share of chips that must reach a figure.
    """
    share, count = study.fabrication.share, made.status.shape[1]
    text = [_figures(made, nominal, study), "", *_sentences(made, study)]
    known, others = checked_limits(study, strategy)
    kept = [made.keeps(limit)[0] for limit in known]
    rows = [["limit", "chips that keep it", ""]]
    for limit, mine in zip(known, kept, strict=True):
        rows.append([_limit(limit), f"{mine.sum()} of {count}", _verdict(mine.mean(), share)])
    every = np.logical_and.reduce(kept)
    rows.append(["all of these", f"{every.sum()} of {count}", _verdict(every.mean(), share)])
    text += ["", text_table(rows)]
    if others:
        named = ", ".join(dict.fromkeys(words(limit.name) for limit in others))
        text.append(f"Of the design only, not computed on chips: {named}.")
    return "\n".join(text)


def _figures(made: ChipMerits, nominal: Mapping[Any, Any], study: Study) -> str:
    share, wanted = study.fabrication.share, senses(study)
    objectives = [o.name for o in study.objectives if o.name in wanted]
    reach = f"{100.0 * share:.4g} % of chips reach"
    rows = [["merit", "search's model", "lowest chip", "median", "highest", reach]]
    for name in dict.fromkeys([*BRIEF, *objectives]):
        spread = [shown_number(name, float(x[0])) for x in made.spread(name)]
        sense = wanted[name]
        if sense is not None:
            at = shown_number(name, float(made.reached(name, sense, share)[0]))
            reached = f"at {'least' if sense == 'max' else 'most'} {at}"
        else:  # as many chips lie below as above
            both = (made.reached(name, way, 0.5 + 0.5 * share)[0] for way in ("max", "min"))
            reached = " to ".join(shown_number(name, float(x)) for x in both)
        rows.append([heading(name), shown_number(name, float(nominal[name])), *spread, reached])
    return text_table(rows)


def _sentences(made: ChipMerits, study: Study) -> list[str]:
    """Which chips have no values or no rest, and what was computed."""
    count = made.status.shape[1]
    text = [
        f"{count} chips made with the study's scatter, every cell apart, one mode a cell, with "
        f"mutual radiation, on the {study.target.sweep}."
    ]
    beats, lost = int(made.flagged(Status.CHIP_BEATS)[0]), int(made.lost[0])
    if beats:
        text.append(f"{beats} of {count}: {Status.CHIP_BEATS.sentence}.")
    if lost:
        flags = int(np.bitwise_or.reduce(made.status[0])) & ~int(Status.CHIP_BEATS)
        text.append(f"{lost} of {count} have no values and count as reaching and keeping nothing:")
        text += [f"  {sentence}." for sentence in Status.sentences(flags)]
    return text


def _limit(limit: Limit) -> str:
    ends = ((limit.minimum, "at least"), (limit.maximum, "at most"))
    parts = [f"{word} {shown_number(limit.name, x)}" for x, word in ends if x is not None]
    return " ".join([words(limit.name), " and ".join(parts), quantity(limit.name).shown]).strip()


def _verdict(part: float, share: float) -> str:
    wanted = f"{100.0 * share:.4g} %"
    return f"at least {wanted}: kept" if part >= share - 1e-9 else f"fewer than {wanted}: broken"
