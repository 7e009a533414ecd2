"""Malformed variants of every kind of file the tool reads: refused in words, or read, and no more.

Run as ``python -m tests.robustness.fuzz_inputs [COUNT] [SEED]``: COUNT variants of
study, process, design, measured and result files and of everything in a run directory. Each must be
read or raise ArrayoptError with a text, within LIMIT seconds and without a warning, and leave
nothing on disk. Of the variants that are accepted, every tenth study is also evaluated. Prints a
count by kind; exits with 1 if anything else happened, naming the variant, which the seed brings
back.
"""

from __future__ import annotations

import random
import shutil
import signal
import sys
import tempfile
import time
import traceback
import warnings
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import chdir, contextmanager
from dataclasses import dataclass
from pathlib import Path
from types import FrameType

import numpy as np

from arrayopt.base.errors import ArrayoptError
from arrayopt.chip.process import read_process
from arrayopt.design.file import read_design
from arrayopt.lab.read.files import read_measured
from arrayopt.results.read import current_results, read_run
from arrayopt.runs.directory import RunDirectory
from arrayopt.runs.identity import read_identity
from arrayopt.runs.saved import stored_designs
from arrayopt.runs.status import read_status, status_text
from arrayopt.search.evaluator import StudyEvaluator
from arrayopt.study.model import Study
from arrayopt.study.read import read_study
from tests.support.paths import ROOT, STUDIES
from tests.support.toy_run import run_toy

LIMIT = 20  # seconds of processor for one variant; ten times that on the wall
EVALUATED = 10  # every so many accepted studies is evaluated

TOKENS = (
    "nan", "inf", "-inf", "1e999", "-1", "0", "1e-320", "9223372036854775808", "true", '""', '"x"',
    "[]", "{}", "[[]]", "[1, 2, 3]", '"1e400 um"', '"nan um"', '"-5 um"', '"0 um"', '"1 parsec"',
    '"\\u0000"', "1979-05-27T07:32:00Z", "07:32:00", "0x7fffffffffffffff", '"' + "9" * 400 + ' um"',
    "'''a\nb'''", '"../../../etc/passwd"', '"/etc/passwd"', '"disc"', "[" * 200 + "]" * 200,
    "{a = {b = {c = 1}}}", '"\U0001d7d9 um"', '"1 \u00b5m"', '"1,5 um"', '"%s%n{0}"',
)  # fmt: skip
LINES = (
    "[", "]", "[[stack]]", "[stack]", "[cell]", "=", "a =", "= 1", "format = 2", "format = 1",
    "\x00", "\ufeff", "#" * 5000, "[a.b.c]", "[strategy.x]", '[strategy."../x"]', "x" * 20000,
    '"\\q" = 1', "'", '"""', "[vary]", "frequency;amplitude", "1;2;3;4;5;6", ",,,,", "1e400,1e400",
    "nan,nan", "# unit = parsec", "\t\t\t", "-1,-1", "1,2,3,4,5,6,7,8,9,10", "=1+1", "\r\r\r",
)  # fmt: skip


def mutated(content: bytes, other: bytes, pick: random.Random) -> bytes:
    """One malformed (or harmless) variant; one to three changes."""
    for _ in range(pick.choice((1, 1, 1, 2, 3))):
        content = pick.choice(BINARY if b"\0" in content[:200] else TEXT)(content, other, pick)
    return content


def _cut(c: bytes, o: bytes, pick: random.Random) -> bytes:
    return c[: pick.randrange(len(c) + 1)]


def _flip(c: bytes, o: bytes, pick: random.Random) -> bytes:
    if not c:
        return c
    k = pick.randrange(len(c))
    return c[:k] + bytes([c[k] ^ (1 << pick.randrange(8))]) + c[k + 1 :]


def _remove(c: bytes, o: bytes, pick: random.Random) -> bytes:
    k = pick.randrange(len(c) + 1)
    return c[:k] + c[k + pick.choice((1, 3, 30, 300)) :]


def _splice(c: bytes, o: bytes, pick: random.Random) -> bytes:
    return c[: pick.randrange(len(c) + 1)] + o[pick.randrange(len(o) + 1) :]


def _noise(c: bytes, o: bytes, pick: random.Random) -> bytes:
    k = pick.randrange(len(c) + 1)
    return c[:k] + pick.randbytes(pick.choice((1, 4, 40))) + c[k:]


