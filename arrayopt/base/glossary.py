"""Every stored quantity once: name, symbol, unit, dimensions and meaning."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Quantity:
    """One row of the glossary.

    Parameters
    ----------
    name : the only name this quantity has, in code, files and results.
    symbol : as in the equations of docs/models.md; empty where there is none.
    units : CF unit string of stored values.
    dims : dimensions of the stored array.
    meaning : one sentence without full stop.
    kind : kind of unit string in study files (a key of ``units.KINDS``); empty if never written.
    merit : True for figures of merit, which may be objectives and limits.
    """

    name: str
    symbol: str
    units: str
    dims: tuple[str, ...]
    meaning: str
    kind: str = ""
    merit: bool = False


_CELL = ("design", "cell")
DESIGN = ("design",)
_SPECTRUM = ("design", "frequency")
_GROUP_SPECTRUM = ("design", "group", "frequency")


def _merit(name: str, symbol: str, units: str, meaning: str, kind: str) -> Quantity:
    return Quantity(name, symbol, units, DESIGN, meaning, kind, True)


ROWS = (
    # what a design is
    Quantity("radius", "a", "m", _CELL, "radius of the diaphragm", "length"),
    Quantity(
        "electrode_coverage",
        "c",
        "1",
        _CELL,
        "fraction of the radius under the top electrode: 0 to c a (disc), (1 - c) a to a (ring)",
        "ratio",
    ),
    Quantity("ring", "", "1", _CELL, "1 where the top electrode is a ring, 0 where it is a disc"),
    Quantity("drive_amplitude", "V", "V", _CELL, "peak amplitude of the AC voltage", "voltage"),
    Quantity("drive_phase", "", "rad", _CELL, "phase lead of the AC voltage", "angle"),
    Quantity(
        "bias", "V_dc", "V", _CELL, "DC voltage on the top electrode, common to a design", "voltage"
    ),
    Quantity("pitch", "d", "m", DESIGN, "distance of neighbouring cells in the lattice", "length"),
    Quantity(
        "position", "x, y", "m", (*_CELL, "axis"), "centre of the cell from the array's centre"
    ),
    Quantity("group", "", "1", _CELL, "number of the group (radius class and drive channel)"),
    Quantity("channel", "", "1", _CELL, "number of the drive channel"),
    Quantity(
        "cell_frequency",
        "f_0",
        "Hz",
        _CELL,
        "small-signal resonance of the driven mode, radiation included; necks of the back held",
        "frequency",
    ),
    Quantity("cell_quality_factor", "Q", "1", _CELL, "small-signal, radiation included", "ratio"),
    Quantity(
        "cell_onset_voltage",
        "",
        "V",
        _CELL,
        "smallest drive amplitude at which the cell becomes bistable; infinite where it never does",
        "voltage",
    ),
    Quantity(
        "cell_static_deflection",
        "",
        "m",
        _CELL,
        "centre deflection under film stress and bias, positive towards the top of the stack",
        "length",
    ),
    Quantity("cell_count", "", "1", ("design", "group"), "number of cells in the group"),
    # figures of merit
    _merit(
        "fractional_bandwidth",
        "FBW",
        "1",
        "(f2 - f1) / ((f1 + f2) / 2) of the contiguous band around the peak of the pressure",
        "ratio",
    ),
    _merit(
        "onset_voltage",
        "V_c",
        "V",
        "smallest drive amplitude at which the last driven cell becomes bistable",
        "voltage",
    ),
    _merit(
        "first_onset_voltage",
        "",
        "V",
        "smallest drive amplitude at which the first driven cell becomes bistable",
        "voltage",
    ),
    _merit(
        "drive_to_onset",
        "",
        "1",
        "largest ratio of drive amplitude to onset voltage over the driven cells",
        "ratio",
    ),
    _merit(
        "peak_pressure",
        "p",
        "Pa",
        "largest pressure amplitude in the band at the target distance and direction",
        "pressure",
    ),
    _merit("peak_level", "L_p", "dB", "peak_pressure as rms level, in dB re 20 uPa", "level"),
    _merit("centre_frequency", "f_c", "Hz", "arithmetic mean of the band's limits", "frequency"),
    _merit("ripple", "", "dB", "depth of the deepest valley inside the band", "level"),
    _merit(
        "small_signal_bandwidth",
        "",
        "1",
        "fractional bandwidth of the same array driven far below onset",
        "ratio",
    ),
    _merit(
        "two_way_bandwidth",
        "",
        "1",
        "fractional bandwidth of transmission and reception by the same array",
        "ratio",
    ),
    _merit(
        "swept_bandwidth",
        "",
        "1",
        "fractional bandwidth under a slow upward sweep, whatever the excitation",
        "ratio",
    ),
    _merit(
        "burst_bandwidth",
        "",
        "1",
        "fractional bandwidth of the largest amplitude within a burst, against its carrier",
        "ratio",
    ),
    _merit(
        "ring_down_time",
        "t_20",
        "s",
        "from the end of the burst or chirp until the pressure stays 20 dB below its peak",
        "time",
    ),
    _merit(
        "ring_down_time_40",
        "t_40",
        "s",
        "from the end of the burst or chirp until the pressure stays 40 dB below its peak",
        "time",
    ),
    _merit(
        "dead_zone",
        "",
        "m",
        "half the path of sound during drive and ring_down_time_40: nearer echoes are drowned",
        "length",
    ),
    _merit(
        "pulse_bandwidth",
        "",
        "1",
        "-6 dB width over centre of the spectrum of the emitted burst or chirp",
        "ratio",
    ),
    _merit("range_resolution", "c/2B", "m", "sound speed over twice the bandwidth", "length"),
    _merit(
        "deflection_ratio",
        "w/h",
        "1",
        "largest centre deflection, static and dynamic, over the diaphragm's thickness",
        "ratio",
    ),
    _merit(
        "quadratic_ratio",
        "",
        "1",
        "largest ratio of quadratic to linear restoring force; above 0.15 one effective cubic "
        "misses the frequency shift by more than 5 %",
        "ratio",
    ),
    _merit(
        "model_range",
        "",
        "1",
        "share of the model's trusted range in use: one mode, deflection_ratio / 1.2 and "
        "quadratic_ratio / 0.15; several modes, deflection_ratio / 2; above 1 never a good design",
        "ratio",
    ),
    _merit(
        "beam_width",
        "",
        "degree",
        "full angle of the main lobe at half power (-3 dB) at the centre frequency, wider plane",
        "angle",
    ),
    _merit(
        "side_lobe_level",
        "",
        "dB",
        "highest side or grating lobe relative to the main lobe at the centre frequency",
        "level",
    ),
    _merit(
        "electric_field",
        "E",
        "V/m",
        "largest field in the film, bias plus drive amplitude over its thickness",
        "field",
    ),
    _merit("film_stress", "", "Pa", "largest in-plane stress magnitude in the film", "stress"),
    _merit("drive_power", "", "W", "largest mean mechanical power of all cells", "power"),
    _merit(
        "die_area",
        "",
        "m2",
        "smallest rectangle around the cells with the edge margin on all sides",
        "area",
    ),
    # geometry that limits a design
    Quantity(
        "clearance_margin",
        "",
        "m",
        DESIGN,
        "smallest gap between two diaphragms less the required clearance; negative is a violation",
        "length",
    ),
    Quantity(
        "die_margin",
        "",
        "m",
        DESIGN,
        "room between outermost diaphragm plus edge margin and the die; negative is a violation",
        "length",
    ),
    # responses
    Quantity("frequency", "f", "Hz", _SPECTRUM, "drive frequency", "frequency"),
    Quantity("band_lower", "f1", "Hz", DESIGN, "lower limit of the band"),
    Quantity("band_upper", "f2", "Hz", DESIGN, "upper limit of the band"),
    Quantity(
        "pressure_real",
        "Re p",
        "Pa",
        _SPECTRUM,
        "pressure amplitude at the target, in phase with zero drive phase",
    ),
    Quantity(
        "pressure_imag",
        "Im p",
        "Pa",
        _SPECTRUM,
        "pressure amplitude at the target, in quadrature, time factor exp(+j w t)",
    ),
    *(
        Quantity(f"{name}_{part}", "", "Pa", dims, f"{meaning}, {word}")
        for name, dims, meaning in (
            ("opposite_pressure", _SPECTRUM, "pressure amplitude on the sweep the other way"),
            ("small_signal_pressure", _SPECTRUM, "pressure amplitude if the cells were linear"),
            ("group_pressure", _GROUP_SPECTRUM, "the group's share of the pressure amplitude"),
        )
        for part, word in (("real", "in phase"), ("imag", "in quadrature"))
    ),
    Quantity(
        "displacement_real",
        "Re q",
        "m",
        _GROUP_SPECTRUM,
        "centre displacement amplitude of the group's cells, real part",
    ),
    Quantity(
        "displacement_imag",
        "Im q",
        "m",
        _GROUP_SPECTRUM,
        "centre displacement amplitude of the group's cells, imaginary part",
    ),
    Quantity("several_modes", "", "1", DESIGN, "1 where several modes and harmonics were computed"),
    Quantity(
        "burst_pressure",
        "",
        "Pa",
        _SPECTRUM,
        "largest pressure amplitude within a burst with this carrier",
    ),
    Quantity(
        "burst_end_pressure",
        "",
        "Pa",
        _SPECTRUM,
        "pressure amplitude in the last cycle of a burst with this carrier",
    ),
    Quantity(
        "draws_lost",
        "",
        "1",
        DESIGN,
        "share of the calibration's draws in which the design has no merits; bands leave them out",
    ),
    Quantity(
        "verified_onset_voltage",
        "",
        "V",
        DESIGN,
        "drive amplitude of the channel driven most, all scaled together, at which up- and "
        "down-sweep of the array of coupled cells first part; infinite where they never do",
        "voltage",
    ),
    Quantity("verify_status", "", "1", DESIGN, "0 where the verification is sound, else flags"),
    Quantity("status", "", "1", DESIGN, "0 where all is well, else the sum of the status flags"),
)
