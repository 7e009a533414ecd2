"""Strategies on equal footing: who wins, where, by how much, and whether it is more than chance."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import xarray as xr
from scipy import stats

from arrayopt.base.arrays import Floats
from arrayopt.base.errors import ResultsError
from arrayopt.results.compare.footing import Entry, check_footing, entries
from arrayopt.results.read import (
    Reading,
    members,
    objective_values,
    read_run,
    verified_merits,
)
from arrayopt.search.front import hypervolume, nondominated
from arrayopt.search.problem import minimised
from arrayopt.study.model import Objective

CONFIDENCE = 0.95
THRESHOLDS = 160
"""Onset voltages at which the attainment curves are taken."""

BAND, ONSET, LEVEL, YIELD = "fractional_bandwidth", "onset_voltage", "peak_level", "yield"
OVER_CHIPS = (5.0, 95.0)
"""Percentiles of what a front is worth chip by chip."""


@dataclass(frozen=True)
class Comparison:
    """What `compare` finds.

    Parameters
    ----------
    table : xarray.Dataset
        Dimensions strategy, seed, other, threshold. ``hypervolume`` (strategy, seed),
        ``hypervolume_mean``, ``hypervolume_low``, ``hypervolume_high`` (strategy) with the Student
        interval over seeds (NaN for a single one); ``difference``, ``difference_low``,
        ``difference_high``, ``p_value`` (strategy, other): mean of the strategy less that of the
        other, Welch's interval and two-sided test; ``dominated`` (strategy, other): share of the
        other's front that the strategy dominates, mean over pairs of seeds; ``best_bandwidth``,
        ``best_level`` (strategy, seed) under the requirements; ``attainment`` (strategy, seed,
        threshold) over ``onset_threshold``: widest band at no more than that onset voltage and at
        the required level and yield; ``hypervolume_chips`` (strategy, seed, chip) of the stored
        front, all its members made into that chip, and ``hypervolume_chips_low``, ``_high``
        (strategy): its `OVER_CHIPS`, mean over seeds. Seeds tell how far the search is chance,
        chips how far making is. NaN where no design qualifies or no chips are stored.
    fronts : strategy -> front of every seed, merits only, with dimension ``design``.
    objectives : the study's, with the common reference point.
    level, onset, bandwidth, yielding : requirements in force (dB, V, 1, 1); None where the merit
        is not stored.
    evaluations : budget at which all are compared.
    lead_changes : (onset voltage [V], strategy that has led below it, strategy that leads from it).
    notes : warnings and what they mean, a sentence each.
    """

    table: xr.Dataset
    fronts: dict[str, tuple[xr.Dataset, ...]]
    objectives: tuple[Objective, ...]
    level: float | None
    onset: float | None
    bandwidth: float | None
    yielding: float | None
    evaluations: int
    lead_changes: tuple[tuple[float, str, str], ...]
    notes: tuple[str, ...]

    @property
    def ranking(self) -> list[str]:
        """Strategies by mean hypervolume, best first."""
        mean = np.asarray(self.table["hypervolume_mean"])
        names = [str(n) for n in np.asarray(self.table["strategy"])]
        return [names[k] for k in np.argsort(-mean, kind="stable")]


def compare(
    directories: Sequence[str | os.PathLike[str]],
    *,
    level: float | None = None,
    onset: float | None = None,
    bandwidth: float | None = None,
    yielding: float | None = None,
    anyway: bool = False,
) -> Comparison:
    """Compare the strategies of one or several runs on equal footing.

    Parameters
    ----------
    directories : run directories; runs of one study with different seeds give intervals.
    level : required peak level [dB re 20 uPa]; by default one that half of every front reaches.
    onset : largest onset voltage [V]; by default the reference point's, else the largest found.
    bandwidth : required fractional bandwidth [1]; by default one that half of every front reaches.
    yielding : required yield [1]; by default one that half of every front reaches.
    anyway : warn of unequal conditions instead of refusing.

    Returns
    -------
    Comparison

    Raises
    ------
    ResultsError
        A run cannot be read, or the runs differ in what must be equal: objectives, reference
        point and scales always; chip, stack, air, target, cells, drive limits unless ``anyway``.
    """
    readings = [read_run(directory) for directory in directories]
    notes = list(check_footing(readings, anyway=anyway))
    objectives = next((r.objectives for r in readings if r.objectives), ())
    if not objectives:
        raise ResultsError(
            "none of these runs has a design that keeps all limits; nothing to compare"
        )
    found = entries(readings)
    budget = _budget(readings, notes)
    names = list(dict.fromkeys(entry.label for entry in found))
    every = {n: [e for e in found if e.label == n] for n in names}
    seeds = max(len(rows) for rows in every.values())
    designs = {n: [_designs(e, budget) for e in rows] for n, rows in every.items()}
    fronts = {n: tuple(_front(d, objectives) for d in rows) for n, rows in designs.items()}
    volume = _padded([[_volume(f, objectives) for f in fronts[n]] for n in names], seeds)
    if seeds == 1:
        notes.append(
            "One seed for each strategy: differences are shown without intervals and may be "
            "chance. Run the study with other seeds (`arrayopt run STUDY --seed N --out DIR`) and "
            "give all directories."
        )
    needs = _requirements(fronts, objectives, level, onset, bandwidth)
    enough = _yield_needed(fronts, yielding)
    table = xr.Dataset(
        {"hypervolume": (("strategy", "seed"), volume)},
        coords={"strategy": names, "seed": np.arange(seeds), "other": names},
    )
    _statistics(table, volume)
    _over_chips(table, every, names, objectives)
    table["dominated"] = (("strategy", "other"), _dominated(fronts, names, objectives))
    changes: tuple[tuple[float, str, str], ...] = ()
    if all(need is not None for need in needs):
        changes = _attainment(table, designs, names, needs, enough)
    return Comparison(
        table, fronts, objectives, *needs, enough, budget or 0, changes, tuple(dict.fromkeys(notes))
    )


def _budget(readings: Sequence[Reading], notes: list[str]) -> int | None:
    """Evaluations at which all are compared; None where some have no history to cut."""
    spent = [n for r in readings for n in r.evaluations.values()]
    budget = min(spent)
    if any(not set(r.evaluations) <= set(r.history) for r in readings):
        if max(spent) != budget:
            notes.append(
                f"Budgets differ, {budget} to {max(spent)} evaluations, and a history is missing, "
                "so they could not be cut to one length: the longer searches have an advantage."
            )
        return None
    if max(spent) != budget:
        notes.append(
            f"Budgets differ, {budget} to {max(spent)} evaluations; every search is compared "
            f"after its first {budget}."
        )
    return budget


def _designs(entry: Entry, budget: int | None) -> xr.Dataset:
    if entry.strategy not in entry.reading.fronts and entry.strategy not in entry.reading.history:
        return xr.Dataset()
    designs = members(entry.reading, entry.strategy, budget)
    front = entry.reading.fronts.get(entry.strategy)
    if front is None:
        return designs
    checked = verified_merits(front)
    extra = [f"verified_{name}" for name in checked]
    # a merit that the search did not need is in the front only
    extra += [name for name in checked if name not in designs]
    if extra and "evaluation" in designs:
        stored = front[["evaluation", *extra]].swap_dims(design="evaluation")
        aligned = stored.reindex(evaluation=np.asarray(designs["evaluation"]))
        for name in extra:
            designs[name] = ("design", np.asarray(aligned[name]))
    return designs


def _front(designs: xr.Dataset, objectives: Sequence[Objective]) -> xr.Dataset:
    if designs.sizes.get("design", 0) == 0:
        return designs
    f = minimised(objective_values(designs, objectives), objectives)
    return designs.isel(design=np.flatnonzero(nondominated(f)))


def _volume(front: xr.Dataset, objectives: Sequence[Objective]) -> float:
    if front.sizes.get("design", 0) == 0:
        return 0.0
    f = minimised(objective_values(front, objectives), objectives)
    return hypervolume(f, np.ones(len(objectives)))


def _padded(rows: Sequence[Sequence[float]], length: int) -> Floats:
    out = np.full((len(rows), length), np.nan)
    for k, row in enumerate(rows):
        out[k, : len(row)] = row
    return out


def interval(values: Floats) -> tuple[float, float, float]:
    """Mean and Student confidence interval (95 %) of the mean; NaN ends for a single value.

    Source: Student (1908); the values are taken as independent and roughly normal.
    """
    values = values[np.isfinite(values)]
    mean = float(values.mean())
    if len(values) < 2:
        return mean, np.nan, np.nan
    error = float(values.std(ddof=1)) / np.sqrt(len(values))
    reach = float(stats.t.ppf(0.5 + 0.5 * CONFIDENCE, len(values) - 1)) * error
    return mean, mean - reach, mean + reach


def difference(one: Floats, other: Floats) -> tuple[float, float, float, float]:
    """Mean of one less the other's, its confidence interval (95 %) and two-sided p (Welch 1947).

    NaN interval and p where either has a single value, or where neither varies.
    """
    one, other = one[np.isfinite(one)], other[np.isfinite(other)]
    mean = float(one.mean() - other.mean())
    if min(len(one), len(other)) < 2:
        return mean, np.nan, np.nan, np.nan
    parts = [float(x.var(ddof=1)) / len(x) for x in (one, other)]
    error = np.sqrt(sum(parts))
    # searches that all end alike leave rounding only, of which no spread can be told
    if error <= 1e-12 * max(abs(float(one.mean())), abs(float(other.mean()))):
        return mean, np.nan, np.nan, np.nan
    freedom = sum(parts) ** 2 / sum(
        v**2 / (len(x) - 1) for v, x in zip(parts, (one, other), strict=True)
    )
    reach = float(stats.t.ppf(0.5 + 0.5 * CONFIDENCE, freedom)) * error
    return mean, mean - reach, mean + reach, float(2.0 * stats.t.sf(abs(mean) / error, freedom))


def _statistics(table: xr.Dataset, volume: Floats) -> None:
    mean = np.array([interval(row) for row in volume])
    for k, name in enumerate(("mean", "low", "high")):
        table[f"hypervolume_{name}"] = ("strategy", mean[:, k])
    pairs = np.array([[difference(a, b) for b in volume] for a in volume])
    for k, name in enumerate(("difference", "difference_low", "difference_high", "p_value")):
        table[name] = (("strategy", "other"), pairs[:, :, k])


def _over_chips(
    table: xr.Dataset,
    every: dict[str, list[Entry]],
    names: Sequence[str],
    objectives: Sequence[Objective],
) -> None:
    """Hypervolumes of the stored fronts chip by chip: chip k is the same draw of every design."""
    found: dict[tuple[int, int], Floats] = {}
    for i, name in enumerate(names):
        for s, entry in enumerate(every[name]):
            front = entry.reading.fronts.get(entry.strategy)
            chips = [f"{o.name}_chips" for o in objectives]
            if front is None or front.sizes["design"] == 0 or any(c not in front for c in chips):
                continue
            values = np.stack([np.asarray(front[c], dtype=np.float64) for c in chips], axis=-1)
            found[i, s] = np.array(
                [
                    hypervolume(minimised(one, objectives), np.ones(len(objectives)))
                    for one in np.moveaxis(values, 1, 0)
                ]
            )
    count = max((len(x) for x in found.values()), default=0)
    volume = np.full((len(names), table.sizes["seed"], count), np.nan)
    for (i, s), x in found.items():
        volume[i, s, : len(x)] = x
    table["hypervolume_chips"] = (("strategy", "seed", "chip"), volume)
    ends = np.full((2, len(names)), np.nan)
    for i in {i for i, _ in found}:
        rows = [np.percentile(x, OVER_CHIPS) for (k, _), x in found.items() if k == i]
        ends[:, i] = np.mean(rows, axis=0)
    table["hypervolume_chips_low"] = ("strategy", ends[0])
    table["hypervolume_chips_high"] = ("strategy", ends[1])


def _yield_needed(
    fronts: dict[str, tuple[xr.Dataset, ...]], yielding: float | None
) -> float | None:
    filled = [[f for f in rows if f.sizes.get("design", 0)] for rows in fronts.values()]
    filled = [rows for rows in filled if rows]
    if not filled or any(YIELD not in f for rows in filled for f in rows):
        return None
    if yielding is not None:
        return yielding
    half = [np.median(np.concatenate([np.asarray(f[YIELD]) for f in rows])) for rows in filled]
    return float(np.floor(100.0 * min(half)) / 100.0)


def _dominated(
    fronts: dict[str, tuple[xr.Dataset, ...]], names: Sequence[str], objectives: Sequence[Objective]
) -> Floats:
    """Share of the other's front (column) that the strategy (row) dominates (Zitzler & Thiele)."""
    points = {
        n: [
            minimised(objective_values(f, objectives), objectives)
            for f in fronts[n]
            if f.sizes.get("design", 0)
        ]
        for n in names
    }
    out = np.full((len(names), len(names)), np.nan)
    for i, one in enumerate(names):
        for j, other in enumerate(names):
            shares = [coverage(a, b) for a in points[one] for b in points[other]]
            if i != j and shares:
                out[i, j] = np.mean(shares)
    return out


