"""Measurements that hold nothing, or whose units are wrong: refused with the reason."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from arrayopt.base.errors import ArrayoptError
from arrayopt.lab.calibrate import CalibrationError, calibrate
from arrayopt.lab.read.files import MeasuredError, read_measured
from arrayopt.study.read import read_study

TUTORIAL = Path(__file__).parent.parent.parent / "studies" / "calibration-tutorial"
SWEEP = (TUTORIAL / "lab" / "cell_a.csv").read_text(encoding="utf-8")


def fitted(tmp_path: Path, text: str) -> object:
    """A calibration of the tutorial with this one file."""
    file = tmp_path / "cell.csv"
    file.write_text(text, encoding="utf-8")
    traces, readings = read_measured([file])
    return calibrate(read_study(TUTORIAL, calibrated=False), traces, readings=readings)


def flat(noise: float) -> str:
    """A sweep of a sensor that was not connected."""
    rows = [f"{95 + 0.1 * k:.1f},{5 + noise * ((7 * k) % 11 - 5):.4f}" for k in range(120)]
    head = "# quantity = displacement\n# drive_amplitude = 1 V\n# radius = 450 um\n"
    return head + "frequency [kHz],magnitude [nm]\n" + "\n".join(rows) + "\n"


@pytest.mark.parametrize("noise", [0.0, 0.01, 0.05])
def test_flat_line_is_no_resonance(tmp_path: Path, noise: float) -> None:
    with pytest.raises(CalibrationError, match="no resonance in the sweep of lowest drive"):
        fitted(tmp_path, flat(noise))


@pytest.mark.parametrize(("unit", "way"), [("MHz", "1000 times too high"), ("Hz", "too low")])
def test_wrong_unit_of_frequency_is_named(tmp_path: Path, unit: str, way: str) -> None:
    assert "frequency [kHz]" in SWEEP
    with pytest.raises(ArrayoptError, match=f"the frequency column's unit.*{way}"):
        fitted(tmp_path, SWEEP.replace("frequency [kHz]", f"frequency [{unit}]"))


@pytest.mark.parametrize("value", ["1e308", "1e200", "1e30"])
def test_readings_beyond_all_instruments(tmp_path: Path, value: str) -> None:
    lines = SWEEP.splitlines()
    rows = [k for k, line in enumerate(lines) if re.match(r"[\d.]+,", line)]
    for k in rows[::7]:
        lines[k] = f"{lines[k].split(',')[0]},{value}" + ",0" * (lines[k].count(",") - 1)
    with pytest.raises(MeasuredError, match=r"readings is .*check the unit of its column"):
        fitted(tmp_path, "\n".join(lines) + "\n")


@pytest.mark.parametrize(
    ("line", "key"),
    [
        ("drive_amplitude = 1e300 V", "drive_amplitude"),
        ("bias = -1e200 V", "bias"),
        ("radius = 1e100 m", "radius"),
        ("cell_count = 1000000000000", "cell_count"),
    ],
)
def test_settings_beyond_all_laboratories(tmp_path: Path, line: str, key: str) -> None:
    text = re.sub(rf"# {key} = .*\n", "", flat(0.01))
    with pytest.raises(MeasuredError, match=f"{key} is .*check its unit"):
        fitted(tmp_path, f"# {line}\n{text}")


def test_name_of_a_cell_without_control_characters(tmp_path: Path) -> None:
    with pytest.raises(ArrayoptError, match=r"cell is .*control characters are not taken"):
        fitted(tmp_path, "# cell = a\x1b[31mb\n" + flat(0.01))
