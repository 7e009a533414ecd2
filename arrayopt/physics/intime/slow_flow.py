"""M12: slow sweeps of many chips at once, every cell apart, by their envelopes' slow flow.

    2 j w m_n A_n' = F_n - (d_n + 3/4 g_n |A_n|^2 + j l_n) A_n - j w sum_(m != n) Z_nm A_m   (M12.1)

with w moving. docs/models/M12-in-time.md has the method, and how near it comes to steady states.
"""

from __future__ import annotations

from enum import IntFlag
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from arrayopt.base.arrays import Bools, Floats, Ints
from arrayopt.physics.back.neck_kernel import (
    NECK_COUNT,
    NO_NECK,
    back_pressure,
    neck_coefficients,
)
from arrayopt.physics.intime.card import card_sweep, chosen_device, require_card
from arrayopt.physics.intime.flow_kernel import ChipArrays, coupling_norm
from arrayopt.physics.intime.modes import DISPLACEMENT, Modal, mode_arrays, no_modes
from arrayopt.physics.intime.sweep_kernel import BLOCK, STEPS, Records, Sweeps, sweep_items
from arrayopt.physics.numerics.compiled import kernel
from arrayopt.physics.numerics.lanes import LANES
from arrayopt.physics.numerics.threads import spread
from arrayopt.physics.sound.radiation import (
    SERIES_LIMIT,
    TERMS_FOR_LIMIT,
    directivity_series,
    self_reactance_series,
    self_resistance_series,
)

SLOWNESS = 20.0
"""K: the frequency moves by the narrowest linewidth squared over K each second (M12.4)."""
STEP = 0.12
"""Longest step, of the shortest decay time of a cell."""
COUPLED_STEP = 0.3
"""Longest step, over the time in which coupling alone may change an envelope by itself."""
TURN = 40.0
"""Longest step: of the turn, in radians, of a cell twice as far off as the sweep is wide."""
MARGIN = 3.0
"""Linewidths beyond all resonances and backbones, besides what coupling shifts."""
HOLD = 8.0
"""Decay times of the slowest cell before the frequency moves."""
LONGEST = 1e6
"""Segments of a sweep: some hundred times what any cell that can be made needs."""
WINDOWS = 60.0
"""Least number of windows in the narrowest linewidth."""
RESTLESS = 0.2
"""Speed of the envelopes over size and slowest decay rate, above which they do not rest."""
PATIENCE = 40.0
"""Decay times of the slowest cell in which envelopes come to rest after a jump, or never."""


class ChipStatus(IntFlag):
    """What is wrong with a chip's sweep; 0 means nothing."""

    OK = 0
    BEATS = 1
    """Somewhere on the sweep the envelopes never came to rest: values there are means."""
    ESCAPED = 2
    """The motion grew beyond all bounds, an input is not finite, or the sweep has no end: no
    values."""
    KA_RANGE = 4
    """ka above 4: beyond the series of the self impedance (M5.6): no values."""
    OVERLAP = 8
    """Two discs overlap: the mutual impedance needs a spacing above their radii: no values."""


class ChipSweep(NamedTuple):
    """Chips of a batch of designs along a sweep; windows beyond a design's last are NaN."""

    frequency: Floats
    """(design, window): middle of each window (Hz), in the order visited."""
    volume: NDArray[np.complex128]
    """(design, chip, window): volume displacement that reaches the target (m3), see M9.1."""
    beat: Floats
    """(design, chip, window): rms deviation from it within the window (m3)."""
    unrest: Floats
    """(design, chip, window): speed of the envelopes over size and slowest decay rate."""
    power: Floats
    """(design, chip, window): mean mechanical power taken from the drive (W)."""
    deflection: Floats
    """(design, chip, cell): largest centre amplitude on the sweep (m)."""
    settled: NDArray[np.complex128]
    """(design, chip, cell): amplitude where the sweep ends (m)."""
    status: Ints
    """(design, chip): `ChipStatus`."""
    steps: Ints
    """(design,): steps taken."""


def pair_classes(position: ArrayLike) -> tuple[Ints, Floats]:
    """The different distances between cells: number of each pair's (-1: a cell and itself).

    ``position`` (cell, 2), any unit. Returns (cell, cell) and (distance,).
    """
    xy = np.asarray(position, dtype=np.float64)
    apart = np.hypot(*(xy[:, None, :] - xy[None, :, :]).transpose(2, 0, 1))
    own = np.eye(len(xy), dtype=bool)
    if np.any(apart[~own] == 0.0):
        raise ValueError("two cells have the same position.")
    unit = apart[~own].min() if len(xy) > 1 else 1.0
    rounded = np.where(own, -1.0, np.round(apart / unit, 9))
    pair = np.unique(rounded, return_inverse=True)[1].reshape(apart.shape) - 1
    distance = np.ones(max(int(pair.max()) + 1, 1))
    distance[pair[~own]] = apart[~own]
    return pair.astype(np.int64), distance


