"""``[waveform]`` of study and design files: numbers, samples, limits of the driver, mistakes."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from arrayopt.base.errors import StudyError
from arrayopt.design.designs import DesignSpace
from arrayopt.design.file import read_design, write_design
from arrayopt.models.waves import driven, extremes
from arrayopt.study.read import read_study, read_study_text
from arrayopt.study.waveform import drive_of, read_samples
from tests.support.chain import sending
from tests.support.tiny_study import tiny_text

BURST = 'kind = "burst"\ncarrier = "100 kHz"\ncycles = 5\n'


def told(waveform: str, *, excitation: str = "waveform", more: str = "") -> list[str]:
    """What is said of a study with this waveform, without file name and line."""
    with pytest.raises(StudyError) as caught:
        sending(waveform + more, excitation)
    return [str(line).split(": ", 2)[-1] for line in str(caught.value).splitlines()]


def test_numbers_of_designs_are_fixed_varied_or_of_channels() -> None:
    study = sending()
    strategy = study.strategy("combined")
    space = DesignSpace(study, strategy)
    assert space.names[-6:] == (
        "pulse_carrier[0]",
        "pulse_carrier[1]",
        "pulse_cycles",
        "tail_cycles",
        "tail_amplitude[0]",
        "tail_amplitude[1]",
    )
    vectors = np.random.default_rng(3).random((5, space.n_variables))
    designs = space.decode(vectors)
    np.testing.assert_allclose(space.encode(designs), vectors, rtol=1e-12)
    assert (designs.waveform["pulse_taper"] == 0.5).all()
    assert (designs.waveform["tail_phase"] == np.pi).all()
    found = driven(designs.take([3, 1]), study)
    assert [len(some) for some in found.waves] == [2, 2]
    first = found.waves[0][1]
    carrier = 95e3 + 20e3 * vectors[3, space.names.index("pulse_carrier[1]")]
    assert first.carrier == pytest.approx(carrier)
    assert first.whole == pytest.approx(
        (designs.waveform["pulse_cycles"][3, 0] + designs.waveform["tail_cycles"][3, 0]) / carrier
    )
    alone = DesignSpace(study, study.strategy("uniform-nonlinear"))
    assert len(driven(alone.decode(vectors[:1, : alone.n_variables]), study).waves[0]) == 1


def test_design_files_hold_waveforms(tmp_path: Path) -> None:
    study = sending()
    strategy = study.strategy("combined")
    space = DesignSpace(study, strategy)
    designs = space.decode(np.random.default_rng(4).random((1, space.n_variables)))
    write_design(tmp_path / "design.toml", designs, strategy=strategy)
    text = (tmp_path / "design.toml").read_text(encoding="utf-8")
    _, back = read_design(tmp_path / "design.toml", study)
    for name, values in designs.waveform.items():
        np.testing.assert_allclose(back.waveform[name], values, rtol=1e-14)
    wrong = text.replace("\ncycles =", "\nlaw =", 1)
    (tmp_path / "less.toml").write_text(wrong, encoding="utf-8")
    with pytest.raises(StudyError) as caught:
        read_design(tmp_path / "less.toml", study)
    assert "waveform.cycles is missing; strategy combined varies it" in str(caught.value)
    assert "waveform.law" in str(caught.value)


def test_driver_limits_are_those_of_the_waveform_as_made() -> None:
    """A tone of 10 V at 100 kHz: 2 pi f V by hand, 6.28 V/us, at any phase."""
    study = sending('kind = "burst"\ncarrier = "100 kHz"\ncycles = 40\ntaper = "10 %"\n')
    designs = DesignSpace(study, study.strategies[0]).decode(
        np.full((1, DesignSpace(study, study.strategies[0]).n_variables), 0.5)
    )
    volts = designs.drive_amplitude[0, 0]
    voltage, slew = extremes(designs, driven(designs, study))
    np.testing.assert_allclose(voltage, volts, rtol=2e-3)
    np.testing.assert_allclose(slew, 2.0 * np.pi * 1e5 * volts, rtol=3e-3)
    jumps = drive_of(
        {"pulse_carrier": 1e5, "pulse_cycles": 3.0, "pulse_taper": 0.0}
        | dict.fromkeys(("tail_cycles", "tail_amplitude", "tail_phase"), 0.0),
        None,
    )
    assert np.isinf(jumps.extremes()[1])


def test_what_no_design_can_keep_is_said_once() -> None:
    (line,) = told(BURST, more='max_slew = "5 V/us"\n')
    assert line == (
        'waveform.max_slew is "5 V/us"; the waveform jumps at an end, which no slew rate follows; '
        "give it a taper"
    )
    (line,) = told(BURST, more='taper = "40 %"\nmax_voltage = "100 mV"\n')
    assert line.startswith('waveform.max_voltage is "100 mV"; the waveform at an amplitude of')
    assert "200 mV needs 200 mV" in line
    (line,) = told(BURST, more='taper = [0, 1]\nmax_slew = "5 V/us"\n')
    assert "waveform.taper is [0, 1]; a lowest taper above 0 is needed" in line


def test_mistakes_are_told_at_once() -> None:
    lines = told(
        'kind = "chirp"\nstart = "90 kHz"\nend = "90 kHz"\ncycles = 3\ntail_cycles = 2\n'
        'file = "a.csv"\nper_channel = ["law", "tail_cycle"]\n'
    )
    keys = [
        "duration",
        "file",
        "end",
        "cycles",
        "tail_amplitude",
        "per_channel[0]",
        "per_channel[1]",
    ]
    assert {line.split(" ")[0] for line in lines} == {f"waveform.{key}" for key in keys}
    (line,) = told(BURST.replace("5", "0.5"))
    assert "1 to 2000 cycles, with the tail, are needed; these are 0.5" in line
    (line,) = told(BURST.replace("5", "[5, 2]"))
    assert "the lower bound must come first and be smaller" in line


def test_what_a_study_without_it_cannot_have() -> None:
    text = tiny_text().replace('"up-sweep"', '"waveform"')
    with pytest.raises(StudyError, match=r"needs a table \[waveform\]; strategy uniform"):
        read_study_text(text)
    text = tiny_text().replace("[limits]", "[limits]\npulse_length = { max = '1 ms' }")
    with pytest.raises(StudyError, match=r"pulse_length needs \[waveform\]"):
        read_study_text(text)
    text = tiny_text().replace(
        "[limits]", f"[waveform]\n{BURST}\n[limits]\ndead_zone_unbraked = {{ max = '1 m' }}"
    )
    with pytest.raises(StudyError, match=r"dead_zone_unbraked needs waveform.tail_cycles"):
        read_study_text(text)
    text = tiny_text().replace(
        'back = "vented"',
        'back = "necked"\ncavity_depth = "80 um"\nneck_radius = "40 um"\nneck_length = "10 um"',
    )
    with pytest.raises(StudyError, match=r"waveform needs back = .vented. or .sealed."):
        read_study_text(text.replace("[limits]", f"[waveform]\n{BURST}\n[limits]"))


def test_a_strategy_has_a_waveform_of_its_own() -> None:
    own = '[strategy.combined.waveform]\nkind = "chirp"\nstart = "90 kHz"\nend = "110 kHz"\n'
    text = tiny_text().replace("[limits]", f"[waveform]\n{BURST}\n[limits]")
    study = read_study_text(text + "\n" + own + 'duration = ["0.1 ms", "0.4 ms"]\n')
    one, other = study.strategies[0], study.strategy("combined")
    assert one.fixed["pulse_cycles"] == 5.0
    assert "pulse_cycles" not in other.fixed
    assert other.vary["chirp_duration"] == (1e-4, 4e-4)
    assert study.of(one).waveform.kind == "burst"  # type: ignore[union-attr]
    assert study.of(other).waveform.kind == "chirp"  # type: ignore[union-attr]


def samples_text(count: int = 201, cycles: float = 10.0) -> str:
    t = np.linspace(0.0, 1e-4, count)
    v = 7.0 * np.sin(np.pi * t / 1e-4) ** 2 * np.cos(2e4 * np.pi * cycles * t)
    return "time [s],voltage [V]\n" + "".join(
        f"{a:.9e},{b:.9e}\n" for a, b in zip(t, v, strict=True)
    )


def test_samples_of_a_file(tmp_path: Path) -> None:
    found = read_samples(samples_text())
    assert found.duration == pytest.approx(1e-4)
    assert found.carrier == pytest.approx(1e5, rel=1e-3)
    drive = drive_of({}, found)
    t = np.linspace(0.0, 1e-4, 801)
    wanted = np.sin(np.pi * t / 1e-4) ** 2 * np.cos(2e5 * np.pi * t)
    np.testing.assert_allclose(drive.at(t).real, wanted, atol=2e-3)
    assert drive.extremes()[1] == pytest.approx(2.0 * np.pi * 1e5, rel=0.02)
    study = tiny_text().replace(
        "[limits]", '[waveform]\nkind = "samples"\nfile = "s.csv"\n[limits]'
    )
    path = tmp_path / "study.toml"
    path.write_text(study, encoding="utf-8")
    with pytest.raises(StudyError, match=r'waveform.file is "s.csv"; cannot be read'):
        read_study(path)
    (tmp_path / "s.csv").write_text(samples_text(), encoding="utf-8")
    one = read_study(path)
    assert one.waveform is not None
    assert one.waveform.samples is not None
    again = read_study_text(one.text)
    assert again.digest == one.digest
    assert again.waveform == one.waveform
    (tmp_path / "s.csv").write_text(samples_text(cycles=11.0), encoding="utf-8")
    assert read_study(path).digest != one.digest
    path.write_text(study.replace("s.csv", "../s.csv"), encoding="utf-8")
    with pytest.raises(StudyError, match="a file in the study's folder is needed"):
        read_study(path)


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("t,v\n" + "0,1\n" * 9, "line 3: times must rise"),
        ("0,1\n1,x\n", "line 2: time in s, a comma and a voltage"),
        ("0,1,2\n", "8 to 200000 samples are needed"),
        ("0,nan\n", "line 1: finite numbers"),
        ("".join(f"{k}e-6,0\n" for k in range(20)), "all voltages are 0"),
        ("".join(f"{k}e-6,1\n" for k in range(20)), "cycles are needed"),
        ("0,1\n1e-12,1\n" + "".join(f"{k}e-6,1\n" for k in range(1, 20)), "space them more evenly"),
        ("".join(f"{k}e300,{k % 3}\n" for k in range(-9, 9)), "times up to 1000 s and 1e-12 s"),
        ("".join(f"{5 * k}e-324,{k % 3}\n" for k in range(9)), "times up to 1000 s and 1e-12 s"),
    ],
)
def test_what_is_no_table_of_samples(text: str, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        read_samples(text)


def test_an_echo_needs_a_waveform_and_its_path_what_it_needs() -> None:
    text = 'path = "point"\n[echo.amplifier]\nvoltage_noise = "3 nV/rtHz"\n'
    with pytest.raises(StudyError, match=r"echo needs \[waveform\]") as caught:
        read_study_text(tiny_text() + "[echo]\n" + text)
    assert 'target_strength is missing; path = "point" needs it' in str(caught.value)
    (need,) = told(BURST, more='[echo]\ntarget_strength = "-40 dB"\n')
    assert "does nothing with" in need
    study = sending(BURST + '[echo]\ntarget_strength = "-40 dB"\n' + text)
    assert study.echo is not None
    assert study.echo.amplifier.voltage_noise == pytest.approx(3e-9, rel=1e-12)
    limits = "[limits]\n"
    wanted = tiny_text().replace(limits, limits + 'signal_to_noise = { min = "20 dB" }\n')
    with pytest.raises(StudyError, match=r"signal_to_noise needs \[waveform\] and \[echo\]"):
        read_study_text(wanted)