def coverage(one: Floats, other: Floats) -> float:
    """Share of the points ``other`` that some point of ``one`` dominates, all minimised.

    ``one`` (point, objective) and ``other`` (point, objective). A point is dominated where another
    is nowhere worse and somewhere better.
    """
    worse = (one[:, None, :] <= other[None, :, :]).all(axis=2)
    better = (one[:, None, :] < other[None, :, :]).any(axis=2)
    return float((worse & better).any(axis=0).mean())


def _requirements(
    fronts: dict[str, tuple[xr.Dataset, ...]],
    objectives: Sequence[Objective],
    level: float | None,
    onset: float | None,
    bandwidth: float | None,
) -> tuple[float | None, float | None, float | None]:
    pooled = {n: [f for f in rows if f.sizes.get("design", 0)] for n, rows in fronts.items()}
    filled = {n: rows for n, rows in pooled.items() if rows}
    if not filled or any(
        name not in f for rows in filled.values() for f in rows for name in (BAND, ONSET, LEVEL)
    ):
        return None, None, None

    def half(name: str) -> float:
        """What half of every front reaches."""
        return min(
            float(np.median(np.concatenate([np.asarray(f[name]) for f in rows])))
            for rows in filled.values()
        )

    if level is None:
        level = float(np.floor(half(LEVEL)))
    if bandwidth is None:
        bandwidth = float(np.floor(100.0 * half(BAND)) / 100.0)
    if onset is None:
        wished = [o.reference for o in objectives if o.name == ONSET]
        largest = max(float(f[ONSET].max()) for rows in filled.values() for f in rows)
        onset = wished[0] if wished else largest
    return level, onset, bandwidth


