"""Exports: complete or absent, the same bytes each time, and readable back to the same merits."""

from __future__ import annotations

import json
import re
import resource
import shutil
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import ezdxf
import klayout.db as kdb
import numpy as np
import pytest
import xarray as xr
from click.testing import CliRunner

from arrayopt.base.errors import ExportError, ResultsError
from arrayopt.base.glossary import MERITS
from arrayopt.base.output import digest
from arrayopt.base.shares import spread
from arrayopt.chip.export.check import check_export
from arrayopt.chip.export.files import read_csv
from arrayopt.chip.export.pipeline import export_design
from arrayopt.chip.export.plan import CHIPS
from arrayopt.chip.export.writer import LayoutWriter, Order, Words
from arrayopt.chip.layout import build_chip
from arrayopt.chip.process import Process, read_process, read_process_text
from arrayopt.chip.rules import RuleError
from arrayopt.cli.export import command
from arrayopt.design.designs import Designs, DesignSpace
from arrayopt.design.stored import FoundDesign, find_design
from arrayopt.merits.evaluate import evaluate
from arrayopt.models.chips import Chips
from arrayopt.models.choose import excitation_of
from arrayopt.models.electrodes import VACUUM_PERMITTIVITY
from arrayopt.models.excitations.burst import Burst
from arrayopt.study.lattice import array_layout
from arrayopt.study.model import Strategy, Study
from arrayopt.study.read import read_study, read_study_text
from tests.support.layout_studies import make

PROCESS = read_process()
SMALL = replace(PROCESS, monitor=replace(PROCESS.monitor, classes=2))


def found(**options: object) -> FoundDesign:
    study, strategy, designs = make(**options)  # type: ignore[arg-type]
    return FoundDesign("base/7", study, strategy, designs)


@pytest.fixture(scope="module")
def design() -> FoundDesign:
    return found(rows=2, columns=3, classes="each", channels="interleaved", count=2)