def _zeros(c: bytes, o: bytes, pick: random.Random) -> bytes:
    k, n = pick.randrange(len(c) + 1), pick.choice((1, 8, 512))
    return c[:k] + bytes(min(n, len(c) - k)) + c[k + n :]


def _line(c: bytes, o: bytes, pick: random.Random) -> bytes:
    lines = c.split(b"\n")
    k = pick.randrange(len(lines))
    action = pick.randrange(5)
    if action == 0:
        del lines[k]
    elif action == 1:
        lines.insert(k, lines[pick.randrange(len(lines))])
    elif action == 2:
        lines.insert(k, pick.choice(LINES).encode("utf-8"))
    elif action == 3:
        lines[k] = pick.choice(LINES).encode("utf-8")
    else:
        m = pick.randrange(len(lines))
        lines[k], lines[m] = lines[m], lines[k]
    return b"\n".join(lines)


def _value(c: bytes, o: bytes, pick: random.Random) -> bytes:
    """Another value behind one key, or between two delimiters."""
    lines = c.split(b"\n")
    k = pick.randrange(len(lines))
    token = pick.choice(TOKENS).encode("utf-8")
    for delimiter in (b"=", b";", b",", b"\t"):
        if delimiter in lines[k]:
            parts = lines[k].split(delimiter)
            parts[pick.randrange(1, len(parts))] = b" " + token
            lines[k] = delimiter.join(parts)
            break
    return b"\n".join(lines)


def _number(c: bytes, o: bytes, pick: random.Random) -> bytes:
    """One digit becomes something else."""
    places = [k for k, byte in enumerate(c) if chr(byte).isdigit()]
    if not places:
        return c
    k = pick.choice(places)
    return c[:k] + pick.choice((b"", b"0", b"9", b"-", b"e", b".", b"999999", b"e300")) + c[k + 1 :]


def _coding(c: bytes, o: bytes, pick: random.Random) -> bytes:
    text = c.decode("utf-8", errors="replace")
    return pick.choice(
        (
            text.encode("utf-16"),
            b"\xef\xbb\xbf" + c,
            c.replace(b"\n", b"\r\n"),
            c.replace(b"\n", b"\r"),
            text.encode("latin-1", errors="replace"),
            c * 3,
            b"",
        )
    )


OFTEN = (_line, _value, _value, _number)
TEXT = (_cut, _flip, _remove, _splice, _noise, _coding, *OFTEN, *OFTEN)
BINARY = (_cut, _flip, _remove, _splice, _noise, _zeros)


@dataclass(frozen=True)
class Kind:
    """One kind of file: originals, and what reads a variant of it."""

    name: str
    originals: tuple[bytes, ...]
    read: Callable[[bytes], object]


class Hang(BaseException):
    """Took longer than LIMIT."""


@contextmanager
def limited() -> Iterator[None]:
    def expired(number: int, frame: FrameType | None) -> None:
        raise Hang

    before = [(n, signal.signal(n, expired)) for n in (signal.SIGALRM, signal.SIGPROF)]
    signal.alarm(10 * LIMIT)
    signal.setitimer(signal.ITIMER_PROF, LIMIT)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.setitimer(signal.ITIMER_PROF, 0)
        for number, handler in before:
            signal.signal(number, handler)


def evaluated(study: Study) -> None:
    """Evaluate two designs of each strategy of an accepted study."""
    for strategy in study.strategies:
        evaluator = StudyEvaluator(study, strategy)
        X = evaluator.repair(np.full((2, evaluator.n_variables), 0.5))
        evaluator.evaluate(X)