def chip_arrays(
    position: ArrayLike,
    *,
    mass: ArrayLike,
    damping: ArrayLike,
    stiffness: ArrayLike,
    cubic: ArrayLike,
    force: ArrayLike,
    radius: ArrayLike,
    volume: ArrayLike,
    nominal: ArrayLike,
    shape: ArrayLike,
    resistance: ArrayLike,
    reactance: ArrayLike,
    density: float,
    sound_speed: float,
    scale: ArrayLike = 1.0,
    sides: int = 1,
    cavity: ArrayLike = 0.0,
    neck: Floats = NO_NECK,
    lead: ArrayLike = 0.0,
    lag: ArrayLike = 0.0,
    polar: float = 0.0,
) -> ChipArrays:
    """Arrange chips for the slow flow.

    Parameters
    ----------
    position : array (cell, 2)
        Centres, shared by the batch, in units of ``scale``.
    mass, damping, stiffness, cubic, radius, volume : array (design, chip, cell)
        Of each cell without air [kg, N s/m, N/m, N/m3 (effective: M7.5), m, m2]; volume is the
        displaced one per centre displacement.
    force : complex array (design, chip, cell)
        Force amplitude with its phase: force per volt times drive [N].
    nominal : array (design, cell)
        Radii of the design [m]. Its cells give the coupling that all its chips share, up to each
        cell's volume (M12.5).
    shape, resistance, reactance : array (design, cell, ...)
        Shape and series of the self impedance as in `coupled_arrays`.
    density, sound_speed : float
    scale : array (design,)
        Metres per unit of position.
    sides : radiating sides; 0 leaves mutual radiation out.
    cavity : array (design, chip, cell)
        Pressure per displaced volume of a cavity with necks [Pa/m3].
    neck : as in `coupled_arrays`.
    lead, lag : array (design, cell)
        The drive lags by, and the sound reaches the target earlier by, this time [s].
    polar : polar angle of the target [rad].
    """
    size = np.asarray(mass).shape
    if len(size) != 3:
        raise ValueError(f"mass has shape {size}; (design, chip, cell) is needed.")
    designs, _, cells = size

    def full(value: ArrayLike, to: tuple[int, ...] = size) -> Floats:
        return np.array(np.broadcast_to(value, to), dtype=np.float64, order="C")

    def rows(value: ArrayLike) -> Floats:
        series = np.asarray(value, dtype=np.float64)
        return full(series, (designs, cells, series.shape[-1]))

    drive = np.broadcast_to(np.asarray(force, dtype=np.complex128), size)
    pair, distance = pair_classes(position)
    own, transform = full(nominal, (designs, cells)), rows(directivity_series(shape))
    displaced = full(volume)
    return ChipArrays(
        mass=full(mass),
        damping=full(damping),
        stiffness=full(stiffness),
        cubic=full(cubic),
        force_re=np.array(drive.real, order="C"),
        force_im=np.array(drive.imag, order="C"),
        radius=full(radius),
        strength=displaced / (np.pi * own**2 * transform[..., 0])[:, None, :],
        volume=displaced,
        cavity=full(cavity),
        nominal=own,
        transform=transform,
        resistance=rows(resistance),
        reactance=rows(reactance),
        terms=np.full(designs, rows(resistance).shape[-1], dtype=np.int64),
        lead=full(lead, (designs, cells)),
        lag=full(lag, (designs, cells)),
        pair=pair,
        distance=distance,
        scale=full(scale, (designs,)),
        coupling=np.full(designs, float(sides)),
        neck=np.array(neck, dtype=np.float64),
        sine=float(np.sin(polar)),
        density=float(density),
        sound_speed=float(sound_speed),
    )


class Linear(NamedTuple):
    """Small-signal figures of every cell without the others; (design, chip, cell)."""

    resonance: Floats
    """With the air's mass, necks held (rad/s)."""
    decay: Floats
    """Rate of the envelope at resonance (1/s)."""


def linear_figures(arrays: ChipArrays) -> Linear:
    """Resonance and decay rate of every cell (M6); NaN beyond the series of the self impedance."""
    found = Linear(np.empty(arrays.mass.shape), np.empty(arrays.mass.shape))
    spread(_linear_rows, arrays.mass.shape[0] * arrays.mass.shape[1], arrays, *found)
    return found


