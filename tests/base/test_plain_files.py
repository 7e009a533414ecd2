"""Reading never waits; writing leaves the whole file or nothing, whatever lies in its way."""

from __future__ import annotations

import errno
import os
import signal
import socket
import stat
import subprocess
import sys
import time
from pathlib import Path

import pytest

from arrayopt.base.files import (
    OutputError,
    clear_leftovers,
    fill,
    is_temporary,
    open_plain,
    open_to_append,
    read_text,
    temporary_file,
    temporary_folder,
    unwritable,
    write_file,
)


def test_only_plain_files_are_opened_and_nothing_waits(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "folder").mkdir()
    server = socket.socket(socket.AF_UNIX)
    server.bind(str(tmp_path / "socket"))
    (tmp_path / "there").write_bytes(b"a\r\nb\n")
    (tmp_path / "link").symlink_to("there")
    (tmp_path / "bad").symlink_to("pipe")
    for name, kind in (
        ("pipe", "named pipe"), ("folder", "folder"), ("socket", "socket"), ("bad", "named pipe"),
        ("/dev/zero", "device"), ("/dev/tty", "device"), ("no\0name", "NUL"),
    ):  # fmt: skip
        with pytest.raises(OSError, match=kind):
            open_plain(tmp_path / name)
    with pytest.raises(FileNotFoundError):
        open_plain(tmp_path / "gone")
    assert read_text(tmp_path / "link") == "a\nb\n"
    with pytest.raises(OSError, match="a link"):
        open_plain(tmp_path / "link", follow=False)
    server.close()


