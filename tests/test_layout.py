"""The structure: data flows one way, and each third-party library has one home."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "arrayopt"

# Each row may import from the rows above it and from its own row.
ORDER = [
    ["errors"],
    ["units", "quantities", "toml_lines", "versions"],
    ["physics.laminate", "physics.air", "physics.steady_kernel"],
    ["materials"],
    ["physics.plate_table", "physics.radiation", "physics.steady"],
    ["physics.diaphragm", "physics.mutual", "physics.cavity"],
    ["physics.harmonic_kernel", "physics.transient_kernel"],
    ["physics.harmonic", "physics.transient", "physics.pulse"],
    ["layout_array"],
    ["study_schema"],
    ["study"],
    ["design"],
    ["cells"],
    ["response"],
    ["band", "beam"],
    ["merits"],
    ["evaluate"],
    ["search", "workers"],
    ["store"],
    ["progress"],
    ["run"],
    ["verify", "compare", "report", "export", "calibrate"],
    ["cli"],
]
HOMES = {
    "pymoo": {"search"},
    "matplotlib": {"report", "plot"},
    "gdstk": {"export", "gds"},
    "ezdxf": {"export", "gds"},
    "pydantic": {"study_schema", "study"},
    "click": {"cli"},
    "rich": {"cli", "progress"},
    "netCDF4": set(),
}
RANK = {name: rank for rank, row in enumerate(ORDER) for name in row}


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


MODULES = sorted(p for p in PACKAGE.rglob("*.py") if module_name(p) not in ("", "physics"))


@pytest.mark.parametrize("path", MODULES, ids=module_name)
def test_imports_point_up_the_pipeline(path: Path) -> None:
    me = module_name(path)
    assert me in RANK, f"{me} has no place in ORDER; decide where it belongs"
    for name in imports(path):
        inner = name.removeprefix("arrayopt.")
        if name.startswith("arrayopt.") and inner in RANK:
            assert inner == me or RANK[inner] <= RANK[me], f"{me} imports {inner} from below"


@pytest.mark.parametrize("path", MODULES, ids=module_name)
def test_third_parties_have_one_home(path: Path) -> None:
    me = module_name(path)
    for name in imports(path):
        library = name.split(".")[0]
        if library in HOMES:
            assert me in HOMES[library], f"{me} imports {library}; its home is {HOMES[library]}"


def test_physics_knows_only_numbers() -> None:
    allowed = {"numpy", "scipy", "numba", "arrayopt", "__future__"}
    standard = {"dataclasses", "enum", "typing", "math", "functools", "collections", "itertools"}
    for path in (PACKAGE / "physics").glob("*.py"):
        libraries = {name.split(".")[0] for name in imports(path)}
        assert libraries <= allowed | standard, f"{path.name} imports {libraries - allowed}"


def test_files_stay_short() -> None:
    long = {p.name: n for p in MODULES if (n := len(p.read_text().splitlines())) > 420}
    assert not long, f"split by idea: {long}"
