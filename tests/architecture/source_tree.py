"""The repository's own source as data: modules, what they import, what is tracked."""

from __future__ import annotations

import ast
import subprocess
from dataclasses import dataclass
from functools import cache
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]
PACKAGES = ("calibration", "recon", "demo_rigs")


@dataclass(frozen=True)
class Import:
    """One imported module or name, as 'package.module' or 'package.module.name'."""

    target: str
    line: int


@dataclass(frozen=True)
class Module:
    """One source file: dotted name, path, syntax tree, imports of this project's packages and of others."""

    name: str
    path: Path
    tree: ast.Module
    imports: tuple[Import, ...]

    @property
    def where(self) -> str:
        return str(self.path.relative_to(ROOT))


def _module_name(path: Path) -> str:
    parts = path.relative_to(ROOT).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports_of(tree: ast.Module) -> tuple[Import, ...]:
    """Everything a file imports, at any depth of it."""
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            found += [Import(alias.name, node.lineno) for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            found += [Import(f"{node.module}.{alias.name}", node.lineno) for alias in node.names]
    return tuple(found)


def read_module(path: Path) -> Module:
    """Parse one file."""
    tree = ast.parse(path.read_text(encoding="utf-8"), filename=str(path))
    return Module(_module_name(path), path, tree, imports_of(tree))


@cache
def modules() -> dict[str, Module]:
    """Every module of the three packages by its dotted name."""
    paths = sorted(p for package in PACKAGES for p in (ROOT / package).rglob("*.py"))
    return {m.name: m for m in map(read_module, paths)}


def module_of(target: str) -> str | None:
    """The project module an import lands in: the longest prefix that is one; None for other packages."""
    parts = target.split(".")
    known = modules()
    for n in range(len(parts), 0, -1):
        name = ".".join(parts[:n])
        if name in known:
            return name
    return None


@cache
def tracked_files() -> tuple[Path, ...]:
    """Every file git tracks."""
    done = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=True)
    return tuple(ROOT / name for name in done.stdout.split("\0") if name and (ROOT / name).is_file())