@pytest.fixture(scope="module")
def exported(design: FoundDesign, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("export") / "out"
    export_design(design, folder)
    return folder


@pytest.fixture
def copy(exported: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(exported, tmp_path / "copy"))


def test_export_passes_its_own_check(exported: Path) -> None:
    said = check_export(exported)
    assert "connection of every electrode" in said[-1]
    assert not list(exported.parent.glob(".*"))


def test_repeated_exports_are_byte_identical(
    design: FoundDesign, exported: Path, tmp_path: Path
) -> None:
    export_design(design, tmp_path / "again")
    names = sorted(path.name for path in exported.iterdir())
    assert names == sorted(path.name for path in (tmp_path / "again").iterdir())
    for name in names:
        assert (exported / name).read_bytes() == (tmp_path / "again" / name).read_bytes(), name


def test_the_layout_holds_the_designed_areas(design: FoundDesign, exported: Path) -> None:
    """By klayout alone: cavities as drawn are the designed circles less the undercut."""
    radius = np.sort(design.designs.at_cells("radius")[0])
    layers = {(x.number, x.datatype): x for x in PROCESS.layers.values()}
    for name in ("layout.gds", "layout.oas"):
        layout = kdb.Layout()
        layout.read(str(exported / name))
        assert layout.dbu == 0.001
        assert {(i.layer, i.datatype) for i in layout.layer_infos()} <= set(layers)
        top = layout.top_cells()
        assert [cell.name for cell in top] == ["CHIP"]
        cavity = kdb.Region(top[0].begin_shapes_rec(layout.find_layer(10, 0)))
        areas = sorted(p.area() for p in cavity.each() if p.bbox().center().y > -3_000_000)
        exact = np.pi * (radius - 2e-6) ** 2 * 1e18
        np.testing.assert_allclose(areas, exact, rtol=1e-6)


def test_dxf_holds_the_same_shapes(exported: Path) -> None:
    document = ezdxf.readfile(exported / "layout.dxf")
    assert document.header["$INSUNITS"] == 13  # micrometres, DXF reference
    assert not document.audit().has_errors
    layout, other = kdb.Layout(), kdb.Layout()
    layout.read(str(exported / "layout.gds"))
    options = kdb.LoadLayoutOptions()
    options.dxf_unit, options.dxf_dbu, options.dxf_polyline_mode = 1.0, 0.001, 2
    other.read(str(exported / "layout.dxf"), options)
    names = {layer.name: (layer.number, layer.datatype) for layer in PROCESS.layers.values()}
    for index in other.layer_infos():
        if index.name in names and index.name != "LABEL":
            regions = [
                kdb.Region(x.top_cells()[0].begin_shapes_rec(k)).merged()
                for x, k in (
                    (layout, layout.find_layer(*names[index.name])),
                    (other, other.layer(index)),
                )
            ]
            assert (regions[0] ^ regions[1]).is_empty(), index.name


def design_from_tables(
    folder: Path, study: Study, process: Process, strategy: Strategy
) -> tuple[Strategy, Designs]:
    """The design of a cell table and a drive table: the path from design to mask undone.

    Radius and coverage from the radii as drawn and the process's edge shifts; positions are those
    of the masks, on the grid.
    """
    cells, drive = read_csv(folder / "cells.csv"), read_csv(folder / "drive.csv")

    def column(key: str) -> Any:
        return np.array([float(cell[key]) for cell in cells])

    ring = np.array([cell["electrode"] == "ring" for cell in cells])
    top = process.layers["top-electrode"].edge_shift
    radius = column("drawn_cavity_radius_m") + process.layers["cavity"].edge_shift
    outer, inner = (column(f"drawn_electrode_{part}_radius_m") for part in ("outer", "inner"))
    coverage = np.where(ring, 1.0 - (inner - top) / radius, (outer + top) / radius)
    channel = column("channel").astype(int)
    by_channel = {int(row["channel"]): row for row in drive}
    voltage, phase, bias = (
        np.array([float(by_channel[c][key]) for c in channel])
        for key in ("drive_amplitude_V", "drive_phase_rad", "bias_V")
    )
    kind = np.unique(np.stack([radius, coverage, ring], axis=1), axis=0, return_inverse=True)[1]
    layout = array_layout(
        np.stack([column("x_m"), column("y_m")], axis=1),
        class_of_cell=kind.reshape(-1),
        channel_of_cell=channel,
        explicit=True,
    )
    first = np.unique(layout.group_of_cell, return_index=True)[1]
    values = (x[first][None] for x in (radius, coverage, ring, voltage, phase, bias))
    return replace(strategy, layout=layout), Designs(layout, *values, pitch=np.ones(1))


def test_round_trip_gives_the_same_merits(design: FoundDesign, exported: Path) -> None:
    study = read_study(exported / "study.toml")
    process = read_process(exported / "process.toml")
    strategy, designs = design_from_tables(exported, study, process, study.strategies[0])
    again = evaluate(designs, study, strategy)
    once = evaluate(design.designs, design.study, design.strategy)
    assert int(once["status"].values[0]) == 0
    # Positions are rounded to the grid: they enter beam figures and the die's area only.
    rounded = {"beam_width", "side_lobe_level", "die_area"}
    compared = [name for name in MERITS if name in once]
    assert len(compared) >= 15
    for name in compared:
        tolerance = 1e-5 if name in rounded else 1e-9
        np.testing.assert_allclose(again[name], once[name], rtol=tolerance, err_msg=name)
    moved = np.abs(designs.positions() - design.designs.positions())
    assert moved.max() <= 0.51 * PROCESS.grid


def test_tables_say_what_to_apply(design: FoundDesign, exported: Path) -> None:
    cells, drive = read_csv(exported / "cells.csv"), read_csv(exported / "drive.csv")
    assert [int(row["channel"]) for row in cells] == design.designs.layout.channel_of_cell.tolist()
    assert [row["pad"] for row in drive] == ["CH0", "CH1"]
    # plate capacitor by hand: ScAlN of the materials table, 1 um thick
    film = design.study.film
    areas = [np.pi * (0.6 * float(row["radius_m"])) ** 2 for row in cells if row["channel"] == "0"]
    by_hand = VACUUM_PERMITTIVITY * film.relative_permittivity * sum(areas) / 1e-6
    assert float(drive[0]["capacitance_F"]) == pytest.approx(by_hand, rel=1e-9)
    text = (exported / "drive.csv").read_text(encoding="utf-8")
    assert "CAUTION, sound" in text
    assert "CAUTION, voltage" in text
    assert "not a safety assessment" in text
    layers = read_csv(exported / "layers.csv")
    assert {row["name"] for row in layers} == {x.name for x in PROCESS.layers.values()}


def test_predicted_bands_hold_the_nominal_curve(exported: Path) -> None:
    with xr.open_dataset(exported / "predicted.nc", engine="netcdf4") as curves:
        for word in ("up", "down", "small"):
            low, nominal, high = (
                curves[f"pressure_{word}{end}"].values for end in ("_low", "", "_high")
            )
            assert np.all((low <= nominal) & (nominal <= high))
            assert np.all(high > low)
        table = np.array(
            [[float(v) for v in row.values()] for row in read_csv(exported / "predicted.csv")]
        )
        assert np.array_equal(table[:, 0], curves["frequency"].values)
    for row in read_csv(exported / "limits.csv"):
        assert float(row["pass_from"]) <= float(row["nominal"]) <= float(row["pass_to"])


def test_predicted_curves_and_limits_are_of_the_same_chips(exported: Path) -> None:
    limits = {row["quantity"]: row for row in read_csv(exported / "limits.csv")}
    with xr.open_dataset(exported / "predicted.nc", engine="netcdf4") as curves:
        highest = float(curves["pressure_up_high"].max())
    # a point of the curve every 1/6 of a linewidth: the peak is within 0.5 % of the highest point
    assert highest == pytest.approx(float(limits["peak_pressure"]["pass_to"]), rel=5e-3)


BURSTS = '\nexcitation = "burst"\nburst_length = "0.4 ms"'
CHIRP = '\nexcitation = "chirp"\nchirp = { start = "120 kHz", end = "85 kHz", duration = "2 ms" }'


def pulsed(added: str) -> FoundDesign:
    """Two cells in one channel, excited by pulses."""
    study, _, designs = make(rows=1, columns=2)
    study = read_study_text(study.text.rstrip() + added + "\n")
    return FoundDesign("base/7", study, study.strategies[0], designs)


def test_bursts_are_predicted_and_have_no_sweep_direction(tmp_path: Path) -> None:
    one = pulsed(BURSTS)
    export_design(one, tmp_path / "out", process=SMALL)
    (drive,) = read_csv(tmp_path / "out" / "drive.csv")
    assert drive["excitation"] == "burst"
    assert [drive[k] for k in drive if k.startswith("sweep")] == ["", "", "", ""]
    assert float(drive["burst_length_s"]) == pytest.approx(0.4e-3, rel=1e-12)
    chosen = evaluate(one.designs, one.study, one.strategy).isel(design=0)
    middle = 0.5 * float(chosen["band_lower"] + chosen["band_upper"])
    assert float(drive["carrier_Hz"]) == pytest.approx(middle, rel=1e-12)
    chips = Chips(one.designs, one.study.of(one.strategy), CHIPS, use="verify")
    bursts = excitation_of(chips.study, "burst")
    assert isinstance(bursts, Burst)
    table = read_csv(tmp_path / "out" / "predicted-bursts.csv")
    with xr.open_dataset(tmp_path / "out" / "predicted.nc", engine="netcdf4") as curves:
        found = bursts.peaks(chips, curves["carrier"].values[None])
        for name, size in zip(("burst_pressure", "burst_end_pressure"), found, strict=True):
            assert np.array_equal(curves[name], spread(size[0].T)[1])
            assert np.array_equal(curves[name], [float(row[name]) for row in table])
            assert np.all(curves[f"{name}_low"] <= curves[name])
            assert np.all(curves[name] <= curves[f"{name}_high"])
        assert float((curves["burst_pressure_high"] / curves["burst_pressure_low"]).max()) > 1.1
    plan = (tmp_path / "out" / "test-plan.md").read_text(encoding="utf-8")
    assert "- Length 400 us, carrier " in plan
    assert "compare the largest amplitude with burst_pressure" in plan
    assert any("101" in line for line in plan.splitlines() if "Length 400 us" in line)
    check_export(tmp_path / "out")


def test_a_waveform_goes_along_as_samples_with_the_pulse_it_makes(tmp_path: Path) -> None:
    table = "\n[waveform]\nkind = 'burst'\ncarrier = '101 kHz'\ncycles = 4\ntaper = 0.5\n"
    one = pulsed(table)
    space = DesignSpace(one.study, one.strategy)
    one = replace(one, designs=space.decode(space.encode(one.designs)))
    export_design(one, tmp_path / "out", process=SMALL)
    (drive,) = read_csv(tmp_path / "out" / "drive.csv")
    assert float(drive["pulse_carrier_Hz"]) == 101e3
    rows = read_csv(tmp_path / "out" / "waveform.csv")
    volts = np.array([float(row["channel_0_V"]) for row in rows])
    time = np.array([float(row["time_s"]) for row in rows])
    assert time[-1] == pytest.approx(4.0 / 101e3, rel=1e-12)
    # a cosine under Tukey's window, by hand in its flat middle
    middle = np.abs(time - 0.5 * time[-1]) < 0.2 * time[-1]
    peak = float(one.designs.drive_amplitude[0, 0])
    wanted = peak * np.cos(2.0 * np.pi * 101e3 * time[middle])
    np.testing.assert_allclose(volts[middle], wanted, atol=1e-9 * peak)
    table_rows = read_csv(tmp_path / "out" / "predicted-pulse.csv")
    low, high = (
        np.array([float(row[f"pulse_envelope_{end}"]) for row in table_rows])
        for end in ("lowest", "highest")
    )
    assert (low <= high).all()
    limits = {row["quantity"] for row in read_csv(tmp_path / "out" / "limits.csv")}
    assert {"pulse_length", "compressed_width"} <= limits
    assert "waveform.csv" in (tmp_path / "out" / "test-plan.md").read_text(encoding="utf-8")
    check_export(tmp_path / "out")


def test_a_chirp_is_told_as_the_study_has_it(tmp_path: Path) -> None:
    export_design(pulsed(CHIRP), tmp_path / "out", process=SMALL)
    (drive,) = read_csv(tmp_path / "out" / "drive.csv")
    assert (drive["excitation"], drive["sweep_direction"]) == ("chirp", "")
    assert float(drive["sweep_rate_Hz_per_s"]) == pytest.approx(-35e3 / 2e-3, rel=1e-12)
    assert float(drive["burst_length_s"]) == pytest.approx(2e-3, rel=1e-12)
    assert not (tmp_path / "out" / "predicted-bursts.csv").exists()
    plan = (tmp_path / "out" / "test-plan.md").read_text(encoding="utf-8")
    assert "chirp: 120.00 to 85.00 kHz in 2000 us" in plan


def test_resonance_limits_follow_from_the_plate_law(exported: Path) -> None:
    """f0 goes with thickness / radius^2 and with film tension: 32 chips span 4 sd of it."""
    rows = {(r["where"], r["quantity"]): r for r in read_csv(exported / "limits.csv")}
    row = rows["cells like 0", "cell_frequency"]
    span = (float(row["pass_to"]) - float(row["pass_from"])) / float(row["nominal"])
    # M11.1: 1.5 % and 0.2 % of thickness, 0.3 % of radius; extremes of 32 normals, cut at 3 sd,
    # are 3.3 to 5.5 sd apart, and tension and bow add some of theirs
    deviation = np.sqrt(0.015**2 + 0.002**2 + 0.006**2)
    assert 3.0 * deviation < span < 8.0 * deviation


def test_every_file_carries_identifier_and_digest(exported: Path) -> None:
    manifest = json.loads((exported / "manifest.json").read_text(encoding="utf-8"))
    assert manifest["design"] == "base/7"
    for name in ("cells.csv", "drive.csv", "layers.csv", "limits.csv", "predicted.csv"):
        first = (exported / name).read_text(encoding="utf-8").splitlines()[0]
        assert first == f"# design base/7 digest {manifest['digest']}"
    layout = kdb.Layout()
    layout.read(str(exported / "layout.oas"))
    shapes = layout.cell("CHIP").shapes(layout.find_layer(2, 0))
    texts = {shape.text.string for shape in shapes.each() if shape.is_text()}
    assert {"base/7", f"digest {manifest['digest']}", "CH0", "GND", "C0"} <= texts
    assert manifest["digest"].encode() in (exported / "drawing.pdf").read_bytes()


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("cells.csv", "cells.csv was changed after the export"),
        ("layout.gds", "layout.gds was changed"),
        ("process.toml", "process.toml was changed"),
    ],
)
def test_a_changed_file_is_found(copy: Path, name: str, said: str) -> None:
    with (copy / name).open("ab") as stream:
        stream.write(b"\n")
    with pytest.raises(ExportError, match=re.escape(said)):
        check_export(copy)