@kernel
def _linear_rows(begin: int, stop: int, a: ChipArrays, resonance: Floats, decay: Floats) -> None:
    """`linear_figures` of chips begin..stop of all designs'."""
    chips = a.mass.shape[1]
    for row in range(begin, stop):
        d, c = row // chips, row % chips
        for i in range(a.mass.shape[2]):
            mass, volume, radius = a.mass[d, c, i], a.volume[d, c, i], a.radius[d, c, i]
            stiffness = a.stiffness[d, c, i] + a.cavity[d, c, i] * (volume * volume)
            loading = a.density * a.sound_speed * np.pi * (radius * radius)
            w, r, x = np.sqrt(stiffness / mass), 0.0, 0.0
            for _ in range(12):  # each gains a decade: air is a light load
                ka = w / a.sound_speed * radius
                good = 1.0 if 0.0 <= ka <= SERIES_LIMIT else np.nan
                r = loading * good * self_resistance_series(ka, a.resistance[d, i])
                x = loading * good * self_reactance_series(ka, a.reactance[d, i])
                before, w = w, np.sqrt(stiffness / (mass + x / w))
                if w == before:
                    break
            loss = a.damping[d, c, i] + r
            if a.neck[NECK_COUNT] > 0.0:
                neck = neck_coefficients(w, a.neck, a.density, a.sound_speed)
                _, drag = back_pressure(w, a.cavity[d, c, i], neck[0], neck[1], neck[2])
                loss += volume * volume * drag / w
            resonance[d, c, i], decay[d, c, i] = w, loss / (2.0 * (mass + x / w))


def sweep_range(arrays: ChipArrays) -> tuple[Floats, Floats]:
    """Frequencies between which every driven cell's resonance and backbone lie, (design,) [Hz].

    With `MARGIN` linewidths and what coupling can shift at most beyond: from there on -6 dB widths
    are those of any wider sweep to 0.1 % (M12.16). NaN for designs without a driven cell. Necks
    move resonances further: not here.
    """
    linear = linear_figures(arrays)
    force = np.hypot(arrays.force_re, arrays.force_im)
    square = linear.resonance**2
    mass = (arrays.stiffness + arrays.cavity * arrays.volume**2) / square
    # w^2 = w0^2 + 3/4 g (F / (2 w m decay))^2 / m, losses those at resonance (M7.6)
    bend = 0.75 * arrays.cubic * (0.5 * force / (mass * linear.decay)) ** 2 / mass
    end = np.sqrt(0.5 * (square + np.sqrt(np.maximum(square**2 + 4.0 * bend, 0.0))))
    margin = 2.0 * MARGIN * linear.decay + _coupling_rate(arrays, linear)[:, None, None]
    driven = (force > 0.0) & np.isfinite(end)
    low = np.where(driven, np.minimum(linear.resonance, end) - margin, np.inf).min(axis=(1, 2))
    high = np.where(driven, np.maximum(linear.resonance, end) + margin, 0.0).max(axis=(1, 2))
    low = np.where(high > 0.0, np.maximum(low, 0.02 * high), np.nan)
    return low / (2.0 * np.pi), np.where(high > 0.0, high, np.nan) / (2.0 * np.pi)


