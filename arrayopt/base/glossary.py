"""Every quantity once: name, symbol, unit, dimensions, meaning, and how people are shown it."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass, replace
from functools import cached_property

from arrayopt.base.errors import ArrayoptError, nearest_name
from arrayopt.base.units import KINDS, kind_of, parse

_TABLE = """
[design cell]
radius | a | m: um
  radius of the diaphragm
electrode_coverage | c | 1
  fraction of the radius under the top electrode: 0 to c a (disc), (1 - c) a to a (ring)
ring | | 1
  1 where the top electrode is a ring, 0 where it is a disc
drive_amplitude | V | V
  peak amplitude of the AC voltage
drive_phase | | rad: deg
  phase lead of the AC voltage
bias | V_dc | V
  DC voltage on the top electrode, common to a design
pulse_carrier | | Hz: kHz
  frequency of the waveform's tone burst
pulse_cycles | | 1
  cycles of the waveform's tone burst, braking tail not counted
chirp_start | f1 | Hz: kHz
  first frequency of the waveform's chirp
chirp_end | f2 | Hz: kHz
  last frequency of the waveform's chirp
chirp_duration | | s: us
  duration of the waveform's chirp, braking tail not counted
chirp_law | n | 1
  exponent of the chirp's frequency about its middle; 1 is linear
pulse_taper | r | 1: %
  share of the waveform's length, and of its tail's, under rising and falling cosines
tail_cycles | | 1
  cycles of the braking tail
tail_amplitude | | 1: %
  amplitude of the braking tail over that of the waveform
tail_phase | | rad: deg
  phase by which the braking tail leads what it follows
[design]
pitch | d | m: mm
  distance of neighbouring cells in the lattice
[design cell axis]
position | x, y | m: um
  centre of the cell from the array's centre
[design cell]
group | | 1
  number of the group (radius class and drive channel)
channel | | 1
  number of the drive channel
cell_frequency | f_0 | Hz: kHz
  small-signal resonance of the driven mode, radiation included; necks of the back held
cell_quality_factor | Q | 1
  small-signal, radiation included
cell_onset_voltage | | V
  smallest drive amplitude at which the cell becomes bistable; infinite where it never does
cell_static_deflection | | m: um
  centre deflection under film stress and bias, positive towards the top of the stack
[design group]
cell_count | | 1
  number of cells in the group
[design merit]
fractional_bandwidth | FBW | 1: %
  (f2 - f1) / ((f1 + f2) / 2) of the contiguous band around the peak of the pressure
onset_voltage | V_c | V
  smallest drive amplitude of the channel driven most, all scaled together, at which up- and
  down-sweep of the array part
drive_to_onset | | 1
  drive amplitude of the channel driven most over the onset voltage
peak_pressure | p | Pa
  largest pressure amplitude in the band at the target distance and direction
peak_level | L_p | dB: dB re 20 uPa
  peak_pressure as rms level, in dB re 20 uPa
centre_frequency | f_c | Hz: kHz
  arithmetic mean of the band's limits
ripple | | dB
  depth of the deepest valley inside the band
small_signal_bandwidth | | 1: %
  fractional bandwidth of the same array driven far below onset
two_way_bandwidth | | 1: %
  fractional bandwidth of transmission and reception by the same array
swept_bandwidth | | 1: %
  fractional bandwidth under a slow upward sweep, whatever the excitation
burst_bandwidth | | 1: %
  fractional bandwidth of the largest amplitude within a burst, against its carrier
ring_down_time | t_20 | s: ms
  from the end of the waveform, burst or chirp until the pressure stays 20 dB below its peak
ring_down_time_40 | t_40 | s: ms
  from the end of the waveform, burst or chirp until the pressure stays 40 dB below its peak
dead_zone | | m: mm
  half the path of sound during drive and ring_down_time_40: nearer echoes are drowned
pulse_bandwidth | | 1: %
  -6 dB width over centre of the spectrum of the waveform, burst or chirp as emitted
swept_range_resolution | c/2B | m: mm
  sound speed over twice the bandwidth of the excitation: what a pulse that fills it could resolve
pulse_level | | dB: dB re 20 uPa
  largest amplitude of the pulse at the target as rms level, in dB re 20 uPa
pulse_length | | s: us
  from the first to the last time that the pulse is 20 dB below its peak
pulse_spectrum_bandwidth | | 1: %
  -6 dB width over centre of the spectrum of the pulse
pulse_energy | | J/m2: uJ/m2
  sound energy of the pulse per area at the target
compressed_width | | s: us
  -6 dB full width of the pulse after a filter matched to that of a chip made as drawn
compressed_width_own | | s: us
  the same with the chip's own pulse as replica
range_side_lobes | | dB
  highest side lobe of the compressed pulse relative to its peak
