"""Merits of designs as their chips have them: what a share reaches, which limits it keeps (M11)."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from arrayopt.base.arrays import Bools, Floats, Ints
from arrayopt.base.glossary import KEPT_PREFIX, MARGIN_PREFIX, quantity
from arrayopt.base.shares import at_share, reached, spread
from arrayopt.base.status import Status
from arrayopt.design.designs import Designs, clearance_margin, die_margin
from arrayopt.merits.figures import MERITS, QUICK, Asked
from arrayopt.models.array import Band
from arrayopt.models.chips import Chips
from arrayopt.study.model import Limit, Objective, Strategy, Study

MODEL_LIMITS = (Limit("model_range", None, 1.0),)
"""Where the model used stops being trusted (M7); always enforced."""


Race = Callable[[Mapping[str, Floats]], Floats]
"""Merits (design,) so far -> onset voltages (design,) [V] beyond which a design does not matter."""

WANTED: Mapping[str, str | None] = {
    **dict.fromkeys(MERITS, "min"),
    **dict.fromkeys(
        (
            "fractional_bandwidth",
            "small_signal_bandwidth",
            "two_way_bandwidth",
            "swept_bandwidth",
            "burst_bandwidth",
            "pulse_bandwidth",
            "pulse_spectrum_bandwidth",
            "peak_pressure",
            "peak_level",
            "pulse_level",
            "pulse_energy",
            "echo_voltage",
            "signal_to_noise",
            "maximum_range",
        ),
        "max",
    ),
    "centre_frequency": None,
    "drive_to_onset": None,
    "beam_width": None,
}
"""Which direction of a merit is better where the study does not say; None: the median counts."""


@dataclass(frozen=True)
class MeritTable:
    """Merits of a batch of designs and of their chips.

    Parameters
    ----------
    values : name -> (design,): what the study's share of chips reaches; the median where no
        direction is better. As stored; NaN where too few chips have one.
    chips : name -> (design, chip); NaN where a chip has none.
    chip_status : (design, chip) `Status`; chips with `Status.CHIP_BEATS` alone keep their values.
    broken : (limit, design): by how much the study's share of chips breaks each limit at most, in
        its unit; negative where it keeps it.
    kept : (limit, design, chip): whether a chip keeps a limit.
    limits : what ``broken`` and ``kept`` are about.
    band_lower, band_upper : (design,) [Hz], medians.
    clearance_margin, die_margin : (design,) [m]; negative is a violation. Never NaN.
    status : (design,): 0, or what is wrong with chips where too few have values.
    """

    values: Mapping[str, Floats]
    chips: Mapping[str, Floats]
    chip_status: Ints
    broken: Floats
    kept: Bools
    limits: Sequence[Limit]
    band_lower: Floats
    band_upper: Floats
    clearance_margin: Floats
    die_margin: Floats
    status: Ints

    @property
    def lost(self) -> Ints:
        """Chips of each design without values, (design,)."""
        return np.asarray((self.chip_status & ~int(Status.CHIP_BEATS) != 0).sum(axis=1))

    @property
    def beating(self) -> Ints:
        """Chips of each design whose motion beats somewhere, (design,)."""
        return np.asarray((self.chip_status & int(Status.CHIP_BEATS) != 0).sum(axis=1))

    def spread(self, name: str) -> tuple[Floats, Floats, Floats]:
        """Lowest, median and highest of the chips that have a value, each (design,)."""
        return spread(self.chips[name])


def limits_in_force(study: Study, strategy: Strategy) -> tuple[Limit, ...]:
    """The strategy's limits, the wanted window, the driver's limits, and the model's own range."""
    low, high = study.target.centre_frequency
    wave = strategy.waveform
    most: dict[str, float | None] = {}
    if wave is not None:
        most = {"drive_voltage": wave.max_voltage, "drive_slew": wave.max_slew}
    own = (Limit(name, None, value) for name, value in most.items() if value is not None)
    return (Limit("centre_frequency", low, high), *strategy.limits, *own, *MODEL_LIMITS)