def chip_sweep(
    arrays: ChipArrays,
    *,
    start: ArrayLike,
    stop: ArrayLike,
    modal: Modal | None = None,
    slowness: float = SLOWNESS,
    step: float = STEP,
    single: bool = False,
    drive_scale: ArrayLike = 1.0,
    device: str | None = None,
) -> ChipSweep:
    """Sweep every chip slowly from one frequency to another (M12.1 to M12.6).

    Parameters
    ----------
    arrays : ChipArrays
        From `chip_arrays`.
    start, stop : array (design,)
        [Hz]; a falling sweep begins at the higher one. Begin and end outside all resonances.
    modal : one to three modes a cell with harmonics to the third (M12.11), the driven one first.
        Without: one mode, one harmonic and the effective cubic of ``arrays``.
    slowness : float
        K of M12.4. The sweep's own lag moves folds by about (1/K)^(2/3) linewidths.
    step : float
        Longest step, of the shortest decay time of a cell.
    single : bool
        Single precision: twice as fast.
    drive_scale : array (design,)
        Factor on all forces.
    device : {"cpu", "gpu", "gpu-single"}, optional
        Where to compute; default: what ARRAYOPT_DEVICE names, else "cpu". "gpu-single" is a card in
        single precision. A card that is missing raises `card.GpuUnavailableError`. Several modes
        are swept on the processor, whatever the variable names.

    Returns
    -------
    ChipSweep
        ka below 4; without ``modal`` weakly quadratic and up to w/h = 1.2. A chip's values depend
        neither on others in the batch nor on threads. Where ``status`` has more than BEATS, NaN.
    """
    if device in ("gpu", "gpu-single") and modal is not None:
        raise ValueError("several modes a cell are swept on the processor only: leave device out.")
    device = chosen_device(device) if modal is None else "cpu"
    if device != "cpu":
        require_card()
    designs, chips, cells = arrays.mass.shape
    first, last = (np.broadcast_to(np.asarray(f, float), (designs,)) for f in (start, stop))
    if not (np.all(first > 0.0) and np.all(last > 0.0) and np.all(first != last)):
        raise ValueError("a sweep needs two different positive frequencies.")
    factor = np.broadcast_to(np.asarray(drive_scale, float), (designs,))[:, None, None]
    arrays = arrays._replace(force_re=arrays.force_re * factor, force_im=arrays.force_im * factor)
    several, unit = no_modes(arrays), 1.0
    if modal is not None:
        several, unit = mode_arrays(arrays, modal), DISPLACEMENT
        driven = several.force_re * factor[..., None], several.force_im * factor[..., None]
        several = several._replace(force_re=driven[0], force_im=driven[1])
    terms = _terms(arrays, np.maximum(first, last))
    arrays = arrays._replace(terms=np.minimum(terms, arrays.resistance.shape[-1]))
    status = range_status(arrays, np.maximum(first, last))
    linear = linear_figures(arrays)
    usable = np.isfinite(linear.decay) & (linear.decay > 0.0)
    status |= np.where(usable.all(axis=2), 0, int(ChipStatus.ESCAPED))
    decay = np.where(usable, linear.decay, np.nan)
    with np.errstate(all="ignore"):
        slow, fast = (f.reduce(decay, axis=(1, 2)) for f in (np.fmin, np.fmax))
    none = np.isnan(slow)  # such a design has no values: its sweep is short
    slow, fast = (np.where(none, np.abs(last - first), x) for x in (slow, fast))
    h = np.minimum(step / fast, COUPLED_STEP * step / STEP / _coupling_rate(arrays, linear))
    h = np.minimum(h, TURN / (4.0 * np.pi * np.abs(last - first)))
    rate = 2.0 * slow**2 / (np.pi * slowness)  # 2 pi (slow / pi)^2 / K, in rad/s per s
    way = 2.0 * np.pi * (last - first)
    segments, hold = np.ceil(np.abs(way) / (rate * h * STEPS)), np.ceil(HOLD / (slow * h * STEPS))
    endless = ~(segments + hold < LONGEST)
    status |= np.where(endless, int(ChipStatus.ESCAPED), 0)[:, None]
    segments, hold = (np.where(endless, 1.0, n).astype(np.int64) for n in (segments, hold))
    advance = way / (segments * STEPS)
    wanted = 2.0 * slow / WINDOWS / (BLOCK * np.abs(advance))
    blocks = np.maximum(wanted.astype(np.int64), 1)
    windows = segments * STEPS // (BLOCK * blocks)
    design, chip = chip_items(designs, chips)
    sweeps = Sweeps(
        design=design,
        chip=chip,
        start=2.0 * np.pi * first,
        advance=advance,
        step=h,
        hold=hold,
        segments=segments,
        blocks=blocks,
    )
    most = int(windows.max())
    if unit != 1.0:
        push = arrays.force_re / unit, arrays.force_im / unit
        arrays = arrays._replace(force_re=push[0], force_im=push[1])
    if device == "cpu":
        shape = (designs, chips, most)
        records = Records(
            volume=np.full(shape, np.nan, dtype=np.complex128),
            beat=np.full(shape, np.nan),
            unrest=np.full(shape, np.nan),
            power=np.full(shape, np.nan),
            deflection=np.full((designs, chips, cells), np.nan),
            settled=np.full((designs, chips, cells), np.nan, dtype=np.complex128),
        )
        kind = np.empty(0, dtype=np.float32 if single else np.float64)
        sizes = (0,) * several.mass.shape[-1]
        for even in np.unique(several.even):
            slots = (0,) * (4 if even else 2) if sizes else ()
            mine = several.even[design] == even
            part = sweeps._replace(design=design[mine], chip=chip[mine])
            spread(sweep_items, len(part.chip), arrays, several, sizes, slots, part, kind, records)
    else:
        records = card_sweep(arrays, sweeps, windows, single or device == "gpu-single")
    place = (np.arange(most) + 0.5) * (BLOCK * blocks * advance)[:, None]
    frequency = first[:, None] + place / (2.0 * np.pi)
    frequency[np.arange(most) >= windows[:, None]] = np.nan
    if unit != 1.0:
        for values in (records.volume, records.beat, records.deflection, records.settled):
            values *= unit
        records.power[...] *= unit**2
    lost = ~np.isfinite(records.settled).all(axis=2)
    status |= np.where(lost, int(ChipStatus.ESCAPED), 0)
    patience = np.ceil(PATIENCE / (slow * h * BLOCK * blocks))
    restless = np.zeros(status.shape, dtype=np.bool_)
    spread(_rest_rows, status.size, records.unrest, slow, patience, restless)
    status |= np.where(restless, int(ChipStatus.BEATS), 0)
    for values in records:
        values[(status & ~int(ChipStatus.BEATS)) != 0] = np.nan
    return ChipSweep(frequency, *records, status, (segments + sweeps.hold) * STEPS)


