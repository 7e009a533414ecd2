"""A few hundred malformed files of every kind; docs/robustness.md tells of the long run."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from arrayopt.base.errors import ArrayoptError
from arrayopt.study.read import read_study
from tests.robustness.fuzz_inputs import fuzz
from tests.support.paths import ROOT, STUDIES


def test_malformed_files_are_refused_in_words_or_read() -> None:
    found = list(fuzz(range(300), "3", (), lambda kind: None))
    assert not any(one.wrong for one in found), "\n".join(one.wrong for one in found if one.wrong)
    refused = {one.kind for one in found if one.outcome == "refused"}
    assert refused >= {"study", "process", "design", "measured", "fronts.nc", "run.json"}


@pytest.mark.parametrize("name", ["../outside.toml", "/etc/hostname", "link.toml", "a/../../b"])
def test_paths_in_a_study_stay_inside_its_folder(tmp_path: Path, name: str) -> None:
    folder = tmp_path / "study"
    folder.mkdir()
    (tmp_path / "outside.toml").write_text("secret = 1")
    (folder / "link.toml").symlink_to(tmp_path / "outside.toml")
    text = (STUDIES / "duct-flow-meter" / "study.toml").read_text(encoding="utf-8")
    file = folder / "study.toml"
    file.write_text(text + f'\n[calibration]\nfile = "{name}"\n', encoding="utf-8")
    with pytest.raises(ArrayoptError, match="a file in the study's folder is needed"):
        read_study(file)


@pytest.mark.slow
def test_a_series_goes_on_after_what_it_finds(tmp_path: Path) -> None:
    (tmp_path / "trials.py").write_text(
        "import os\n"
        "from tests.robustness.series import Tried, main\n"
        "def trials(numbers, seed, kinds, begin):\n"
        "    for n in numbers:\n"
        "        begin('cut')\n"
        "        if n == 2: os.abort()\n"
        "        yield Tried('cut', 'read', f'odd {seed}/{n}' if n == 1 else '')\n"
        "if __name__ == '__main__': main('trials', trials)\n"
    )
    done = subprocess.run(
        [sys.executable, "-m", "trials", "9", "s", "--jobs", "2"],
        env={**os.environ, "PYTHONPATH": f"{ROOT}{os.pathsep}{tmp_path}"}, cwd=tmp_path,
        capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    assert done.returncode == 1
    assert "cut: crash: 2\ncut: read: 7\n9 of 9 in " in done.stdout
    for found in ("- odd s.0/1", "- odd s.1/1", "- cut s.0/2: ended with -6", "- cut s.1/2: ended"):
        assert found in done.stdout
