"""Imports go one way, the numerics know no clock, and only the command line prints."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parent.parent
PARTS = ("config", "detectors", "reports", "sample_fleet", "service")
MAY_IMPORT = {
    "config": {"config"},
    "detectors": {"detectors", "config"},
    "reports": {"reports", "detectors", "config"},
    "sample_fleet": {"sample_fleet"},
    "service": {"service", "reports", "detectors", "config"},
}
DEMO = Path("service/cli/demo.py")
CLOCKS = {("datetime", "now"), ("datetime", "utcnow"), ("date", "today"), ("time", "time")}
FILES = sorted(path for part in PARTS for path in (ROOT / part).rglob("*.py"))


def _imports(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            yield node.module
        elif isinstance(node, ast.ImportFrom) and node.level > 0:
            yield "." * node.level


def _tree(path: Path) -> ast.AST:
    return ast.parse(path.read_text(encoding="utf-8"))


@pytest.mark.parametrize("path", FILES, ids=lambda path: str(path.relative_to(ROOT)))
def test_imports_go_one_way(path: Path) -> None:
    relative = path.relative_to(ROOT)
    allowed = set(MAY_IMPORT[relative.parts[0]])
    if relative == DEMO:
        allowed.add("sample_fleet")
    for name in _imports(_tree(path)):
        assert not name.startswith("."), f"{relative}: import by full name, not {name}"
        first, *rest = name.split(".")
        assert first not in PARTS, f"{relative}: import trimkeep.{name}, or it is loaded twice"
        if first == "trimkeep" and rest:
            assert rest[0] in allowed, f"{relative} must not import {name}"


@pytest.mark.parametrize("part", ["detectors", "reports"])
def test_numerics_and_pages_know_no_clock(part: str) -> None:
    for path in (ROOT / part).rglob("*.py"):
        for node in ast.walk(_tree(path)):
            if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name):
                assert (node.value.id, node.attr) not in CLOCKS, f"{path}:{node.lineno} reads the clock"


def test_only_the_command_line_prints() -> None:
    for path in FILES:
        relative = path.relative_to(ROOT)
        if relative.parts[:2] == ("service", "cli") or relative.parts[0] == "sample_fleet":
            continue
        for node in ast.walk(_tree(path)):
            if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
                assert node.func.id != "print", f"{relative}:{node.lineno} prints"


def test_every_folder_is_installed() -> None:
    import tomllib

    listed = set(tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]["packages"])
    found = {
        "trimkeep." + ".".join(path.parent.relative_to(ROOT).parts)
        for path in FILES
        if path.name == "__init__.py"
    }
    assert found == listed
