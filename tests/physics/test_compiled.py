"""What has no way in from Python is not called from Python: that would end the interpreter."""

from __future__ import annotations

import ast
from collections.abc import Iterator

import pytest

from tests.support.paths import ROOT

COMPILED = {"kernel", "inner", "spliced", "forced", "parallel"}
Name = tuple[str, str]


def decorated(tree: ast.Module) -> dict[str, str]:
    """Names of a module's compiled functions, each with how it is compiled."""
    found = {}
    for node in tree.body:
        if isinstance(node, ast.FunctionDef):
            for decorator in node.decorator_list:
                if isinstance(decorator, ast.Name) and decorator.id in COMPILED:
                    found[node.name] = decorator.id
        elif isinstance(node, ast.Assign) and isinstance(node.value, ast.Call):
            how = node.value.func
            if isinstance(how, ast.Name) and how.id in COMPILED:
                found[ast.unparse(node.targets[0])] = how.id
    return found


def called_from_python(trees: dict[str, ast.Module]) -> Iterator[Name]:
    """(module, function) of every function without a way in that uncompiled code refers to."""
    how = {(module, name): h for module, t in trees.items() for name, h in decorated(t).items()}
    for module, tree in trees.items():
        compiled = decorated(tree)
        names = {name: (module, name) for name in compiled}
        modules = {}
        for node in ast.walk(tree):
            if isinstance(node, ast.ImportFrom) and node.module:
                for alias in node.names:
                    here = alias.asname or alias.name
                    names[here] = (node.module, alias.name)
                    modules[here] = f"{node.module}.{alias.name}"
            elif isinstance(node, ast.Import):
                modules |= {a.asname or a.name: a.name for a in node.names}
        for node in tree.body:
            if isinstance(node, ast.FunctionDef) and node.name in compiled:
                continue
            for used in ast.walk(node):
                target: Name | None = None
                if isinstance(used, ast.Name) and isinstance(used.ctx, ast.Load):
                    target = names.get(used.id)
                elif isinstance(used, ast.Attribute):
                    target = (modules.get(ast.unparse(used.value), ""), used.attr)
                if target and how.get(target) == "inner":
                    yield target


def project() -> dict[str, ast.Module]:
    """Every module of the package and of the tests."""
    files = [f for top in ("arrayopt", "tests") for f in (ROOT / top).rglob("*.py")]
    files.remove(ROOT / "arrayopt" / "physics" / "intime" / "card_kernel.py")  # compiled by another
    return {
        ".".join(f.relative_to(ROOT).with_suffix("").parts): ast.parse(f.read_text("utf-8"))
        for f in files
    }


def test_no_inner_function_is_called_from_python() -> None:
    assert sorted(set(called_from_python(project()))) == []


@pytest.mark.parametrize(
    "caller",
    [
        "from pack.deep import small\nprint(small(1))",
        "from pack.deep import small as tiny\ndef f():\n    return tiny",
        "from pack import deep\nx = deep.small(2)",
        "import pack.deep\nx = pack.deep.small(2)",
        "import pack.deep as d\nx = d.small(2)",
    ],
)
def test_a_call_from_python_is_found(caller: str) -> None:
    deep = "@inner\ndef small(x): return x\n@kernel\ndef big(x): return small(x)"
    trees = {"pack.deep": ast.parse(deep), "user": ast.parse(caller)}
    assert list(called_from_python(trees)) == [("pack.deep", "small")]
    assert not list(called_from_python({"pack.deep": ast.parse(deep)}))
