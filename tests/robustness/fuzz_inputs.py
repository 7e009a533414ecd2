"""Malformed variants of every kind of file the tool reads: refused in words, or read, and no more.

Run as ``python -m tests.robustness.fuzz_inputs COUNT SEED [KIND]... [--jobs N]``: COUNT variants of
study, process, design, calibration, measured and result files and of everything in a run directory;
results are also forged, changed as datasets and sealed again. Each must be read or raise
ArrayoptError with a text, within LIMIT seconds and without a warning, and leave nothing on disk.
One in ten studies that are accepted is also evaluated, and one in fifty measurements calibrated
with. What goes wrong is named with a seed and a number, which bring the variant back.
"""

from __future__ import annotations

import random
import signal
import tempfile
import traceback
import warnings
from collections.abc import Callable, Iterator, Sequence
from contextlib import chdir, contextmanager, suppress
from dataclasses import dataclass, fields, replace
from pathlib import Path
from types import FrameType
from typing import Any
from zlib import crc32

import netCDF4
import numpy as np

from arrayopt.base.errors import ArrayoptError
from arrayopt.base.files import add_trailer
from arrayopt.chip.process import read_process
from arrayopt.design.file import read_design
from arrayopt.lab.calibrate import calibrate
from arrayopt.lab.read.files import read_measured
from arrayopt.results.read import current_results, objectives_of, read_run
from arrayopt.runs.kept.directory import RunDirectory
from arrayopt.runs.kept.generations import stored_designs
from arrayopt.runs.kept.identity import read_identity
from arrayopt.runs.status import read_status, status_text
from arrayopt.search.evaluator import StudyEvaluator
from arrayopt.study.calibration import stack_digest
from arrayopt.study.model import Correction, Study
from arrayopt.study.read import read_study
from tests.robustness.series import Tried, main
from tests.support.paths import ROOT, STUDIES
from tests.support.tiny_study import tiny_text
from tests.support.toy_run import run_toy

LIMIT = 20  # seconds of processor for one variant; ten times that on the wall
EVALUATED = 10  # one of so many accepted studies is evaluated
LARGEST = 100  # cells of those
LOOKED = 100  # after every so many variants the disk is looked at
FITTED = 50  # one of so many accepted measurements is calibrated with

TOKENS = (
    "nan", "inf", "-inf", "1e999", "-1", "0", "1e-320", "9223372036854775808", "true", '""', '"x"',
    "[]", "{}", "[[]]", "[1, 2, 3]", '"1e400 um"', '"nan um"', '"-5 um"', '"0 um"', '"1 parsec"',
    '"\\u0000"', "1979-05-27T07:32:00Z", "07:32:00", "0x7fffffffffffffff", '"' + "9" * 400 + ' um"',
    "'''a\nb'''", '"../../../etc/passwd"', '"/etc/passwd"', '"disc"', "[" * 200 + "]" * 200,
    "[" * 1000 + "]" * 1000, "1" * 5000, "0x" + "f" * 5000, "1e30", "1000000000000000000",
    '"a\\u001b[31m"', '"a\\u0000b"', '"=1+1"', '"' + "n" * 70_000 + '"', '"600 um"', '"1 m"',
    '"100 %"', "1e308", "-1e-320",
    "{a = {b = {c = 1}}}", '"\U0001d7d9 um"', '"1 \u00b5m"', '"1,5 um"', '"%s%n{0}"',
)  # fmt: skip
LINES = (
    "[", "]", "[[stack]]", "[stack]", "[cell]", "=", "a =", "= 1", "format = 2", "format = 1",
    "\x00", "\ufeff", "#" * 5000, "[a.b.c]", "[strategy.x]", '[strategy."../x"]', "x" * 20000,
    '"\\q" = 1', "'", '"""', "[vary]", "frequency;amplitude", "1;2;3;4;5;6", ",,,,", "1e400,1e400",
    "seed = " + "1" * 5000, "[" + ".".join("a" * 40) + "]", "x = " + "[" * 40 + "]" * 40,
    'edge_shift = "600 um"', "rows = 100000", "# cell = a\x1b[31m", "5e4,1e308", "5e7,1",
    "nan,nan", "5e-324,1", "1.7e308,1", "-1e300,1",
    "# unit = parsec", "\t\t\t", "-1,-1", "1,2,3,4,5,6,7,8,9,10", "=1+1", "\r\r\r",
)  # fmt: skip