def senses(study: Study) -> dict[str, str | None]:
    """Which direction of every merit is better: as the objectives say, or as usual."""
    return {**WANTED, **{o.name: o.sense for o in study.objectives if o.name in WANTED}}


def compute_merits(
    model: Chips,
    *,
    limits: Sequence[Limit] = (),
    wanted: frozenset[str] | None = None,
    sparing: bool = False,
    race: Race | None = None,
) -> MeritTable:
    """Merits of a batch of designs under the study's excitation, on chips as made (M10, M11).

    Parameters
    ----------
    model : the chips; the study's ``fabrication`` gives the share that a figure is reached by.
    limits : checked on every chip.
    wanted : names of merits beyond `QUICK` that are needed; None for every one.
    sparing : merits beyond `QUICK`, which cost more than all else, only of designs that keep every
        limit on the others; of the rest they, the yield and their limits are NaN.
    race : with ``sparing``: of what is known of designs, the highest onset voltages (design,) that
        are of interest; one that is higher has status `Status.OUTRACED`.

    Returns
    -------
    MeritTable
        Independent of how designs are divided into batches.
    """
    designs, study, count = model.designs, model.study, model.count
    names = frozenset(MERITS) if wanted is None else QUICK | wanted
    names |= {limit.name for limit in limits} & set(MERITS)
    share, better = study.fabrication.share, senses(study)
    known, went = np.ones(len(designs), dtype=bool), names & QUICK if sparing else names
    found, status, edges, bands = _asked(model, went)
    if went != names:
        firm = [limit for limit in limits if limit.name in went]
        few = (status & ~int(Status.CHIP_BEATS) == 0).sum(axis=1) <= at_share(share, count)
        known = ~few & (_limits(found, status.shape, firm, share)[1] <= 0.0).all(axis=0)
        for name in sorted(names - went):
            found[name] = np.full(status.shape, np.nan)
        if known.any():
            rows = np.flatnonzero(known)
            taken = [band.map(lambda _, x: x[rows]) for band in bands]
            most = None
            if race is not None:
                so_far = {name: reached(x[rows], better[name], share) for name, x in found.items()}
                most = race(so_far)
            more, told, _, _ = _asked(model.take(rows), names - went, taken, most)
            status[rows] |= told
            for name, value in more.items():
                found[name][rows] = value
    if "onset_voltage" in found:
        none = np.isinf(found["onset_voltage"])  # not asked for: NaN
        status = status | np.where(none, int(Status.NO_ONSET), 0)
    lost = status & ~int(Status.CHIP_BEATS) != 0
    each = {name: np.where(lost, np.nan, x) for name, x in found.items()}
    too_few = (~lost).sum(axis=1) <= at_share(share, count)
    whole = np.where(
        too_few, np.bitwise_or.reduce(status, axis=1) & ~int(Status.CHIP_BEATS), 0
    ).astype(np.int64)
    values = {name: reached(x, better[name], share) for name, x in each.items()}
    kept, broken = _limits(each, status.shape, limits, share)
    yields = ~lost & _within(each, values, study.objectives, study.fabrication.part)
    yields &= kept.all(axis=0)
    values["yield"] = np.where(known, yields.mean(axis=1), np.nan)
    for name, value in values.items():
        values[name] = np.where(too_few, np.nan, value)
    for k, limit in enumerate(limits):
        if limit.name == "yield":
            kept[k], broken[k] = _kept(limit, values["yield"][:, None])
    lower, upper = (spread(np.where(lost, np.nan, edge))[1] for edge in edges)
    return MeritTable(
        values=values,
        chips=each,
        chip_status=status,
        broken=broken,
        kept=kept,
        limits=limits,
        band_lower=np.where(too_few, np.nan, lower),
        band_upper=np.where(too_few, np.nan, upper),
        clearance_margin=clearance_margin(designs, study),
        die_margin=die_margin(designs, study),
        status=whole,
    )


