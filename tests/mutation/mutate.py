"""Does breaking the physics break a test? One change at a time, in a copy of the tree.

A seeded sample of all constants, signs, operators and comparisons of ``arrayopt/physics`` is
changed, each alone, and the tests of that module are run against it:

    python -m tests.mutation.mutate --seed 1 --sample 40 --minutes 20
    python -m tests.mutation.mutate --table > docs/mutation.md

Results are appended to ``results.csv`` beside this file. A survivor gets its explanation in the
``note`` column by hand, beginning with one of the words of `KINDS`.
"""

from __future__ import annotations

import argparse
import ast
import csv
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

from tests.support.paths import ROOT

RESULTS = Path(__file__).with_name("results.csv")
FIELDS = ("file", "line", "change", "source", "outcome", "note")

KINDS = {
    "equivalent": "no number that leaves the module changes beyond rounding",
    "numerics": "step counts, tolerances, table sizes and seeds of iterations: the answer stays "
    "within the stated accuracy, the cost does not",
    "guard": "a bound between a number and a status, moved; the number itself is untouched",
    "gap": "no test sees it: the suite is too weak here",
    "killed since": "survived, and a test was added that fails on it",
}

# (tests, without the compiler). Plain Python is faster wherever kernels are called seldom.
TESTS: dict[str, tuple[tuple[str, ...], bool]] = {
    "plate/laminate": (("test_laminate",), True),
    "plate/diaphragm": (("test_physics_guards", "test_diaphragm"), True),
    "plate/table": (("test_diaphragm",), True),
    "plate/kernel": (("test_diaphragm",), True),
    "sound/air": (("test_air",), False),
    "sound/radiation": (("test_radiation", "test_mutual"), True),
    "sound/tables": (("test_radiation",), True),
    "sound/pair": (("test_mutual",), False),
    "back/backs": (("test_cavity", "test_necked"), False),
    "back/necked": (("test_necked",), False),
    "back/neck_kernel": (("test_cavity", "test_necked"), False),
    "steady/steady": (("test_physics_guards", "test_steady"), False),
    "numerics/threads": (("test_physics_guards", "test_steady"), False),
    "intime/formulas": (("test_intime", "test_pulse"), False),
    "intime/pulse": (("test_pulse",), False),
    "intime/flow_kernel": (("test_intime",), False),
    "intime/sweep_kernel": (("test_intime",), False),
    "intime/slow_flow": (("test_intime",), False),
    "intime/folds": (("test_folds",), False),
    "intime/modes": (("test_intime_modes",), False),
    "intime/modes_kernel": (("test_intime_modes",), False),
    "intime/waveform": (("test_intime_waveform",), False),
    "intime/wave_kernel": (("test_intime_waveform",), False),
    "intime/card": (("test_card",), False),
    "intime/card_kernel": (("test_card",), False),
}

# Minutes without the compiler, and no sharper than the rest of its file.
LEFT_OUT = "not refinement_converges"

SWAPPED: dict[type[ast.AST], type[ast.AST]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.Pow: ast.Mult,
    ast.Lt: ast.Gt,
    ast.Gt: ast.Lt,
    ast.LtE: ast.Gt,
    ast.GtE: ast.Lt,
    ast.Eq: ast.NotEq,
    ast.NotEq: ast.Eq,
    ast.And: ast.Or,
    ast.Or: ast.And,
}


def skipped(tree: ast.Module) -> set[int]:
    """Nodes that say nothing about physics: annotations, decorators, messages, argument lists."""
    out: set[int] = set()

    def drop(node: ast.AST | None) -> None:
        if node is not None:
            out.update(id(child) for child in ast.walk(node))

    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef):
            drop(node.returns)
            drop(node.args)
            for decorator in node.decorator_list:
                drop(decorator)
        elif isinstance(node, ast.AnnAssign):
            drop(node.annotation)
        elif isinstance(node, (ast.Raise, ast.JoinedStr, ast.Import, ast.ImportFrom)):
            drop(node)
        elif isinstance(node, ast.ClassDef) and any("Flag" in ast.unparse(b) for b in node.bases):
            drop(node)  # the numbers of status bits are arbitrary
        elif isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
            drop(node)
    return out


def change(node: ast.AST) -> str | None:
    """Break this node in place; a description, or None where there is nothing to break."""
    if isinstance(node, ast.Constant) and type(node.value) in (int, float):
        old = node.value
        node.value = old + 1 if isinstance(old, int) else (old * 1.1 if old else 1.0)
        return f"{old} -> {node.value:.6g}"
    if isinstance(node, (ast.BinOp, ast.AugAssign, ast.BoolOp)) and type(node.op) in SWAPPED:
        old_name = type(node.op).__name__
        node.op = SWAPPED[type(node.op)]()  # type: ignore[assignment]
        return f"{old_name} -> {type(node.op).__name__}"
    if isinstance(node, ast.UnaryOp) and isinstance(node.op, ast.USub):
        node.op = ast.UAdd()
        return "minus -> plus"
    if isinstance(node, ast.Compare) and type(node.ops[0]) in SWAPPED:
        old_name = type(node.ops[0]).__name__
        node.ops[0] = SWAPPED[type(node.ops[0])]()  # type: ignore[call-overload]
        return f"{old_name} -> {type(node.ops[0]).__name__}"
    return None