def test_adding_to_a_file_follows_no_link_and_waits_for_no_reader(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe")
    (tmp_path / "link").symlink_to("victim")
    for name in ("pipe", "link"):
        with pytest.raises(OSError, match=r"No such device|symbolic"):
            open_to_append(tmp_path / name)
    reader = os.open(tmp_path / "pipe", os.O_RDONLY | os.O_NONBLOCK)
    with pytest.raises(OSError, match="named pipe"):
        open_to_append(tmp_path / "pipe")
    os.close(reader)
    for text in (b"a", b"b"):
        with open_to_append(tmp_path / "log") as stream:
            stream.write(text)
    assert (tmp_path / "log").read_bytes() == b"ab"
    assert not (tmp_path / "victim").exists()


def test_a_link_is_neither_followed_nor_written_through(tmp_path: Path) -> None:
    victim = tmp_path / "victim"
    victim.write_text("precious")
    for name in (".report.html.part", "report.html"):
        (tmp_path / name).symlink_to(victim)
    write_file(tmp_path / "report.html", b"new")
    assert victim.read_text() == "precious"
    assert (tmp_path / "report.html").read_bytes() == b"new"
    assert not (tmp_path / "report.html").is_symlink()


def test_names_of_temporary_places_cannot_be_foreseen(tmp_path: Path) -> None:
    with temporary_file(tmp_path) as one, temporary_file(tmp_path) as two:
        assert one != two
        assert is_temporary(one.name)
        assert is_temporary(two.name)
        planted = tmp_path / "victim"
        one.unlink()
        one.symlink_to(planted)
        with pytest.raises(OSError, match="symbolic"):
            fill(one, b"x")
    assert not planted.exists()
    assert list(tmp_path.iterdir()) == []


def test_a_file_is_not_replaced_unless_that_is_wanted(tmp_path: Path) -> None:
    (tmp_path / "a").write_text("mine")
    with pytest.raises(OutputError, match="there is a file of that name by now"):
        write_file(tmp_path / "a", b"new", replace=False)
    assert (tmp_path / "a").read_text() == "mine"
    write_file(tmp_path / "b", b"new", replace=False)
    assert (tmp_path / "b").read_bytes() == b"new"
    assert {p.name for p in tmp_path.iterdir()} == {"a", "b"}


def test_it_is_not_replaced_either_where_a_file_has_one_name_only(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refused(*args: object, **kwargs: object) -> None:
        raise OSError(errno.EPERM, "Operation not permitted")

    monkeypatch.setattr(os, "link", refused)
    (tmp_path / "a").write_text("mine")
    with pytest.raises(OutputError):
        write_file(tmp_path / "a", b"new", replace=False)
    write_file(tmp_path / "b", b"new", replace=False)
    assert ((tmp_path / "a").read_text(), (tmp_path / "b").read_text()) == ("mine", "new")


_HOLDER = """
import sys, time
from pathlib import Path
from arrayopt.base.files import temporary_file, temporary_folder
with temporary_file(Path(sys.argv[1])), temporary_folder(Path(sys.argv[1])) as folder:
    (folder / "inside").write_text("half")
    print("there", flush=True)
    time.sleep(60)
"""


def holder(folder: Path) -> subprocess.Popen[str]:
    """A process with a temporary file and a folder, that waits."""
    code = [sys.executable, "-c", _HOLDER, str(folder)]
    process = subprocess.Popen(code, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert process.stdout.readline() == "there\n"
    return process


def test_what_a_killed_command_left_is_removed_and_nothing_else(tmp_path: Path) -> None:
    kept = [".report.html.part", ".arrayopt.part", f".arrayopt-{'0' * 8}-1-{'0' * 16}.part"]
    for name in kept:
        (tmp_path / name).write_text("of another program, or of another machine")
    process = holder(tmp_path)
    mine = {p.name for p in tmp_path.iterdir()} - set(kept)
    assert len(mine) == 2
    assert all(is_temporary(name) for name in mine)
    assert clear_leftovers(tmp_path) == []  # in use
    process.kill()
    process.communicate()
    link = tmp_path / next(iter(sorted(mine))).replace(".part", "")
    link.symlink_to(tmp_path)
    assert {p.name for p in clear_leftovers(tmp_path)} == mine
    assert {p.name for p in tmp_path.iterdir()} == {*kept, link.name}
    # whoever holds the lock of the folder knows that other machines' processes have ended, too
    assert [p.name for p in clear_leftovers(tmp_path, alone=True)] == [kept[2]]


def test_an_interruption_leaves_nothing(tmp_path: Path) -> None:
    process = holder(tmp_path)
    process.send_signal(signal.SIGINT)
    process.communicate(timeout=30)
    assert list(tmp_path.iterdir()) == []


def test_an_exception_leaves_nothing(tmp_path: Path) -> None:
    def stopped() -> None:
        with temporary_folder(tmp_path) as folder:
            (folder / "deep").mkdir()
            (folder / "deep" / "link").symlink_to(tmp_path)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        stopped()
    assert list(tmp_path.iterdir()) == []


def test_new_files_have_the_usual_permissions(tmp_path: Path) -> None:
    old = os.umask(0o027)
    try:
        write_file(tmp_path / "a", b"")
    finally:
        os.umask(old)
    assert stat.S_IMODE((tmp_path / "a").stat().st_mode) == 0o640


@pytest.mark.parametrize(
    ("number", "advice"),
    [
        (errno.ENOSPC, "free space and give the command again"),
        (errno.EDQUOT, "free space and give the command again"),
        (errno.EACCES, "correct the permissions"),
        (errno.EROFS, "correct the permissions, or name another place"),
        (errno.ENAMETOOLONG, "choose a shorter name"),
        (errno.ENOTDIR, "name another place"),
        (errno.ENOENT, "there is no folder"),
    ],
)
def test_advice_fits_the_trouble(number: int, advice: str) -> None:
    error = OSError(number, os.strerror(number))
    text = str(unwritable(Path("there/a"), error))
    assert advice in text
    assert "resume" not in text
    saved = str(unwritable(Path("there/a"), error, resumable=True))
    assert "everything saved before is intact" in saved or "during the run" in saved


def test_names_of_thousands_of_characters_are_cut(tmp_path: Path) -> None:
    with pytest.raises(OutputError, match="name too long; choose a shorter name") as caught:
        write_file(tmp_path / ("x" * 70_000), b"")
    assert len(str(caught.value)) < 400


def test_nothing_is_waited_for() -> None:
    before = time.monotonic()
    for name in ("/dev/zero", "/dev/random"):
        with pytest.raises(OSError, match="device"):
            open_plain(name)
    assert time.monotonic() - before < 1.0