STUDY_WITH_PULSE = (
    tiny_text()
    + """
[waveform]
kind = "chirp"
start = ["90 kHz", "100 kHz"]
end = "125 kHz"
duration = ["0.05 ms", "0.1 ms"]
law = 1.2
taper = "40 %"
tail_cycles = 3
tail_amplitude = [0.1, 1]
max_voltage = "20 V"
max_slew = "100 V/us"
"""
)
SAMPLES = "t,v\n" + "".join(f"{1e-6 * k},{(-1) ** (k // 5) * (k % 5)}\n" for k in range(60))


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
FORGED = (
    "", "x", "nan", "a\x1b[31m\u202e", "<script>", "=1+1", "[]", "{}", "-1", 0, -1, 2**40, 1.5,
    float("nan"), float("inf"), -1e308, 1e-320,
)  # fmt: skip


def forged(content: bytes, other: bytes, pick: random.Random) -> bytes:
    """A result file with one to three changes inside, under a right seal."""
    with tempfile.TemporaryDirectory() as folder:
        file = Path(folder, "forged.nc")
        file.write_bytes(content)
        with netCDF4.Dataset(file, "a") as root:
            for _ in range(pick.choice((1, 1, 2, 3))):
                with suppress(RuntimeError, TypeError, ValueError):  # what the library cannot do
                    _forge(pick.choice([root, *root.groups.values()]), pick)
        add_trailer(file)
        return file.read_bytes()


def _forge(group: Any, pick: random.Random) -> None:
    value, name = pick.choice(FORGED), pick.choice(sorted(group.variables) or ["none"])
    variable = group.variables.get(name)
    attributes = pick.choice([group, variable or group])
    known = [name for name in attributes.ncattrs() if name != "_FillValue"]  # set once
    action = pick.randrange(6)
    if action == 0 and known:
        attributes.delncattr(pick.choice(known))
    elif action == 1:
        attributes.setncattr(pick.choice(known or ["x"]), value)
    elif action == 2:
        group.createGroup(pick.choice(("extra", "a\x1b[31m", "=1+1")))
    elif action == 3 and variable is not None:
        group.renameVariable(name, "renamed")
    elif action == 4:
        size = pick.choice((0, 1, 3))
        group.createDimension("added", size)
        group.createVariable("added", pick.choice(("f8", "i4", str)), ("added",))
    elif variable is not None and variable.dtype is not str and variable.size:
        kind = variable.dtype.kind
        number = pick.choice([float("nan"), float("inf"), -1e308, 0.0] if kind == "f" else [-1, 0])
        variable[pick.choice((..., 0))] = number


@dataclass(frozen=True)
class Kind:
    """One kind of file: originals, and what reads a variant of it."""

    name: str
    originals: tuple[bytes, ...]
    read: Callable[[bytes], object]
    change: Callable[[bytes, bytes, random.Random], bytes] = mutated


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
    """Evaluate a design of each strategy of an accepted study, on a few chips."""
    study = replace(study, fabrication=replace(study.fabrication, chips=4))
    for strategy in study.strategies:
        evaluator = StudyEvaluator(study, strategy)
        X = evaluator.repair(np.full((1, evaluator.n_variables), 0.5))
        evaluator.evaluate(X)


def kinds(base: Path) -> list[Kind]:
    """Everything the tool reads, with readers that work in a folder of their own."""
    duct = STUDIES / "duct-flow-meter"
    studies = tuple(p.read_bytes() for p in sorted((STUDIES).glob("*/study.toml")))
    studies += (STUDY_WITH_PULSE.encode(),)
    lab = [p for p in sorted((STUDIES).glob("*/lab/*")) if p.suffix in (".csv", ".toml")]
    known = read_study(duct)
    tutorial = read_study(STUDIES / "calibration-tutorial", calibrated=False)
    work = base / "work"
    work.mkdir()

    def study(content: bytes) -> None:
        file = work / "study.toml"
        file.write_bytes(content)
        read = read_study(file)
        if crc32(content) % EVALUATED == 0 and read.strategies[0].layout.n_cells <= LARGEST:
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

        def put(content: bytes) -> None:
            # a new file, as every writer makes one: xarray leaves a file open that it refused, and
            # HDF5 crashes where an open file is changed
            (run / name).unlink()
            (run / name).write_bytes(content)

        def read(content: bytes) -> None:
            put(content)
            errors = []
            try:
                for reader in readers:
                    try:
                        reader(run)
                    except ArrayoptError as error:
                        errors.append(error)
            finally:
                put(original)
            if errors:
                raise errors[0]

        return read

    def measured(file: Path) -> None:
        traces, readings = read_measured([file])
        if crc32(file.read_bytes()) % FITTED == 0:
            calibrate(tutorial, traces, readings=readings)

    def sampled(content: bytes) -> object:
        folder = work / "sampled"
        folder.mkdir(exist_ok=True)
        (folder / "s.csv").write_bytes(content)
        wave = '[waveform]\nkind = "samples"\nfile = "s.csv"\n'
        (folder / "study.toml").write_text(known.text + wave, encoding="utf-8")
        return read_study(folder)

    def calibrated(content: bytes) -> object:
        folder = work / "calibrated"
        folder.mkdir(exist_ok=True)
        (folder / "c.toml").write_bytes(content)
        included = '\n[calibration]\nfile = "c.toml"\n'
        (folder / "study.toml").write_text(tutorial.text + included, encoding="utf-8")
        return read_study(folder)

    def show(directory: Path) -> object:
        fronts = current_results(directory).children.values()
        return [objectives_of(node.to_dataset()) for node in fronts]

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
             one_file("sweep.csv", measured)),
        Kind("calibration", (calibration_of(tutorial),), calibrated),
        Kind("samples", (SAMPLES.encode(),), sampled),
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
        if name in ("fronts.nc", "history.nc"):
            found.append(replace(found[-1], name=f"forged {name}", change=forged))
    return found