def _attainment(
    table: xr.Dataset,
    designs: dict[str, list[xr.Dataset]],
    names: Sequence[str],
    needs: tuple[float | None, float | None, float | None],
    yielding: float | None,
) -> tuple[tuple[float, str, str], ...]:
    level, onset, bandwidth = (float(n) for n in needs if n is not None)
    seeds = table.sizes["seed"]
    some = [d[ONSET] for rows in designs.values() for d in rows if d.sizes.get("design", 0)]
    low = min(float(v.min()) for v in some)
    grid = np.linspace(low, max(onset, low * 1.01), THRESHOLDS)
    curves = np.full((len(names), seeds, THRESHOLDS), np.nan)
    widest = np.full((len(names), seeds), np.nan)
    loudest = np.full((len(names), seeds), np.nan)
    for i, name in enumerate(names):
        for s, one in enumerate(designs[name]):
            if one.sizes.get("design", 0) == 0:
                continue
            band, volt, loud = (np.asarray(one[n], dtype=np.float64) for n in (BAND, ONSET, LEVEL))
            made = np.ones(band.shape, dtype=np.bool_)
            if yielding is not None:
                made = np.asarray(one[YIELD], dtype=np.float64) >= yielding
            enough = made & (loud >= level)
            curves[i, s] = best_within(band[enough], volt[enough], grid)
            widest[i, s] = best_within(band[enough], volt[enough], np.array([onset]))[0]
            wide = made & (band >= bandwidth) & (volt <= onset)
            loudest[i, s] = loud[wide].max() if wide.any() else np.nan
    table.coords["onset_threshold"] = ("threshold", grid, {"units": "V"})
    table["attainment"] = (("strategy", "seed", "threshold"), curves)
    table["best_bandwidth"] = (("strategy", "seed"), widest)
    table["best_level"] = (("strategy", "seed"), loudest)
    return lead_changes(typical(curves), grid, names)


