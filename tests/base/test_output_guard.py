"""No output takes the place of an input, of another kind of file, or of what others made."""

from __future__ import annotations

import errno
import json
import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from arrayopt.base.files import OutputError
from arrayopt.base.output import FileSet, Kind, Output, begins_with

PAGE = Kind("a page", (".html",), begins_with(b"made here"))


def refused(need: str, path: Path, *inputs: Path, overwrite: bool = False) -> None:
    before = {p: p.read_bytes() for p in path.parent.glob("*") if p.is_file()}
    with pytest.raises(OutputError, match=need):
        Output(path, PAGE, inputs, overwrite)
    assert {p: p.read_bytes() for p in path.parent.glob("*") if p.is_file()} == before


def test_an_output_is_no_input(tmp_path: Path) -> None:
    source = tmp_path / "a.html"
    source.write_text("made here")
    (tmp_path / "hard.html").hardlink_to(source)
    (tmp_path / "soft.html").symlink_to(source)
    (tmp_path / "way").symlink_to(tmp_path)
    (tmp_path / "deep").mkdir()
    for name in ("a.html", "hard.html", "soft.html", "way/a.html", "deep/../a.html"):
        for overwrite in (False, True):
            refused("is read by this command", tmp_path / name, source, overwrite=overwrite)
    # an input that is only named is none to write to either
    refused("is read by this command", tmp_path / "way" / "new.html", tmp_path / "new.html")


def test_only_what_the_same_command_made_is_replaced(tmp_path: Path) -> None:
    ours, other, link = tmp_path / "ours.html", tmp_path / "other.html", tmp_path / "link.html"
    ours.write_text("<!-- made here -->")
    other.write_text("a thesis")
    link.symlink_to(ours)
    os.mkfifo(tmp_path / "pipe.html")
    (tmp_path / "folder.html").mkdir()
    Output(ours, PAGE).write(b"new, made here")
    assert ours.read_bytes() == b"new, made here"
    refused("is not a page made by this command; .*--overwrite", other)
    refused("is a link", link)
    refused("no plain file", tmp_path / "pipe.html", overwrite=True)
    refused("is a folder", tmp_path / "folder.html", overwrite=True)
    Output(other, PAGE, overwrite=True).write(b"wanted")
    assert other.read_bytes() == b"wanted"
    Output(link, PAGE, overwrite=True).write(b"in its place")
    assert ours.read_bytes() == b"new, made here"  # a link is replaced, not followed


def test_names_and_places(tmp_path: Path) -> None:
    refused(r"study\.toml: the name of a page ends in \.html", tmp_path / "study.toml")
    refused("there is no folder", tmp_path / "no" / "a.html")
    refused("is a folder", tmp_path)
    refused("name too long; choose a shorter", tmp_path / ("n" * 300 + ".html"))
    (tmp_path / "file").write_text("")
    refused("could not be written", tmp_path / "file" / "a.html")


def test_what_comes_while_the_command_works_stays(tmp_path: Path) -> None:
    output = Output(tmp_path / "a.html", PAGE)
    (tmp_path / "a.html").write_text("of someone else")
    with pytest.raises(OutputError, match="not a page made by this command"):
        output.write(b"made here")
    assert (tmp_path / "a.html").read_text() == "of someone else"