def test_missing_and_foreign_files_are_found(copy: Path) -> None:
    (copy / "layout.oas").unlink()
    (copy / "notes.txt").write_text("x", encoding="utf-8")
    with pytest.raises(ExportError) as error:
        check_export(copy)
    assert "layout.oas is missing" in str(error.value)
    assert "notes.txt does not belong to this export" in str(error.value)


@pytest.fixture
def apart(monkeypatch: pytest.MonkeyPatch) -> None:
    """Layouts are written in a second process, however few cells differ."""
    monkeypatch.setattr("arrayopt.chip.export.writer.MANY", 1)
    monkeypatch.setattr("arrayopt.chip.export.writer.thread_count", lambda: 2)


def test_a_second_process_writes_the_same_bytes(
    apart: None,
    design: FoundDesign,
    exported: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("PYTHONHASHSEED", "4")  # puts the DXF library's own sets in other order
    export_design(design, tmp_path / "again")
    for path in exported.iterdir():
        assert path.read_bytes() == (tmp_path / "again" / path.name).read_bytes(), path.name
    assert [path.name for path in tmp_path.iterdir()] == ["again"]


def test_an_error_of_the_second_process_is_raised_here(apart: None, tmp_path: Path) -> None:
    study, _, designs = make(rows=1, columns=1)
    chip = build_chip(designs, die=study.chip.die, process=SMALL)
    order = Order(chip, tmp_path, SMALL, "note")
    words = Words("title", [("name", "text")], [("header",)])
    (tmp_path / "layout.dxf").mkdir()  # where the writer wants to put a file
    with LayoutWriter(1) as writer:
        writer.layouts(order)
        writer.drawing(words)
        with pytest.raises(IsADirectoryError, match=r"layout\.dxf"):
            writer.finish()
    with LayoutWriter(1) as writer:
        assert writer._process is not None
        writer._process.kill()  # as a system short of memory does
        writer._process.wait()
        writer.layouts(order)
        writer.drawing(words)
        with pytest.raises(ExportError, match="ended early, exit code -9"):
            writer.finish()


def test_a_check_loads_no_model(exported: Path) -> None:
    """Loading it takes longer than the check of a small chip."""
    code = (
        "import sys; from pathlib import Path\n"
        "from arrayopt.chip.export.check import check_export\n"
        "check_export(Path(sys.argv[1])); print(*sys.modules)"
    )
    command = [sys.executable, "-c", code, str(exported)]
    done = subprocess.run(command, check=True, capture_output=True, text=True)
    loaded = set(done.stdout.split())
    assert "klayout.db" in loaded
    assert not loaded & {"numba", "scipy", "xarray", "matplotlib", "netCDF4", "ezdxf"}


def test_files_of_two_exports_do_not_mix(copy: Path) -> None:
    """Even with the manifest's list brought up to date, the digest inside gives it away."""
    text = (copy / "drive.csv").read_text(encoding="utf-8")
    manifest = json.loads((copy / "manifest.json").read_text(encoding="utf-8"))
    other = text.replace(manifest["digest"], "0" * 64)
    (copy / "drive.csv").write_text(other, encoding="utf-8")
    manifest["files"]["drive.csv"]["sha256"] = digest(copy / "drive.csv")
    (copy / "manifest.json").write_text(json.dumps(manifest), encoding="utf-8")
    with pytest.raises(ExportError, match=r"drive\.csv carries another design or digest"):
        check_export(copy)


def test_a_broken_rule_is_named_and_nothing_is_left(tmp_path: Path) -> None:
    text = PROCESS.text.replace('min_space = "10 um"', 'min_space = "250 um"', 1)
    with pytest.raises(RuleError) as error:
        export_design(found(), tmp_path / "out", process=read_process_text(text))
    said = str(error.value)
    # pitch 1 mm, radius 400 um less 2 um undercut each, less 0.1 um allowance for each polygon
    assert "rule space of CAVITY: cells 0 and 1 have 203.8 um; 250 um is required" in said
    assert said.endswith("Nothing was written.")
    assert list(tmp_path.iterdir()) == []


def content(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


@pytest.mark.parametrize("limit", [1_000, 20_000, 60_000])
def test_a_full_disk_leaves_the_old_export(copy: Path, design: FoundDesign, limit: int) -> None:
    """The limits stop the layouts, the drawing or the tables."""
    before = content(copy)
    assert max(map(len, before.values())) > limit
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    for target, anew in ((copy, True), (copy.parent / "new", False)):
        resource.setrlimit(resource.RLIMIT_FSIZE, (limit, hard))
        try:
            with pytest.raises(ResultsError, match="File too large; free space and give") as told:
                export_design(design, target, replace=anew)
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
        assert "resume" not in str(told.value)
    assert content(copy) == before
    assert [path.name for path in copy.parent.iterdir()] == ["copy"]


def test_a_full_disk_in_the_second_process_is_told(
    apart: None, design: FoundDesign, tmp_path: Path
) -> None:
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, hard))
    try:
        with pytest.raises(ResultsError, match="File too large; free space and give"):
            export_design(design, tmp_path / "out")
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert list(tmp_path.iterdir()) == []


