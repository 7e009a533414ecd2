"""The structure: data flows one way through the rooms; each third-party library has one home."""

from __future__ import annotations

import ast
from fnmatch import fnmatch
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "arrayopt"

ROOMS = "base physics study design models merits search runs verify results chip lab cli".split()  # noqa: SIM905
"""A module imports only from its own room and from rooms to the left of it."""

PHYSICS = "numerics plate sound back steady intime receive".split()  # noqa: SIM905
"""The same order within physics."""

HOMES = {
    "pymoo": {"search.population"},
    "moocore": {"search.front"},
    "matplotlib": {"results.plots.*", "chip.drawing", "lab.plot", "results.compare.output"},
    "gdstk": {"chip.write"},
    "ezdxf": {"chip.write"},
    "klayout": {"chip.readback"},
    "click": {"cli.*"},
    "rich": {"runs.progress"},
    "netCDF4": {"runs.kept.store"},
    "llvmlite": {"physics.numerics.lanes"},
    "distributed": {"runs.power.cluster"},
    "numba.cuda": {"physics.intime.card*"},
}
MOST_MODULES = 14
"""Modules of one folder; more are a second room."""


def module_name(path: Path) -> str:
    return ".".join(path.relative_to(PACKAGE).with_suffix("").parts)


MODULES = sorted(path for path in PACKAGE.rglob("*.py") if path.name != "__init__.py")
NAMES = {module_name(path) for path in MODULES}


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


def inner_imports(path: Path) -> set[str]:
    """Modules of the package that a file imports."""
    names = {n.removeprefix("arrayopt.") for n in imports(path) if n.startswith("arrayopt.")}
    return {name for name in names if name in NAMES}


def rank(module: str) -> tuple[int, int]:
    room, inner = module.split(".")[:2]
    return ROOMS.index(room), PHYSICS.index(inner) if room == "physics" else 0


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
    me, names = module_name(path), imports(path)
    for library, homes in HOMES.items():
        if any(name == library or name.startswith(library + ".") for name in names):
            assert any(fnmatch(me, home) for home in homes), f"{me} imports {library}: {homes}"


def test_physics_knows_only_numbers() -> None:
    allowed = {"numpy", "scipy", "numba", "llvmlite", "arrayopt", "__future__"}
    standard = {"dataclasses", "enum", "typing", "math", "functools", "collections", "itertools"}
    standard |= {"fractions", "concurrent", "os", "threading"}
    for path in (PACKAGE / "physics").rglob("*.py"):
        if path.name == "compiled.py":
            continue  # knows where compiled code is kept
        libraries = {name.split(".")[0] for name in imports(path)}
        assert libraries <= allowed | standard, f"{path.name} imports {libraries - allowed}"


def test_folders_show_the_pipeline() -> None:
    assert {path.relative_to(PACKAGE).parts[0] for path in MODULES} == set(ROOMS)
    for folder in {path.parent for path in MODULES}:
        modules = [path.name for path in folder.glob("*.py") if path.name != "__init__.py"]
        assert len(modules) <= MOST_MODULES, f"{folder.name}: {len(modules)} modules: {modules}"


def defined(tree: ast.Module) -> dict[str, ast.stmt]:
    """Functions, classes and constants of a module."""
    found: dict[str, ast.stmt] = {}
    for node in tree.body:
        if isinstance(node, ast.FunctionDef | ast.ClassDef):
            found[node.name] = node
        elif isinstance(node, ast.Assign | ast.AnnAssign):
            targets = node.targets if isinstance(node, ast.Assign) else [node.target]
            found |= {t.id: node for t in targets if isinstance(t, ast.Name)}
    return found


def test_nothing_is_there_for_tests_alone() -> None:
    """Every name of the package is used in the package, or handed out by it."""
    trees = {path: ast.parse(path.read_text(encoding="utf-8")) for path in PACKAGE.rglob("*.py")}
    used: dict[str, list[tuple[Path, int]]] = {}
    for path, tree in trees.items():
        if path.name != "__init__.py":  # what a module hands on is not used by that
            tree.body = [node for node in tree.body if "__all__" not in defined(ast.Module([node]))]
        for node in ast.walk(tree):
            name = {ast.Name: "id", ast.Attribute: "attr", ast.Constant: "value"}.get(type(node))
            if name and not isinstance(getattr(node, "ctx", None), ast.Store):
                used.setdefault(str(getattr(node, name)), []).append((path, node.lineno))
    for path, tree in trees.items():
        for name, node in defined(tree).items():
            others = (p != path or not node.lineno <= n <= (node.end_lineno or n)
                      for p, n in used.get(name, []))  # fmt: skip
            assert name.startswith("__") or any(others), f"{module_name(path)}.{name} is not used"