def calibration_of(study: Study) -> bytes:
    """A calibration file made up of its parts, without any fit."""
    lines = ["format = 1", 'title = "made up"', f'nominal_stack = "{stack_digest(study.stack)}"']
    value = {"quality_factor": 90.0, "film_tension": 0.5}
    units = {f.name: f.metadata["units"] for f in fields(Correction)}
    for name, unit in units.items():
        x = value.get(name, 1.0)
        lines += [f"[parameters.{name}]", f"value = {x}", f"lower = {0.9 * x}"]
        lines += [f"upper = {1.1 * x}", f'units = "{unit}"', "identified = true"]
    draw = [value.get(name, 1.0) for name in units]
    lines += ["[draws]", f"names = {list(units)}", f"values = {[draw] * 3}"]
    lines += ["[[used]]", 'file = "a.csv"', "line = 1", 'trace = "a"', "points = 9", "used = 9"]
    return "\n".join(lines).encode()


def fuzz(
    numbers: range, seed: str, names: Sequence[str], begin: Callable[[str], None]
) -> Iterator[Tried]:
    """Read variants, in turns over the kinds, as `series` asks for it."""
    with tempfile.TemporaryDirectory() as folder, chdir(folder):
        base = Path(folder)
        chosen = [k for k in kinds(base) if not names or k.name in names]
        warm()
        # most variants for what people write by hand
        weights = [4 if k.name in ("study", "measured") else 2 if "." not in k.name else 1
                   for k in chosen]  # fmt: skip
        before: set[str] = set()
        for number in numbers:
            pick = random.Random(f"{seed}/{number}")
            kind = pick.choices(chosen, weights)[0]
            begin(kind.name)
            other = pick.choice(pick.choice(chosen).originals)
            outcome, wrong = tried(kind, kind.change(pick.choice(kind.originals), other, pick))
            if number % LOOKED == LOOKED - 1:
                files = {str(p) for p in base.rglob("*")}
                if before and files != before:
                    outcome, wrong = "wrong", f"files were left by now: {files ^ before}"
                before = files
            yield Tried(kind.name, outcome, wrong and f"{kind.name} {seed}/{number}: {wrong}"[:300])


def tried(kind: Kind, content: bytes) -> tuple[str, str]:
    """Read one variant; the outcome, and what was wrong."""
    try:
        with limited(), warnings.catch_warnings():
            warnings.simplefilter("error")  # people must not be shown them
            kind.read(content)
    except ArrayoptError as error:
        return ("refused", "") if str(error).strip() else ("wrong", "refused without a word")
    except Hang:
        return "wrong", f"took more than {LIMIT} s"
    except Exception as error:
        place = traceback.extract_tb(error.__traceback__)[-1]
        where = f"{Path(place.filename).name}:{place.lineno}"
        return "wrong", f"{type(error).__name__} {error} at {where}"
    return "read", ""


def warm() -> None:
    """Compile before the clock runs what good studies and measurements need."""
    for study in (read_study(p.parent) for p in sorted(STUDIES.glob("*/study.toml"))):
        if study.strategies[0].layout.n_cells <= LARGEST:
            evaluated(study)


if __name__ == "__main__":
    main("tests.robustness.fuzz_inputs", fuzz)