range_resolution | | m: mm
  half the path of sound in compressed_width
dead_zone_unbraked | | m: mm
  dead_zone without the braking tail
drive_voltage | | V
  largest voltage of the waveform on any channel, without bias
drive_slew | | V/s: V/us
  steepest slope of the waveform on any channel; infinite where it jumps
echo_voltage | | V: mV
  largest amplitude of the echo, or of the pulse that the second array hears, at the amplifier
signal_to_noise | SNR | dB
  power of that signal's peak over that of the noise behind a filter matched to both
maximum_range | | m
  distance of the target at which signal_to_noise is the study's wanted ratio
time_of_flight_error | | s: ns
  least standard deviation of the time of flight, waveform known (Cramer-Rao bound)
envelope_time_error | | s: ns
  the same bound where the waveform's phase is not known
deflection_ratio | w/h | 1
  largest centre deflection, static and dynamic, over the diaphragm's thickness
quadratic_ratio | | 1
  largest ratio of quadratic to linear restoring force; above 0.15 one effective cubic misses the
  frequency shift by more than 5 %
model_range | | 1
  share of the model's trusted range in use: one mode, deflection_ratio / 1.2 and quadratic_ratio
  / 0.15; several modes, deflection_ratio / 2; above 1 never a good design
beam_width | | degree: deg
  full angle of the main lobe at half power (-3 dB) at the centre frequency, wider plane
side_lobe_level | | dB
  highest side or grating lobe relative to the main lobe at the centre frequency
electric_field | E | V/m: V/um
  largest field in the film, bias plus drive amplitude over its thickness
film_stress | | Pa: MPa | stress
  largest in-plane stress magnitude in the film
drive_power | | W: mW
  largest mean mechanical power of all cells
die_area | | m2: mm2
  smallest rectangle around the cells with the edge margin on all sides
yield | | 1: %
  share of chips that keep every limit and reach the study's part of every objective
[design]
clearance_margin | | m: um
  smallest gap between two diaphragms less the required clearance; negative is a violation
die_margin | | m: um
  room between outermost diaphragm plus edge margin and the die; negative is a violation
[design frequency]
frequency | f | Hz: kHz
  drive frequency
[design]
band_lower | f1 | Hz: kHz
  lower limit of the band, median of the chips
band_upper | f2 | Hz: kHz
  upper limit of the band, median of the chips
[design frequency]
pressure | p | Pa
  pressure amplitude at the target, median of the chips
pressure_lowest | | Pa
  that of the chip with the lowest
pressure_highest | | Pa
  that of the chip with the highest
opposite_pressure | | Pa
  pressure amplitude on the sweep the other way, median of the chips
small_signal_pressure | | Pa
  pressure amplitude if the cells were linear, median of the chips
burst_pressure | | Pa
  largest pressure amplitude within a burst with this carrier, median of the chips
burst_end_pressure | | Pa
  pressure amplitude in the last cycle of a burst with this carrier, median of the chips
[design time]
pulse_time | t | s: us
  from the start of the drive, the shortest way to the target left out
pulse_drive | | V
  waveform on the channel driven most, without bias
pulse_pressure | p | Pa
  pressure at the target of a chip made as drawn
pulse_envelope | | Pa
  amplitude of the pressure at the target, median of the chips
pulse_envelope_lowest | | Pa
  that of the chip with the lowest
pulse_envelope_highest | | Pa
  that of the chip with the highest
pulse_envelope_unbraked | | Pa
  pulse_envelope without the braking tail
[design]
pulse_likeness | | 1: %
  largest correlation of a measured pulse with that of a chip made as drawn, over delay and phase
[design tone]
pulse_frequency | f | Hz: kHz
  frequency of the pulse's spectrum
pulse_spectrum | | dB
  spectrum of the pulse, median of the chips, relative to its largest
pulse_spectrum_lowest | | dB
  that of the chip with the lowest, relative to the same
pulse_spectrum_highest | | dB
  that of the chip with the highest, relative to the same
[design offset]
compressed_time | | s: us
  from the peak of the compressed pulse
compressed_pulse | | dB
  compressed pulse relative to its peak, median of the chips
compressed_pulse_lowest | | dB
  that of the chip with the lowest
compressed_pulse_highest | | dB
  that of the chip with the highest
[design chip]
chip_status | | 1
  0 where all is well with a chip, else the sum of its status flags
[design]
verify_chips | | 1
  chips that were verified; 0 where none were
verify_status | | 1
  0 where verified chips hold what was promised, else flags; -1 where none were verified
status | | 1
  0 where all is well, else the sum of the status flags