def kinds(base: Path) -> list[Kind]:
    """Everything the tool reads, with readers that work in a folder of their own."""
    duct = STUDIES / "duct-flow-meter"
    studies = tuple(p.read_bytes() for p in sorted((STUDIES).glob("*/study.toml")))
    lab = [p for p in sorted((STUDIES).glob("*/lab/*")) if p.suffix in (".csv", ".toml")]
    known = read_study(duct)
    work = base / "work"
    work.mkdir()
    accepted = Counter[str]()

    def study(content: bytes) -> None:
        file = work / "study.toml"
        file.write_bytes(content)
        read = read_study(file)
        accepted["study"] += 1
        if accepted["study"] % EVALUATED == 0 and read.strategies[0].layout.n_cells <= 100:
            evaluated(read)

    def one_file(name: str, reader: Callable[[Path], object]) -> Callable[[bytes], object]:
        def read(content: bytes) -> object:
            (work / name).write_bytes(content)
            return reader(work / name)

        return read

    run = base / "run"
    run_toy(run)

    def in_run(name: str, *readers: Callable[[Path], object]) -> Callable[[bytes], object]:
        original = (run / name).read_bytes()

        def read(content: bytes) -> None:
            (run / name).write_bytes(content)
            errors = []
            try:
                for reader in readers:
                    try:
                        reader(run)
                    except ArrayoptError as error:
                        errors.append(error)
            finally:
                (run / name).write_bytes(original)
            if errors:
                raise errors[0]

        return read

    def show(directory: Path) -> object:
        return current_results(directory)

    def status(directory: Path) -> object:
        return status_text(read_status(directory))

    def resume(directory: Path) -> None:
        identity = read_identity(directory)
        with RunDirectory(directory, identity, resume=True) as held:
            for name in identity.strategies:
                held.saved(name)

    def designs(directory: Path) -> object:
        return stored_designs(directory / "alpha", np.arange(24))

    found = [
        Kind("study", studies, study),
        Kind("process", ((ROOT / "arrayopt/chip/data/process.toml").read_bytes(),),
             one_file("process.toml", read_process)),
        Kind("design", ((duct / "what-if.toml").read_bytes(),),
             one_file("design.toml", lambda p: read_design(p, known))),
        Kind("measured", tuple(p.read_bytes()[:20_000] for p in lab if p.suffix == ".csv"),
             one_file("sweep.csv", lambda p: read_measured([p]))),
    ]  # fmt: skip
    for name, readers in (
        ("fronts.nc", (show, read_run)),
        ("history.nc", (read_run,)),
        ("run.json", (status, show)),
        ("status.json", (status,)),
        ("alpha/state", (status, resume)),
        ("alpha/generation-000002.nc", (designs,)),
    ):
        found.append(Kind(name, ((run / name).read_bytes(),), in_run(name, *readers)))
    return found


def snapshot(base: Path) -> set[str]:
    return {str(p) for p in base.rglob("*")}


def fuzz(count: int, seed: int, *, names: tuple[str, ...] = ()) -> tuple[Counter[str], list[str]]:
    """Read `count` variants, in turns over the kinds; counts of outcomes, and what went wrong."""
    counts: Counter[str] = Counter()
    wrong: list[str] = []
    with tempfile.TemporaryDirectory() as folder, chdir(folder):
        base = Path(folder)
        chosen = [k for k in kinds(base) if not names or k.name in names]
        # most variants for what people write by hand
        weights = [4 if k.name in ("study", "measured") else 2 if "." not in k.name else 1
                   for k in chosen]  # fmt: skip
        order = random.Random(seed).choices(chosen, weights, k=count)
        before: set[str] = set()
        for number, kind in enumerate(order):
            pick = random.Random(f"{seed}/{number}")
            other = pick.choice(pick.choice(chosen).originals)
            content = mutated(pick.choice(kind.originals), other, pick)
            try:
                with limited(), warnings.catch_warnings():
                    warnings.simplefilter("error")  # people must not be shown them
                    kind.read(content)
                outcome = "read"
            except ArrayoptError as error:
                outcome = "refused"
                if not str(error).strip():
                    wrong.append(f"{kind.name} {seed}/{number}: refused without a word")
            except Hang:
                outcome = "wrong"
                wrong.append(f"{kind.name} {seed}/{number}: took more than {LIMIT} s")
            except Exception as error:
                outcome = "wrong"
                place = traceback.extract_tb(error.__traceback__)[-1]
                where = f"{Path(place.filename).name}:{place.lineno}"
                wrong.append(
                    f"{kind.name} {seed}/{number}: {type(error).__name__} {error} at {where}"[:300]
                )
            counts[f"{kind.name} {outcome}"] += 1
            if number == len(chosen) * 5:
                before = snapshot(base)
            elif number and number % 500 == 0 and before and snapshot(base) != before:
                wrong.append(f"by {seed}/{number}: files were left: {snapshot(base) ^ before}")
                before = snapshot(base)
        shutil.rmtree(base / "work")
    return counts, wrong


if __name__ == "__main__":
    total = int(sys.argv[1]) if len(sys.argv) > 1 else 10_000
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 1
    start = time.monotonic()
    seen, trouble = fuzz(total, first)
    for key, value in sorted(seen.items()):
        print(f"{key}: {value}")
    print(f"{total} variants in {time.monotonic() - start:.0f} s; {len(trouble)} wrong")
    for line in trouble:
        print(line)
    sys.exit(bool(trouble))
