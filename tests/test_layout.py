"""The promises of the project's layout that no linter holds: what physics may import, and what the locks pin."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
PHYSICS_MODULES = sorted((ROOT / "physics").rglob("*.py"))
SHIPPED_MODULES = sorted(path for package in ("api", "worker", "physics") for path in (ROOT / package).rglob("*.py"))
#: Loaded only when its export is configured; pyproject.toml has it as an extra.
#: Parser and loop of the HTTP server, which takes them when they are there.
LOADED_BY_UVICORN = {"httptools", "uvloop"}
EXTRAS = {"opentelemetry"}
KERNELS = {"kernel", "inner_kernel", "inlined_kernel", "reordering_kernel"}
PHYSICS_MAY_IMPORT = {"physics", "numpy", "scipy", "numba", "pydantic", *sys.stdlib_module_names}


def imported_packages(path: Path) -> set[str]:
    """Top-level names of all that a module imports, wherever in it."""
    nodes = list(ast.walk(ast.parse(path.read_text(encoding="utf-8"))))
    plain = {alias.name for node in nodes if isinstance(node, ast.Import) for alias in node.names}
    partial = {node.module for node in nodes if isinstance(node, ast.ImportFrom) and node.module and not node.level}
    return {name.partition(".")[0] for name in plain | partial}


def declared_packages() -> set[str]:
    """Import names of the dependencies in pyproject.toml."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    names = [re.match(r"[\w-]+", entry) for entry in project["dependencies"]]
    return {name.group().replace("-", "_") for name in names if name}


def untyped_functions(path: Path) -> set[str]:
    """Names of the functions of a module that lack an annotation and are not compiled by numba."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    functions = [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef)]
    return {f.name for f in functions if not is_kernel(f) and not is_typed(f)}


def is_kernel(function: ast.FunctionDef) -> bool:
    """Whether a decorator of the function compiles it."""
    return any(ast.unparse(decorator) in KERNELS for decorator in function.decorator_list)


def is_typed(function: ast.FunctionDef) -> bool:
    """Whether the result and each argument but self and cls have a type."""
    arguments = [*function.args.posonlyargs, *function.args.args, *function.args.kwonlyargs]
    return function.returns is not None and all(a.annotation or a.arg in {"self", "cls"} for a in arguments)


def locked(name: str) -> dict[str, list[str]]:
    """Each `package==version ; marker` of a lock and the hashes that follow it."""
    text = (ROOT / name).read_text(encoding="utf-8")
    entries = re.split(r"\n(?=\w)", "\n".join(line for line in text.splitlines() if not line.startswith("#")))
    return {entry.split(" \\")[0].strip(): re.findall(r"--hash=sha256:[0-9a-f]{64}", entry) for entry in entries}


@pytest.mark.parametrize("path", PHYSICS_MODULES, ids=lambda path: path.stem)
def test_physics_stands_on_numerics_alone(path: Path) -> None:
    """A physics module imports the standard library, numpy, scipy, numba, pydantic and physics; only a picture more."""
    pictures = {"matplotlib", "contourpy"} if path.parent.name == "gallery" else set()
    assert imported_packages(path) <= PHYSICS_MAY_IMPORT | pictures


@pytest.mark.parametrize("path", PHYSICS_MODULES, ids=lambda path: path.stem)
def test_kernels_take_numbers(path: Path) -> None:
    """A physics module that has kernels does not itself handle pydantic models."""
    functions = [
        node for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))) if isinstance(node, ast.FunctionDef)
    ]
    assert not (any(map(is_kernel, functions)) and "pydantic" in imported_packages(path))


@pytest.mark.parametrize("path", PHYSICS_MODULES, ids=lambda path: path.stem)
def test_only_kernels_go_without_types(path: Path) -> None:
    """A physics function without type hints is one that numba compiles."""
    assert untyped_functions(path) == set()


def test_dependencies_are_those_that_the_code_uses() -> None:
    """Each third-party package that is imported is declared, and each declared one is imported."""
    imported = set[str]().union(*map(imported_packages, SHIPPED_MODULES))
    third_party = imported - {"api", "worker", "physics", *sys.stdlib_module_names}
    assert third_party - EXTRAS == declared_packages() - LOADED_BY_UVICORN


@pytest.mark.parametrize("name", ["requirements.lock", "requirements-dev.lock"])
def test_locks_pin_by_hash_and_name_no_address(name: str) -> None:
    """Every package of a lock has an exact version and hashes, and no address says where it has to come from."""
    entries = locked(name)
    assert len(entries) > 20
    assert all("==" in entry and hashes for entry, hashes in entries.items())
    assert "://" not in (ROOT / name).read_text(encoding="utf-8")


def test_who_starts_the_parts_loads_nothing_heavy() -> None:
    """`python -m api` is there at once: what takes seconds to load is loaded by the parts, side by side."""
    code = "import sys, api.__main__; print(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, check=True)
    assert not {"numba", "scipy", "fastapi", "celery"} & set(loaded.stdout.split())


def test_tests_run_what_is_shipped() -> None:
    """The development lock holds every package of the runtime lock in the same version."""
    shipped, tested = (
        {entry.partition(" ;")[0] for entry in locked(name)} for name in ("requirements.lock", "requirements-dev.lock")
    )
    assert shipped <= tested


def test_each_expectation_names_tests_that_are_there() -> None:
    """The table in DEVELOPERS.md has 25 lines, and every test in it exists."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = text.partition("### What users of a job service expect")[2].partition("\n### ")[0]
    rows = [line for line in table.splitlines() if re.match(r"\| \d+ \|", line)]
    assert [int(row.split("|")[1]) for row in rows] == list(range(1, 26))
    for row in rows:
        named = re.findall(r"`((?:api|system|worker)/\S+?\.py)(?:::(\w+))?`", row)
        assert named, row
        for file, test in named:
            source = (ROOT / "tests" / file).read_text(encoding="utf-8")
            assert not test or f"def {test}(" in source, f"{file}::{test}"