def chip_items(designs: int, chips: int) -> tuple[Ints, Ints]:
    """Design and first chip of every item: as many chips of a design as there are lanes."""
    each = -(-chips // LANES)
    return np.repeat(np.arange(designs), each), np.tile(LANES * np.arange(each), designs)


@kernel
def _rest_rows(
    begin: int, stop: int, unrest: Floats, slow: Floats, patience: Floats, out: Bools
) -> None:
    """Chips begin..stop of all designs': over the slowest decay rate, and whether they never rest.

    That is: more restless windows in a row than the design's ``patience``.
    """
    chips = unrest.shape[1]
    for row in range(begin, stop):
        d, c = row // chips, row % chips
        run = longest = 0
        for k in range(unrest.shape[2]):
            unrest[d, c, k] /= slow[d]
            run = run + 1 if unrest[d, c, k] > RESTLESS else 0
            longest = max(longest, run)
        out[d, c] = longest > patience[d]


def _terms(arrays: ChipArrays, top: Floats) -> Ints:
    """Terms of the self impedance's series that a sweep up to ``top`` Hz needs (M5.6)."""
    ka = 2.0 * np.pi * top * arrays.radius.max(axis=(1, 2)) / arrays.sound_speed
    limits = sorted((limit, terms) for terms, limit in TERMS_FOR_LIMIT.items())
    place = np.searchsorted([limit for limit, _ in limits], ka)
    return np.array([terms for _, terms in limits] + [limits[-1][1]])[place].astype(np.int64)


def range_status(arrays: ChipArrays, top: Floats) -> Ints:
    """`ChipStatus` of geometry and range, (design, chip)."""
    reach = arrays.radius.max(axis=2)
    ka = 2.0 * np.pi * top[:, None] * reach / arrays.sound_speed
    status = np.where(ka > max(TERMS_FOR_LIMIT.values()), int(ChipStatus.KA_RANGE), 0)
    over = np.zeros(status.shape, dtype=np.bool_)
    spread(_overlap_rows, status.size, arrays, over)
    return np.asarray(status | np.where(over, int(ChipStatus.OVERLAP), 0), dtype=np.int64)


@kernel
def _overlap_rows(begin: int, stop: int, a: ChipArrays, out: Bools) -> None:
    """Whether two cells of chips begin..stop of all designs' overlap where they must not."""
    chips = a.radius.shape[1]
    for row in range(begin, stop):
        d, c = row // chips, row % chips
        radius = a.radius[d, c]
        reach = radius.max()
        for i in range(radius.size if a.coupling[d] > 0.0 else 0):
            for j in range(i):
                apart = a.scale[d] * a.distance[a.pair[i, j]]
                if apart - radius[i] - radius[j] < -1e-9 * reach:
                    out[d, c] = True


def _coupling_rate(arrays: ChipArrays, linear: Linear) -> Floats:
    """Fastest change that coupling alone may make, (design,) [1/s]: norm of C over 2 w m."""
    out = np.empty(len(arrays.scale))
    for d in range(out.size):
        known = linear.resonance[d][np.isfinite(linear.resonance[d])]
        w = float(np.median(known)) if known.size else 1.0
        heaviest = float((arrays.strength[d] ** 2 / arrays.mass[d]).max())
        out[d] = coupling_norm(arrays, d, w) * heaviest / (2.0 * w)
    return np.fmax(out, 1e-300)  # a design without coefficients has no rate
