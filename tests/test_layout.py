"""The structure: data flows one way, and each third-party library has one home."""

from __future__ import annotations

import ast
from fnmatch import fnmatch
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "arrayopt"

# Each row may import from the rows above it and, without going in circles, from its own.
ORDER = [
    ["errors", "sealed"],
    ["units", "glossary", "quantities", "toml_lines", "problem"],
    ["physics.*"],
    ["materials"],
    ["layout_array"],
    [
        "study_schema",
        "study_problems",
        "study_model",
        "study_build",
        "study_calibr*",
        "study_excitation",
        "study_back",
        "study",
    ],
    ["design", "design_file"],
    ["cells"],
    ["path"],
    ["response"],
    ["refine", "band_read"],
    ["band_grid"],
    ["band", "beam", "sampled"],
    ["multimode*"],
    ["burst*", "chirp", "excitation"],
    ["coupled_*"],
    ["merits", "bands", "cautions"],
    ["store", "identify"],
    ["evaluate"],
    ["seeds", "front", "variation", "population", "search", "workers", "cluster"],
    ["run_identity", "saved", "run_directory"],
    ["progress", "signals", "status", "predict"],
    ["start", "run", "study_run", "compile_ahead"],
    ["verify"],
    ["verify_run"],
    # Readers of results: they do not import one another, but all may use these.
    ["process", "process_schema", "layout_geometry", "routing*", "chip_*"],
    ["tables", "plot*", "results"],
    ["compar*", "report*", "explorer"],
    ["rules", "gds", "readback*", "export*"],
    ["measured*", "readings", "fit_*", "calibrat*"],
    ["commands.*"],
    ["cli"],
]
HOMES = {
    "pymoo": {"population"},
    "moocore": {"front"},
    "matplotlib": {"plot*"},
    "gdstk": {"gds"},
    "ezdxf": {"gds"},
    "klayout": {"readback"},
    "pydantic": {"*_schema", "study_problems"},
    "click": {"cli", "commands.*"},
    "rich": {"progress"},
    "netCDF4": {"store"},
    "distributed": {"cluster"},
}


def rank(module: str) -> int:
    """Row of a module; the first pattern that fits counts."""
    for number, row in enumerate(ORDER):
        if any(fnmatch(module, pattern) for pattern in row):
            return number
    raise AssertionError(f"{module} has no place in ORDER; decide where it belongs")


def module_name(path: Path) -> str:
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports(path: Path) -> set[str]:
    """Absolute names of everything a file imports, those inside functions included."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import"
            found.add(node.module or "")
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


MODULES = sorted(
    p for p in PACKAGE.rglob("*.py") if module_name(p) not in ("", "physics", "commands")
)
NAMES = {module_name(path) for path in MODULES}


def inner_imports(path: Path) -> set[str]:
    """Modules of the package that a file imports."""
    names = {n.removeprefix("arrayopt.") for n in imports(path) if n.startswith("arrayopt.")}
    return {name for name in names if name in NAMES}


@pytest.mark.parametrize("path", MODULES, ids=module_name)
def test_imports_point_up_the_pipeline(path: Path) -> None:
    me = module_name(path)
    for name in inner_imports(path):
        assert rank(name) <= rank(me), f"{me} imports {name} from below"


def test_no_module_imports_itself_by_a_detour() -> None:
    graph = {module_name(path): inner_imports(path) for path in MODULES}
    done: set[str] = set()

    def visit(name: str, way: tuple[str, ...]) -> None:
        assert name not in way, f"circle: {' -> '.join((*way, name))}"
        if name not in done:
            for other in graph[name]:
                visit(other, (*way, name))
            done.add(name)

    for name in graph:
        visit(name, ())


@pytest.mark.parametrize("path", MODULES, ids=module_name)
def test_third_parties_have_one_home(path: Path) -> None:
    me = module_name(path)
    for name in imports(path):
        library = name.split(".")[0]
        if library in HOMES:
            homes = HOMES[library]
            assert any(fnmatch(me, home) for home in homes), f"{me} imports {library}: {homes}"


def test_only_the_graphics_card_s_modules_load_its_target() -> None:
    homes = {"physics.gpu", "physics.transient_gpu"}
    for path in MODULES:
        names = {name for name in imports(path) if name.startswith("numba.cuda")}
        assert not names or module_name(path) in homes, f"{path.name} imports {names}"


def test_physics_knows_only_numbers() -> None:
    allowed = {"numpy", "scipy", "numba", "arrayopt", "__future__"}
    standard = {"dataclasses", "enum", "typing", "math", "functools", "collections", "itertools"}
    standard |= {"fractions", "concurrent", "os", "threading"}
    for path in (PACKAGE / "physics").glob("*.py"):
        libraries = {name.split(".")[0] for name in imports(path)}
        assert libraries <= allowed | standard, f"{path.name} imports {libraries - allowed}"
        others = {name for name in inner_imports(path) if not name.startswith("physics.")}
        assert not others, f"{path.name} imports {others}"


def test_files_stay_short() -> None:
    long = {p.name: n for p in MODULES if (n := len(p.read_text().splitlines())) > 420}
    assert not long, f"split by idea: {long}"