def test_an_export_goes_into_a_new_or_an_empty_folder_only(
    design: FoundDesign, exported: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name, text in (("thesis.txt", "mine"), ("manifest.json", '{"name": "a web page"}')):
        folder = tmp_path / name.partition(".")[0]
        folder.mkdir()
        (folder / name).write_text(text, encoding="utf-8")
        for anew in (False, True):
            with pytest.raises(ExportError, match="is not an export; name a new or an empty"):
                export_design(design, folder, replace=anew)
        assert content(folder) == {name: text.encode()}
    with pytest.raises(ExportError, match="holds an export; --replace"):
        export_design(design, exported)
    with pytest.raises(ResultsError, match="name too long; choose a shorter name"):
        export_design(design, tmp_path / ("n" * 300))
    with pytest.raises(ResultsError, match="is no folder"):
        export_design(design, exported / "cells.csv")
    (tmp_path / "here").mkdir()
    monkeypatch.chdir(tmp_path / "here")
    export_design(design, ".")
    assert content(tmp_path / "here") == content(exported)


def test_replacing_keeps_what_the_old_manifest_does_not_list(
    copy: Path, design: FoundDesign
) -> None:
    (copy / "measured.csv").write_text("mine", encoding="utf-8")
    (copy / "lab").mkdir()
    before = (copy / "cells.csv").read_bytes()
    done = export_design(found(rows=1, columns=2), copy, process=SMALL, replace=True)
    assert done.kept == ("lab", "measured.csv")
    assert (copy / "measured.csv").read_text(encoding="utf-8") == "mine"
    assert (copy / "cells.csv").read_bytes() != before
    assert set(json.loads((copy / "manifest.json").read_text())["files"]) <= set(done.files)
    (copy / "limits.csv").write_text("my limits", encoding="utf-8")
    with pytest.raises(ResultsError, match=r"holds limits\.csv, not written .* or changed since"):
        export_design(design, copy, replace=True)
    assert (copy / "limits.csv").read_text(encoding="utf-8") == "my limits"


def test_what_a_killed_export_leaves_goes_with_the_next(
    design: FoundDesign, tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    code = (
        "import os, sys\nfrom pathlib import Path\n"
        "from arrayopt.chip.export.files import export_files\n"
        "with export_files(Path(sys.argv[1]), replace=False).staged():\n"
        "    os.kill(os.getpid(), 9)\n"
    )
    subprocess.run([sys.executable, "-c", code, str(tmp_path / "out")], check=False)
    (left,) = tmp_path.iterdir()
    export_design(design, tmp_path / "out")
    assert [path.name for path in tmp_path.iterdir()] == ["out"]
    assert f"Removed {left}" in caplog.text


def test_identifiers_are_found_or_near_ones_named(design: FoundDesign) -> None:
    space_names = 1
    members = xr.Dataset(
        {
            "evaluation": ("design", np.array([3, 17])),
            "vector": (("design", "variable"), np.full((2, space_names), 0.25)),
        }
    )
    study, _, _ = make()
    tree = xr.DataTree.from_dict({"base": members})
    tree.attrs["study"] = study.text
    one = find_design(tree, "base/17")
    assert one.identifier == "base/17"
    assert one.designs.radius[0, 0] == pytest.approx(412.5e-6, rel=1e-12)
    with pytest.raises(ResultsError, match="did you mean base/17"):
        find_design(tree, "bas/17")
    with pytest.raises(ResultsError, match="members include base/3, base/17"):
        find_design(tree, "base/16")


def test_the_command_exports_and_checks(tmp_path: Path) -> None:
    study, _, _ = make(rows=2, columns=2)
    (tmp_path / "study.toml").write_text(study.text, encoding="utf-8")
    (tmp_path / "mine.toml").write_text(
        'format = 1\n[classes]\nradius = "420 um"\n', encoding="utf-8"
    )
    out = str(tmp_path / "out")
    runner = CliRunner()
    done = runner.invoke(
        command, [str(tmp_path), str(tmp_path / "mine.toml"), "--to", out], catch_exceptions=False
    )
    assert done.exit_code == 0, done.output
    assert "mine -> " in done.output
    checked = runner.invoke(command, ["--check", out], catch_exceptions=False)
    assert checked.exit_code == 0
    assert "as listed in manifest.json" in checked.output
    assert runner.invoke(command, [out]).exit_code == 2