def places(path: Path) -> list[int]:
    """Numbers, in the order of ``ast.walk``, of all nodes that can be broken."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    leave_out = skipped(tree)
    return [
        k for k, node in enumerate(ast.walk(tree)) if id(node) not in leave_out and change(node)
    ]


def mutant(path: Path, place: int) -> tuple[int, str, str, str]:
    """(line, change, source line, mutated text)."""
    text = path.read_text(encoding="utf-8")
    tree = ast.parse(text)
    node = list(ast.walk(tree))[place]
    what = change(node)
    line = node.lineno if hasattr(node, "lineno") else 0
    return line, what or "", text.splitlines()[line - 1].strip(), ast.unparse(tree)


def outcome(copy: Path, module: str, text: str, limit: float) -> str:
    """Put the mutant in the copy and run its tests."""
    target = copy / "arrayopt" / "physics" / f"{module}.py"
    original = target.read_text(encoding="utf-8")
    tests, plain = TESTS[module]
    cache = _cache_without(copy, module)
    environment = {
        **os.environ,
        "PYTHONPATH": str(copy),
        "PYTHONDONTWRITEBYTECODE": "1",
        "NUMBA_CACHE_DIR": str(cache),
        "NUMBA_DISABLE_JIT": "1" if plain else "0",
        "NUMBA_NUM_THREADS": "1",
        "NUMBA_OPT": "1",  # compiling takes longer than the tests
    }
    command = [sys.executable, "-m", "pytest", "-x", "-q", "-p", "no:cacheprovider"]
    command += ["-k", LEFT_OUT]
    command += [str(path) for name in tests for path in (copy / "tests").rglob(f"{name}.py")]
    times = target.stat()
    target.write_text(text, encoding="utf-8")
    try:
        process = subprocess.Popen(
            command,
            cwd=copy,
            env=environment,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )
        try:
            return "survived" if process.wait(limit) == 0 else "killed"
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            process.wait()
            return "timeout"
    finally:
        target.write_text(original, encoding="utf-8")
        os.utime(target, ns=(times.st_atime_ns, times.st_mtime_ns))  # what is compiled stays valid


def _cache_without(copy: Path, module: str) -> Path:
    """A cache with the machine code of the unbroken tree, except what may hold this module's.

    A caller's cached code may contain the callee of another file, so all importers are left out
    that compile anything. What does not is no link to others: no constant is passed on through it.
    """
    imports: dict[str, set[str]] = {}
    for path in (copy / "arrayopt").rglob("*.py"):
        text = path.read_text(encoding="utf-8")
        if "physics.numerics.compiled" not in text:
            continue
        tree = ast.walk(ast.parse(text))
        found = [node for node in tree if isinstance(node, ast.ImportFrom)]
        # "from package.module import name", and "from package import module"
        imports[path.stem] = {(node.module or "").rsplit(".", 1)[-1] for node in found}
        imports[path.stem] |= {alias.name for node in found for alias in node.names}
    stale = {module.rpartition("/")[2]}
    while more := {name for name, used in imports.items() if used & stale} - stale:
        stale |= more
    cache = copy / "numba"
    shutil.rmtree(cache, ignore_errors=True)
    if (copy / "warm").exists():
        shutil.copytree(copy / "warm", cache)
        for path in [p for p in cache.rglob("*.nb?") if p.name.split(".")[0] in stale]:
            path.unlink()
    return cache


def time_limit(copy: Path, module: str) -> float:
    """Seconds after which a mutant hangs: five times the unbroken module, whose tests must pass."""
    text = (copy / "arrayopt" / "physics" / f"{module}.py").read_text(encoding="utf-8")
    start = time.monotonic()
    if outcome(copy, module, text, 600.0) != "survived":
        sys.exit(f"the tests of {module} fail without any change")
    spent = time.monotonic() - start
    if (copy / "numba").exists():
        shutil.copytree(copy / "numba", copy / "warm", dirs_exist_ok=True)
    return 5.0 * spent + 30.0


def read_results() -> list[dict[str, str]]:
    if not RESULTS.exists():
        return []
    with RESULTS.open(newline="", encoding="utf-8") as stream:
        return list(csv.DictReader(stream))


def run(modules: list[str], seed: int, sample: int, minutes: float) -> None:
    """Try ``sample`` mutants of each module that are not yet in the results."""
    known = {(r["file"], r["source"], r["change"]) for r in read_results()}
    rng = random.Random(seed)
    chosen: list[tuple[str, tuple[int, str, str, str]]] = []
    for module in modules:
        path = ROOT / "arrayopt" / "physics" / f"{module}.py"
        every = places(path)
        picked = rng.sample(every, min(sample, len(every)))
        chosen += [(module, mutant(path, place)) for place in picked]
    rng.shuffle(chosen)
    stop = time.monotonic() + 60.0 * minutes
    with tempfile.TemporaryDirectory() as folder:
        copy = copy_tree(Path(folder))
        limits: dict[tuple[tuple[str, ...], bool], float] = {}
        for module, (line, what, source, text) in chosen:
            if time.monotonic() > stop:
                break
            if TESTS[module] not in limits:
                limits[TESTS[module]] = time_limit(copy, module)
            limit = limits[TESTS[module]]
            if (module, source, what) in known:
                continue
            row = (module, line, what, source, outcome(copy, module, text, limit), "")
            fresh = not RESULTS.exists()
            with RESULTS.open("a", newline="", encoding="utf-8") as stream:
                writer = csv.writer(stream, lineterminator="\n")
                if fresh:
                    writer.writerow(FIELDS)
                writer.writerow(row)


def copy_tree(copy: Path) -> Path:
    """The package and its tests, without anything compiled."""
    unwanted = shutil.ignore_patterns("__pycache__", ".hypothesis")
    for name in ("arrayopt", "tests", "studies"):
        shutil.copytree(ROOT / name, copy / name, ignore=unwanted)
    shutil.copy(ROOT / "pyproject.toml", copy)
    return copy


def survived(row: dict[str, str]) -> bool:
    return row["outcome"] == "survived" and not row["note"].startswith("killed since")


def table() -> str:
    """The results as a page; lines that are gone by now are left out."""
    physics = ROOT / "arrayopt" / "physics"
    lines_of = {
        str(p.relative_to(physics))[:-3]: {x.strip() for x in p.read_text("utf-8").splitlines()}
        for p in physics.rglob("[a-z]*.py")
    }
    rows = [r for r in read_results() if r["source"] in lines_of.get(r["file"], ())]
    lines = [
        "# Does breaking the physics break a test?",
        "",
        "Written by `python -m tests.mutation.mutate --table`. A seeded sample of all numbers,",
        "signs, operators and comparisons of `arrayopt/physics` was changed, one at a time, and",
        "only that module's own tests were run (numbers: 10 % or 1 more; `+ - * / **`, signs,",
        "comparisons, and/or: swapped). Over five times the usual run time counts as killed. Lines",
        "that were rewritten since are left out.",
        "",
        "| module | tried | killed | survived | of these: gaps |",
        "|---|---|---|---|---|",
    ]
    total: Counter[str] = Counter()
    for module in sorted({r["file"] for r in rows}):
        mine = [r for r in rows if r["file"] == module]
        here = Counter(
            tried=len(mine),
            survived=sum(survived(r) for r in mine),
            since=sum(r["note"].startswith("killed since") for r in mine),
            gap=sum(survived(r) and r["note"].startswith("gap") for r in mine),
        )
        total += here
        killed = here["tried"] - here["survived"]
        lines.append(
            f"| {module} | {here['tried']} | {killed} | {here['survived']} | {here['gap']} |"
        )
    killed = total["tried"] - total["survived"]
    thin = [name for name in sorted(lines_of) if sum(r["file"] == name for r in rows) < 5]
    lines += [
        f"| **all** | **{total['tried']}** | **{killed}** | **{total['survived']}** "
        f"| **{total['gap']}** |",
        "",
        f"Killed: {100 * killed / max(total['tried'], 1):.1f} %; without the {total['since']} that "
        f"survived at first and have a test now, "
        f"{100 * (killed - total['since']) / max(total['tried'], 1):.1f} %.",
        "",
        "Tried by fewer than five changes so far, so little is known of them: "
        + ", ".join(thin)
        + ".",
        "",
        "## Survivors",
        "",
    ]
    lines += [f"- *{kind}*: {meaning}" for kind, meaning in KINDS.items()]
    lines += ["", "| place | line | change | why it survives |", "|---|---|---|---|"]
    for r in sorted(rows, key=lambda r: (r["file"], int(r["line"]))):
        if r["outcome"] == "survived":
            source = r["source"].replace("|", "\\|")
            lines.append(
                f"| {r['file']}:{r['line']} | `{source}` | {r['change']} "
                f"| {r['note'] or 'not looked at'} |"
            )
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else None)
    parser.add_argument("modules", nargs="*", help="of arrayopt/physics; default: all")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--sample", type=int, default=10, help="mutants per module")
    parser.add_argument("--minutes", type=float, default=20.0, help="stop starting new ones after")
    parser.add_argument("--table", action="store_true", help="print the results as a page")
    arguments = parser.parse_args()
    if arguments.table:
        print(table())
        return
    modules = arguments.modules or sorted(TESTS)
    run(modules, arguments.seed, arguments.sample, arguments.minutes)


if __name__ == "__main__":
    main()