def _asked(
    model: Chips,
    names: frozenset[str],
    bands: Sequence[Band] = (),
    onset_most: Floats | None = None,
) -> tuple[dict[str, Floats], Ints, Floats, list[Band]]:
    """Merits, status and, stacked, both edges of the band of all chips, (..., design, chip); the
    bands of every block of chips, which are not computed where they are given."""
    parts, found_bands = [], []
    for number, block in enumerate(model.blocks()):
        asked = Asked(block, bands[number] if bands else None, onset_most)
        shape = (len(block.designs), block.count)
        values = {name: np.broadcast_to(x, shape) for name, x in asked.values(names).items()}
        status = np.broadcast_to(asked.status | asked.lacking, shape)
        parts.append((values, status, np.stack([asked.band.lower_edge, asked.band.upper_edge])))
        found_bands.append(asked.band)
    found = {name: np.concatenate([p[0][name] for p in parts], axis=1) for name in parts[0][0]}
    status, edges = (np.concatenate([p[k] for p in parts], axis=-1) for k in (1, 2))
    return found, status, edges, found_bands


def _limits(
    each: Mapping[str, Floats], shape: tuple[int, int], limits: Sequence[Limit], share: float
) -> tuple[Bools, Floats]:
    """(limit, design, chip) and (limit, design): see `MeritTable`; a yield keeps its own."""
    kept, broken = np.ones((len(limits), *shape), dtype=bool), np.zeros((len(limits), shape[0]))
    for k, limit in enumerate(limits):
        if limit.name != "yield":
            kept[k], beyond = _kept(limit, each[limit.name], whole=False)
            broken[k] = reached(beyond, "min", share)
    return kept, broken


def _kept(limit: Limit, value: Floats, *, whole: bool = True) -> tuple[Bools, Floats]:
    """Whether values keep a limit, and by how much they break it: of one column, or of each."""
    low = -np.inf if limit.minimum is None else limit.minimum
    high = np.inf if limit.maximum is None else limit.maximum
    beyond = np.maximum(low - value, value - high)
    return np.asarray(beyond <= 0.0), beyond[:, 0] if whole else beyond


def _within(
    each: Mapping[str, Floats],
    values: Mapping[str, Floats],
    objectives: Sequence[Objective],
    part: float,
) -> Bools:
    """Chips that reach a part of what is promised of every objective, (design, chip) (M11.8)."""
    good = np.ones(next(iter(each.values())).shape, dtype=bool)
    for o in objectives:
        if o.name not in values:  # not asked for, or the yield itself
            continue
        promised = values[o.name][:, None]
        if quantity(o.name).units == "dB":
            step = -20.0 * np.log10(part)
            ends = promised - step, promised + step
        else:
            ends = part * promised, promised / part
        good &= each[o.name] >= ends[0] if o.sense == "max" else each[o.name] <= ends[1]
    return good


def margins(table: MeritTable) -> dict[str, Floats]:
    """Of every limited merit what a share of chips keeps from its nearest limit, negative on
    violation, and the share of chips that keeps all limits on it."""
    out: dict[str, Floats] = {}
    for limit, broken, kept in zip(table.limits, table.broken, table.kept, strict=True):
        margin, share = MARGIN_PREFIX + limit.name, KEPT_PREFIX + limit.name
        out[margin] = np.minimum(out.get(margin, np.inf), -broken)
        out[share] = np.minimum(out.get(share, 1.0), kept.mean(axis=1))
    return out


def merits_of_chips(
    designs: Designs,
    study: Study,
    strategy: Strategy,
    *,
    chips: int | None = None,
    use: str = "choose",
    modes: int | None = None,
    told: Callable[[int], object] = lambda done: None,
    sparing: bool = False,
    race: Race | None = None,
) -> MeritTable:
    """`compute_merits` of objectives and limits in force of one strategy of a study.

    ``chips`` of each design (None for the study's); ``use``, ``modes``, ``told``: as in `Chips`;
    ``sparing``, ``race``: as there.
    """
    study = study.of(strategy)
    count = study.fabrication.chips if chips is None else chips
    return compute_merits(
        Chips(designs, study, count, use=use, told=told, modes=modes),
        limits=limits_in_force(study, strategy),
        wanted=frozenset(o.name for o in study.objectives),
        sparing=sparing,
        race=race,
    )