def best_within(value: Floats, cost: Floats, limits: Floats) -> Floats:
    """Largest value among designs whose cost is at most each limit; NaN where there is none.

    ``value`` and ``cost`` (design,), ``limits`` (limit,).
    """
    order = np.argsort(cost, kind="stable")
    best = np.concatenate([[np.nan], np.maximum.accumulate(value[order])])
    return np.asarray(best[np.searchsorted(cost[order], limits, side="right")])


def typical(curves: Floats) -> Floats:
    """Median over seeds (strategy, threshold): what half of the searches attain.

    A search without a qualifying design counts as attaining nothing.
    """
    filled = np.where(np.isnan(curves), -np.inf, curves)
    padded = np.all(np.isnan(curves), axis=2)
    out = np.full(curves[:, 0].shape, np.nan)
    for k, rows in enumerate(filled):
        used = rows[~padded[k]] if not padded[k].all() else rows[:0]
        if len(used):
            out[k] = np.sort(used, axis=0)[(len(used) - 1) // 2]
    return np.where(np.isfinite(out), out, np.nan)


def lead_changes(
    curves: Floats, grid: Floats, names: Sequence[str]
) -> tuple[tuple[float, str, str], ...]:
    """Where along the grid another strategy has the highest curve.

    ``curves`` (strategy, threshold), NaN where nothing is attained. Returns (threshold, leader
    before, leader from there on); empty name before the first. A tie keeps the leader.
    """
    changes = []
    leader = -1
    for k, limit in enumerate(grid):
        column = np.where(np.isnan(curves[:, k]), -np.inf, curves[:, k])
        best = int(np.argmax(column))
        if column[best] == -np.inf or (leader >= 0 and column[leader] >= column[best]):
            continue
        changes.append((float(limit), names[leader] if leader >= 0 else "", names[best]))
        leader = best
    return tuple(changes)