"""
"""Sections give dimensions, and whether rows are merits. A row: name, symbol, stored unit (CF) with
the unit people are shown after a colon, and the kind where the unit leaves it open; below it one
sentence of meaning."""

DESIGN = ("design",)


@dataclass(frozen=True)
class Quantity:
    """One row of the glossary.

    Parameters
    ----------
    name : the only name this quantity has, in code, files and results.
    symbol : as in the equations of docs/models.md; empty where there is none.
    units : CF unit string of stored values.
    shown : unit in which people are shown it.
    dims : dimensions of the stored array.
    meaning : one sentence without full stop.
    kind : kind of unit string in study files (a key of ``units.KINDS``).
    merit : True for figures of merit, which may be objectives and limits.
    """

    name: str
    symbol: str
    units: str
    shown: str
    dims: tuple[str, ...]
    meaning: str
    kind: str
    merit: bool = False

    @cached_property
    def factor(self) -> float:
        """From the stored value to the one shown."""
        units = KINDS[self.kind].units
        return units.get(self.units, 1.0) / units.get(self.shown, 1.0)


def _rows() -> tuple[Quantity, ...]:
    rows: list[Quantity] = []
    section: list[str] = []
    for block in re.split(r"\n(?! )", _TABLE.strip()):
        head, *lines = block.splitlines()
        if head.startswith("["):
            section = head.strip("[]").split()
            continue
        name, symbol, unit, *kind = (part.strip() for part in head.split("|"))
        units, _, shown = unit.partition(": ")
        rows.append(
            Quantity(
                name,
                symbol,
                units,
                shown or ("" if units == "1" else units),
                tuple(word for word in section if word != "merit"),
                " ".join(line.strip() for line in lines),
                kind[0] if kind else kind_of(units),
                "merit" in section,
            )
        )
    return tuple(rows)


ROWS = _rows()
GLOSSARY: dict[str, Quantity] = {row.name: row for row in ROWS}
MERITS: tuple[str, ...] = tuple(row.name for row in ROWS if row.merit)

MARGIN_PREFIX = "margin_"
KEPT_PREFIX = "kept_"
CHIPS_SUFFIX, NOMINAL_SUFFIX = "_chips", "_nominal"
VERIFIED_PREFIX = "verified_"
SPREAD_SUFFIXES = {"_lowest": "lowest", "_median": "median", "_highest": "highest"}
"""Of verified merits: of the chips that were verified."""

BURST_MERITS = frozenset({"burst_bandwidth"})
"""Merits of a study with ``target.burst_length`` only."""

PULSE_MERITS = frozenset({"ring_down_time", "ring_down_time_40", "dead_zone", "pulse_bandwidth"})
"""Merits of a study with a waveform, ``target.burst_length``, or a chirp for excitation, only."""

WAVEFORM_MERITS = frozenset(
    {
        "pulse_level",
        "pulse_length",
        "pulse_spectrum_bandwidth",
        "pulse_energy",
        "compressed_width",
        "compressed_width_own",
        "range_side_lobes",
        "range_resolution",
        "drive_voltage",
        "drive_slew",
    }
)
"""Merits of a study with a waveform only."""

TAIL_MERITS = frozenset({"dead_zone_unbraked"})
"""Merits of a waveform with a braking tail only."""

ECHO_MERITS = frozenset(
    {
        "echo_voltage",
        "signal_to_noise",
        "maximum_range",
        "time_of_flight_error",
        "envelope_time_error",
    }
)
"""Merits of a study with ``[waveform]`` and ``[echo]`` only."""


class UnknownQuantityError(ArrayoptError):
    """A name is not in the glossary."""


def quantity(name: str) -> Quantity:
    """The glossary row of a name, and of what stands beside a merit NAME.

    That is ``margin_NAME``, ``kept_NAME``, ``NAME_chips``, ``NAME_nominal``, and of verified
    designs ``verified_NAME``, ``verified_kept_NAME`` and ``verified_NAME_lowest``, ``_median`` and
    ``_highest``.

    Raises
    ------
    UnknownQuantityError : with the nearest known name.
    """
    if name in GLOSSARY:
        return GLOSSARY[name]
    bare = name.removeprefix(VERIFIED_PREFIX)
    verified = "of verified chips, " if bare != name else ""
    if (row := GLOSSARY.get(bare.removeprefix(KEPT_PREFIX))) and bare != row.name:
        meaning = f"{verified}share of chips that keep the limits on {row.name}"
        return Quantity(name, "", "1", "%", DESIGN, meaning, kind_of("1"))
    if row := GLOSSARY.get(name.removeprefix(MARGIN_PREFIX)):
        meaning = f"distance of {row.name} from its limit; negative is a violation"
        return _derived(row, name, meaning, shown=row.shown.partition(" re ")[0])
    if verified and (row := GLOSSARY.get(bare)):
        return _derived(row, name, f"{row.name} that the study's share of verified chips reaches")
    for suffix, which in SPREAD_SUFFIXES.items():
        row = GLOSSARY.get(bare.removesuffix(suffix))
        if verified and row is not None and row.merit:
            return _derived(row, name, f"{row.name} of the {which} verified chip")
    if (row := GLOSSARY.get(name.removesuffix(CHIPS_SUFFIX))) and row.merit:
        return replace(_derived(row, name, f"{row.name} of every chip"), dims=("design", "chip"))
    if (row := GLOSSARY.get(name.removesuffix(NOMINAL_SUFFIX))) and row.merit:
        return _derived(row, name, f"{row.name} of a chip made as drawn")
    nearest = nearest_name(name, GLOSSARY)
    hint = f"; did you mean {nearest}?" if nearest else ""
    raise UnknownQuantityError(f"quantity {name!r} is not in the glossary{hint}")


def _derived(row: Quantity, name: str, meaning: str, shown: str | None = None) -> Quantity:
    shown = row.shown if shown is None else shown
    return Quantity(name, "", row.units, shown, DESIGN, meaning, row.kind)


def attrs(name: str) -> dict[str, str]:
    """CF attributes (``units``, ``long_name``) for storing a quantity.

    Parameters
    ----------
    name : as `quantity` takes it.

    Raises
    ------
    UnknownQuantityError : with the nearest known name.
    """
    row = quantity(name)
    return {"units": row.units, "long_name": row.meaning}


def stored(name: str, written: object) -> float:
    """What a user writes of a quantity (``"45 deg"``), in the unit in which it is stored.

    Raises
    ------
    QuantityError : not a value of that kind; its text names the kind and gives an example.
    """
    row = quantity(name)
    return parse(written, row.kind, row.units)


def words(name: str) -> str:
    """A name as words: ``peak pressure``."""
    return name.replace("_", " ")


def shown_number(name: str, value: float) -> str:
    """A stored value as people are shown it, without its unit.

    Four digits; ``-`` where there is none, ``never`` for a voltage that no drive reaches.
    """
    if not math.isfinite(value):
        return "-" if math.isnan(value) else ("never" if value > 0 else "-inf")
    row = quantity(name)
    number = value * row.factor
    # an angle below a thousandth of a degree is zero; so is the minus sign of a zero
    number = 0.0 if number == 0.0 or (row.kind == "angle" and abs(number) < 1e-3) else number
    return f"{number:.0f}" if 9999.5 <= abs(number) < 1e7 else f"{number:.4g}"


def shown(name: str, value: float) -> str:
    """A stored value with its unit, for people: ``25.13 %``, ``3.11 V``."""
    number = shown_number(name, value)
    return f"{number} {quantity(name).shown}".strip() if math.isfinite(value) else number


def heading(name: str) -> str:
    """A name as words with its unit in brackets, over columns of `shown_number`."""
    unit = quantity(name).shown
    return f"{words(name)} [{unit}]" if unit else words(name)


def shown_change(name: str, value: float, base: float) -> str:
    """How far a value lies from another one: of quantities in dB the difference, else in per cent.

    ``-`` where either is unknown, or there is nothing to compare with.
    """
    if quantity(name).units == "dB":
        return f"{value - base:+.2f} dB" if math.isfinite(value - base) else "-"
    ratio = (value - base) / abs(base) if base else math.nan
    return f"{100.0 * ratio:+.1f} %" if math.isfinite(ratio) else "-"


def markdown() -> str:
    """The glossary as the text of docs/quantities.md."""
    lines = [
        "# Quantities",
        "",
        "Generated from the glossary: `python -m arrayopt.base.glossary > docs/quantities.md`.",
        "Objectives and limits may name the rows marked *merit*. `margin_NAME` stands beside a",
        "limited quantity NAME, in its unit: the distance from the limit, negative on violation.",
        "`NAME_chips` and `NAME_nominal` stand beside a merit NAME: that of every chip, and of",
        "one made as drawn. `kept_NAME` is the share of chips that keep the limits on NAME. Of",
        "verified designs there are `verified_NAME`, `verified_NAME_lowest`, `_median`, `_highest`",
        "and `verified_kept_NAME`. Files hold the stored unit, tables and pictures show the second",
        "one.",
        "",
        "| name | symbol | unit | shown in | dimensions | merit | meaning |",
        "|---|---|---|---|---|---|---|",
    ]
    for row in ROWS:
        lines.append(
            f"| `{row.name}` | {row.symbol} | {row.units} | {row.shown} | {', '.join(row.dims)} "
            f"| {'merit' if row.merit else ''} | {row.meaning} |"
        )
    return "\n".join(lines) + "\n"


if __name__ == "__main__":
    print(markdown(), end="")
