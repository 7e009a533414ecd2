"""Every outside value is compared somewhere, or the reason why not is written here.

`docs/validation.md` lists what a run of the whole suite compared; that it is current is checked by
``pytest --validation-check=docs/validation.md``.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from arrayopt.merits.cautions import ELV_AC, TOUCH_AC, TOUCH_DC, guidance_near
from arrayopt.physics.steady.steady import onset_frequency
from tests.support.references import COLUMNS, Reference, differences, read_references, read_table

TABLE = Path(__file__).parent.parent / "docs" / "validation.md"

_DIAMETERS = "has nodal diameters; the plate model is axisymmetric (M2)"
_ORBIT = "the same orbit is compared at neighbouring amplitudes; each costs seconds"
_HARMONICS = (
    "jumps with nine harmonics: slow sweeps have one (M12), pulses have no jumps to compare"
)
NOT_COMPARED = {
    **{id_: _HARMONICS for id_ in read_references() if id_.startswith("duff.mhb.")},
    "plate.lam2.11": _DIAMETERS,
    "plate.lam2.12": _DIAMETERS,
    "plate.lam2.22": _DIAMETERS,
    "plate.lam2.31": _DIAMETERS,
    "vk.freq.nnm.A0.1": _ORBIT,
    "vk.freq.nnm.A0.7": _ORBIT,
    "mat.pzt4555.e31f": "no built-in material of this composition; only a magnitude was read",
}
"""Rows that no test compares, and why."""

GUIDANCE = {
    "safety.consensus": ("survey", "work, below 4 h"),
    "safety.acgih_ceiling": ("ACGIH", "work, ceiling"),
    "safety.irpa_occ": ("IRPA/INIRC", "work"),
    "safety.irpa_pub": ("IRPA/INIRC", "public"),
}
IN_TEST_CAUTIONS = (
    "safety.consensus.20kHz",
    "safety.consensus.25kHz",
    "safety.consensus.50kHz",
    "safety.acgih_ceiling.25kHz",
    "safety.acgih_ceiling.40kHz",
)
REST = [
    id_
    for id_ in read_references()
    if id_.startswith(tuple(GUIDANCE)) and id_ not in IN_TEST_CAUTIONS
]


@pytest.mark.parametrize("id_", REST)
def test_guidance_rows(check_outside: Callable[..., None], id_: str) -> None:
    _, kind, frequency = id_.split(".", 2)
    body, applies = GUIDANCE[f"safety.{kind}"]
    hertz = 1e3 * float(frequency.removesuffix("kHz"))
    rows = [
        row
        for row in guidance_near(hertz, hertz)
        if row.body.startswith(body) and row.applies == applies
    ]
    assert len(rows) == 1
    check_outside(id_, rows[0].level, "cautions")


@pytest.mark.parametrize(
    ("id_", "value"),
    [("elec.elv.ac", ELV_AC), ("elec.elv.touch_ac", TOUCH_AC), ("elec.elv.touch_dc", TOUCH_DC)],
)
def test_voltage_rows(check_outside: Callable[..., None], id_: str, value: float) -> None:
    check_outside(id_, value, "cautions")


def test_onset_frequency_of_a_sharp_resonator(check_outside: Callable[..., None]) -> None:
    found = onset_frequency(1.0, c=1.0 / 200.0, k1=1.0, g=1.0)
    check_outside("duff.onset_hb.w.Q200", float(found), "M7.4")


def test_every_row_is_compared_or_has_a_reason(references: dict[str, Reference]) -> None:
    written = {id_ for id_, _ in read_table(TABLE)}
    missing = [id_ for id_ in references if id_ not in written and id_ not in NOT_COMPARED]
    assert not missing
    assert written <= references.keys()
    both = [id_ for id_ in written if id_ in NOT_COMPARED]
    assert not both, "compared after all: take them off the list"
    stale = [
        k for k in NOT_COMPARED if not any(i == k or i.startswith(k + ".") for i in references)
    ]
    assert not stale


def test_written_table_has_the_sources_and_tolerances(references: dict[str, Reference]) -> None:
    for (id_, _), row in read_table(TABLE).items():
        reference = references[id_]
        assert row[3] == reference.source.replace("|", "/").strip(), id_
        assert row[4] == reference.status, id_
        assert float(row[6]) <= 10.0 * max(float(row[5]), 1e-12), (
            f"{id_} came within less than allowed"
        )


def test_stale_tables_are_noticed() -> None:
    row = ("M1.1", "`a.b` thing", "", "source", "READ", "1e-03", "1e-05")
    assert len(row) == len(COLUMNS)
    key = "a.b", "M1.1"
    assert differences({key: row}, {key: row}) == []
    assert "not compared" in differences({key: row}, {})[0]
    assert "not in the table" in differences({}, {key: row})[0]
    assert len(differences({key: row}, {("a.b", "M1.2"): row})) == 2
    for column, value in ((3, "other"), (5, "1e-02"), (6, "1e-03"), (6, "1e-07")):
        changed = (*row[:column], value, *row[column + 1 :])
        assert len(differences({key: row}, {key: changed})) == 1
    assert differences({key: row}, {key: (*row[:-1], "1e-06")}) == []  # one decade is rounding