def test_leftovers_are_removed_and_named(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    code = (
        "import os, sys\nfrom pathlib import Path\n"
        "from arrayopt.base.files import temporary_folder\n"
        "with temporary_folder(Path(sys.argv[1])):\n    os.kill(os.getpid(), 9)\n"
    )
    subprocess.run([sys.executable, "-c", code, str(tmp_path)], check=False)
    (left,) = tmp_path.iterdir()
    Output(tmp_path / "a.html", PAGE)
    assert not left.exists()
    assert f"Removed {left}" in caplog.text


def files(folder: Path, *, overwrite: bool = False) -> FileSet:
    return FileSet(folder, "index.json", lambda content: content["kind"] == "ours", overwrite)


def names(folder: Path) -> dict[str, str]:
    return {p.name: p.read_text() for p in folder.iterdir() if p.name != "index.json"}


OURS = {"kind": "ours"}


def test_files_written_together_replace_their_own_kind_only(tmp_path: Path) -> None:
    place = tmp_path / "deep" / "set"
    files(place).write({"a": b"1", "b": b"2"}, OURS)
    assert names(place) == {"a": "1", "b": "2"}
    (place / "measured.csv").write_text("mine")
    files(place).write({"a": b"3"}, OURS)
    assert names(place) == {"a": "3", "measured.csv": "mine"}  # b was ours and is not made now
    assert files(place).others() == ["measured.csv"]
    (place / "a").write_text("edited")
    with pytest.raises(OutputError, match="holds a, not written by this command or changed since"):
        files(place).write({"a": b"4", "c": b"5"}, OURS)
    assert names(place) == {"a": "edited", "measured.csv": "mine"}
    files(place, overwrite=True).write({"a": b"4"}, OURS)
    assert names(place) == {"a": "4", "measured.csv": "mine"}
    assert list(tmp_path.iterdir()) == [tmp_path / "deep"]


def test_foreign_indices_and_hostile_ones_list_nothing(tmp_path: Path) -> None:
    (tmp_path / "victim").write_text("precious")
    place = tmp_path / "set"
    place.mkdir()
    digest = {"sha256": "0" * 64}
    for content in (
        "not JSON", "[]", "[" * 100_000, json.dumps({"kind": "a web page"}),
        json.dumps({"kind": "ours", "files": [1]}),
    ):  # fmt: skip
        (place / "index.json").write_text(content)
        assert files(place).listed is None
        with pytest.raises(OutputError, match=r"holds index\.json"):
            files(place).write({"a": b"1"}, OURS)
    hostile = {"kind": "ours", "files": {"../victim": digest, "/etc/passwd": digest, "..": digest}}
    (place / "index.json").write_text(json.dumps(hostile))
    assert files(place).listed == {}
    (place / "index.json").unlink()
    (place / "index.json").symlink_to(tmp_path / "elsewhere")
    (tmp_path / "elsewhere").write_text(json.dumps({"kind": "ours", "files": {}}))
    with pytest.raises(OutputError, match=r"holds index\.json"):
        files(place).write({"a": b"1"}, OURS)
    assert (tmp_path / "victim").read_text() == "precious"


@pytest.mark.parametrize("there", [False, True])
def test_a_full_disk_leaves_all_or_nothing(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, there: bool
) -> None:
    place = tmp_path / "set"
    if there:
        files(place).write({"a": b"1"}, OURS)
    write: Callable[..., int] = os.write
    calls = iter(range(9))

    def full(descriptor: int, view: memoryview) -> int:
        if next(calls) == 1:
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        return write(descriptor, view)

    with monkeypatch.context() as patch:
        patch.setattr(os, "write", full)
        with pytest.raises(OutputError, match="No space left on device; free space and give"):
            files(place).write({"a": b"2", "b": b"3"}, OURS)
    assert [p.name for p in tmp_path.iterdir()] == (["set"] if there else [])
    if there:
        assert names(place) == {"a": "1"}


def test_a_kill_between_two_files_is_mended_by_the_next_command(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    place = tmp_path / "set"
    files(place).write({"a": b"1", "b": b"1"}, OURS)
    replace: Callable[..., None] = os.replace
    calls = iter(range(9))

    def killed(old: Path, new: Path) -> None:
        if next(calls) == 2:  # after the index and the first file
            raise KeyboardInterrupt
        replace(old, new)

    with monkeypatch.context() as patch:
        patch.setattr(os, "replace", killed)
        with pytest.raises(KeyboardInterrupt):
            files(place).write({"a": b"2", "b": b"2"}, OURS)
    assert names(place) == {"a": "2", "b": "1"}
    assert files(place).changed(["a", "b"]) == []
    files(place).write({"a": b"3", "b": b"3"}, OURS)
    assert names(place) == {"a": "3", "b": "3"}
    assert "before" not in json.loads((place / "index.json").read_text())


def test_folders_that_cannot_be(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    for place, need in (
        (tmp_path / "file", "is no folder"), (tmp_path / "file" / "a", "could not be written"),
        (tmp_path / ("n" * 300), "name too long"), (tmp_path / ("n" * 300) / "a", "name too long"),
    ):  # fmt: skip
        with pytest.raises(OutputError, match=need):
            files(place)


def test_the_current_folder_when_empty(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    files(Path()).write({"a": b"1"}, OURS)
    assert names(tmp_path) == {"a": "1"}
