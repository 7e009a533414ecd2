"""Messy measured files: every reading is stated, and what cannot be read is refused by line."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from arrayopt.base.errors import ArrayoptError
from arrayopt.lab.read.files import MeasuredError, Trace, read_measured

HEAD = """\
# invented
# cell = A
# radius = 450 um
# quantity = displacement
# drive_amplitude = 2 V
# sweep = up
"""


def write(folder: Path, text: str, name: str = "a.csv") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


def read_one(folder: Path, text: str) -> tuple[Trace, str]:
    (trace,), readings = read_measured([write(folder, text)])
    return trace, "\n".join(map(str, readings))


def test_a_plain_file(tmp_path: Path) -> None:
    rows = "frequency [kHz],magnitude [nm],phase [deg]\n99,10,90\n100,20,45\n101,10,0\n"
    trace, readings = read_one(tmp_path, HEAD + rows)
    np.testing.assert_allclose(trace.frequency, [99e3, 100e3, 101e3], rtol=1e-12)
    np.testing.assert_allclose(trace.magnitude, [1e-8, 2e-8, 1e-8], rtol=1e-12)
    assert trace.phase is not None
    np.testing.assert_allclose(trace.phase, [math.pi / 2, math.pi / 4, 0.0], rtol=1e-12)
    assert (trace.cell, trace.radius, trace.drive_amplitude, trace.sweep) == (
        "A",
        450e-6,
        2.0,
        "up",
    )
    assert readings == ""


@pytest.mark.parametrize(
    ("rows", "stated"),
    [
        ("frequency [kHz];magnitude [nm]\n99,5;1,5\n100,5;2,5\n", "decimal commas"),
        ("frequency [kHz],magnitude [nm]\n99,1\n100,\n101,2\n", "without a value"),
        ("frequency [kHz],magnitude [nm]\n101,1\n99,3\n100,2\n", "out of order: sorted"),
        ("frequency [kHz],magnitude [nm]\n99,1\n99,3\n100,2\n", "more than once: their mean"),
        ("frequency [kHz],level [dB re 1 nm]\n99,0\n100,20\n", "turned into a magnitude"),
        ("frequency [kHz],magnitude [nm]\n99,1\n100,OVL\n101,1\n", "1 clipped points"),
        ("frequency [kHz],magnitude [nm],operator\n99,1,x\n100,2,x\n", "not known: ignored"),
    ],
)
def test_each_reading_is_stated(tmp_path: Path, rows: str, stated: str) -> None:
    _, readings = read_one(tmp_path, HEAD + rows)
    assert stated in readings


def test_decimal_commas_levels_and_repeats_have_the_right_values(tmp_path: Path) -> None:
    trace, _ = read_one(tmp_path, HEAD + "frequency [kHz];magnitude [nm]\n99,5;1,5\n100,5;2,5\n")
    np.testing.assert_allclose(trace.frequency, [99.5e3, 100.5e3], rtol=1e-12)
    trace, _ = read_one(tmp_path, HEAD + "frequency [kHz],level [dB re 1 nm]\n99,0\n100,20\n")
    np.testing.assert_allclose(trace.magnitude, [1e-9, 1e-8], rtol=1e-12)
    trace, _ = read_one(tmp_path, HEAD + "frequency [kHz],magnitude [nm]\n99,1\n99,3\n100,2\n")
    np.testing.assert_allclose(trace.magnitude, [2e-9, 2e-9], rtol=1e-12)


def test_rms_peak_to_peak_complex_and_per_volt(tmp_path: Path) -> None:
    rows = "frequency [kHz],magnitude [nm]\n99,1\n100,2\n"
    trace, _ = read_one(tmp_path, HEAD + "# amplitude = rms\n" + rows)
    np.testing.assert_allclose(trace.magnitude, [math.sqrt(2) * 1e-9, math.sqrt(8) * 1e-9])
    trace, _ = read_one(tmp_path, HEAD + "# amplitude = peak-to-peak\n" + rows)
    np.testing.assert_allclose(trace.magnitude, [0.5e-9, 1e-9])
    trace, _ = read_one(
        tmp_path, HEAD + "frequency [kHz],real [nm/V],imag [nm/V]\n99,3,4\n100,0,1\n"
    )
    np.testing.assert_allclose(trace.magnitude, [10e-9, 2e-9], rtol=1e-12)


def test_sound_levels_are_of_the_rms_value(tmp_path: Path) -> None:
    # ISO 1683: 94 dB re 20 uPa is 1.002 Pa rms
    text = HEAD.replace("displacement", "pressure") + "# distance = 0.1 m\n"
    rows = "frequency [kHz],level [dB re 20 uPa]\n99,94\n100,90\n"
    trace, readings = read_one(tmp_path, text + rows)
    assert trace.magnitude[0] == pytest.approx(math.sqrt(2) * 1.00237, rel=1e-5)
    assert "rms" in readings


def test_a_flat_top_is_clipped_and_a_coarse_converter_is_not(tmp_path: Path) -> None:
    f = np.arange(90.0, 111.0)
    peak = 100.0 / (1.0 + ((f - 100.0) / 3.0) ** 2)
    head = HEAD + "frequency [kHz],magnitude [nm]\n"
    flat = "".join(f"{x},{min(y, 60.0):.2f}\n" for x, y in zip(f, peak, strict=True))
    trace, readings = read_one(tmp_path, head + flat)
    assert "clipped" in readings
    assert list(trace.frequency[~trace.use] / 1e3) == [98.0, 99.0, 100.0, 101.0, 102.0]
    coarse = "".join(f"{x},{20 * round(y / 20)}\n" for x, y in zip(f, peak, strict=True))
    trace, _ = read_one(tmp_path, head + coarse)
    assert trace.use.all()


def test_columns_of_settings_make_several_traces(tmp_path: Path) -> None:
    rows = (
        "bias [V],sweep,frequency [kHz],magnitude [nm]\n"
        "0,up,99,1\n0,up,100,2\n5,down,100,1\n5,down,99,2\n"
    )
    text = HEAD.replace("# sweep = up\n", "") + rows
    traces, _ = read_measured([write(tmp_path, text)])
    assert [(t.bias, t.sweep, t.line) for t in traces] == [(0.0, "up", 7), (5.0, "down", 9)]


def test_a_toml_file_beside_it_describes_it(tmp_path: Path) -> None:
    path = write(tmp_path, "frequency [kHz]\tmagnitude [mm/s]\n99\t1\n100\t2\n")
    (tmp_path / "a.toml").write_text(
        'quantity = "velocity"\ndrive_amplitude = "1 V"\nradius = "450 um"\n'
    )
    (trace,), _ = read_measured([path])
    np.testing.assert_allclose(
        trace.displacement(), [1e-3 / (2 * np.pi * 99e3), 2e-3 / (2 * np.pi * 100e3)], rtol=1e-12
    )
    (tmp_path / "a.toml").write_text('quantity = "velocty"\n')
    with pytest.raises(ArrayoptError, match="velocity"):
        read_measured([path])


@pytest.mark.parametrize(
    ("text", "line", "need"),
    [
        (HEAD + "frequency [kHz],magnitude [nm]\n99,1\n100,abc\n", 9, "'abc'"),
        (HEAD + "frequency [kHz],magnitude [nm]\n99,1\n100,1,2\n", 9, "3 fields"),
        (HEAD + "frequency [kHz],magnitude [nm]\n99,1\n-100,1\n", 9, "above zero"),
        (HEAD + "frequency [kHz],magnitude [nm]\n99,1\n100,-1\n", 9, "not be negative"),
        (HEAD + "frequency [kHz],magnitude [furlong]\n99,1\n", 7, "units"),
        (HEAD + "frequency [kHz],level [dB]\n99,1\n", 7, "reference"),
        (HEAD + "frequency [kHz]\n99\n", 7, "magnitude"),
        (HEAD + "frequencey [kHz],magnitude [nm]\n99,1\n", 7, "did you mean frequency"),
        (HEAD + "# drive_amplitud = 3 V\nfrequency [kHz],magnitude [nm]\n9,1\n", 7, "did you mean"),
        (HEAD + "# radius = 3 um\nfrequency [kHz],magnitude [nm]\n9,1\n", 7, "twice"),
        (HEAD + "frequency [kHz],magnitude [nm]\n101,1\n100,1\n99,1\n", 8, "other way"),
        (HEAD.replace("2 V", "2 kg") + "frequency [kHz],magnitude [nm]\n99,1\n", 5, "a voltage"),
        (HEAD + "frequency [kHz];magnitude [nm]\n99,5;1.5\n100;2\n", 8, "decimal"),
        ("frequency [kHz],magnitude [nm]\n99,1\n", 1, "quantity"),
        ("# quantity = pressure\n# drive_amplitude = 1 V\nfrequency [Hz],magnitude [Pa]\n9,1\n", 4,
         "distance"),
    ],
)  # fmt: skip
def test_refused_with_the_line(tmp_path: Path, text: str, line: int, need: str) -> None:
    with pytest.raises(MeasuredError, match=need) as caught:
        read_measured([write(tmp_path, text)])
    assert caught.value.problems[0].line == line


def test_problems_of_all_files_come_at_once(tmp_path: Path) -> None:
    bad = [write(tmp_path, HEAD, f"{k}.csv") for k in range(2)]
    with pytest.raises(MeasuredError) as caught:
        read_measured([*bad, tmp_path / "missing.csv"])
    assert len(caught.value.problems) == 3


@settings(max_examples=300, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    st.lists(
        st.one_of(
            st.sampled_from(HEAD.splitlines()),
            st.text(alphabet="0123456789.,;\t eE+-#nadB[]kHzfrequencymagnitude=:", max_size=30),
        ),
        max_size=12,
    )
)
def test_nothing_but_our_own_errors(tmp_path: Path, lines: list[str]) -> None:
    path = write(tmp_path, "\n".join([*lines, "frequency [kHz],magnitude [nm]", "1,2", "3,4"]))
    try:
        traces, _ = read_measured([path])
    except ArrayoptError:
        return
    for trace in traces:
        assert np.isfinite(trace.frequency).all()
        assert np.isfinite(trace.magnitude).all()
