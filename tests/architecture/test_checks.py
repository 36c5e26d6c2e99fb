"""Lint, types, file sizes, what must not be in a tracked file, and the docs build, collected as tests."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.architecture.source_tree import ROOT, modules, tracked_files

LONGEST_FILE = 400
LONGEST_FUNCTION = 60
"""Lines from def to end, docstring not counted; the aim is 40."""


def run(*command: str) -> None:
    """Run a checker with this Python and fail with what it said."""
    done = subprocess.run(
        [sys.executable, "-m", *command], cwd=ROOT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, f"{' '.join(command)}\n{done.stdout[-6000:]}\n{done.stderr[-2000:]}"


def test_lint() -> None:
    run("ruff", "check", ".")


def test_format() -> None:
    run("ruff", "format", "--check", ".")


@pytest.mark.timeout(600)
def test_types() -> None:
    """mypy, strict on calibration, recon and benchmarks (pyproject.toml)."""
    run("mypy")


def test_no_file_is_too_long() -> None:
    paths = [p for p in tracked_files() if p.suffix == ".py"]
    long = {
        str(p.relative_to(ROOT)): n
        for p in paths
        if (n := len(p.read_text("utf-8").splitlines())) > LONGEST_FILE
    }
    assert paths and not long


def test_no_function_is_too_long() -> None:
    long = []
    for module in modules().values():
        for node in ast.walk(module.tree):
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef) and node.end_lineno is not None:
                first = node.body[0].end_lineno if ast.get_docstring(node) else node.lineno
                if node.end_lineno - (first or node.lineno) > LONGEST_FUNCTION:
                    long.append(f"{module.where}:{node.lineno}: {node.name}")
    assert long == []


# Joined here, so that this file does not hold what it looks for.
HOSTS = "|".join(
    ["py" + r"pi\.org", "python" + "hosted", r"registry\.npm" + "js", "npm" + r"js\.(?:org|com)",
     r"deb\.deb" + "ian", "js" + "delivr", "un" + "pkg"]
)  # fmt: skip
HOMES = "|".join(["wo" + "rk", "ro" + "ot", "ho" + r"me/\w+", "Us" + r"ers/\w+"])
FORBIDDEN = {
    "a registry's host name": re.compile(HOSTS),
    "a path of one computer": re.compile(rf"(?<![\w.~])/(?:{HOMES})/"),
    "a temporary path": re.compile(r"(?<![\w.])/tm" + r"p/\w"),
}


def forbidden_in(text: str) -> list[str]:
    return [f"{name}: {found.group()}" for name, rule in FORBIDDEN.items() for found in rule.finditer(text)]


def test_no_host_names_and_no_paths_of_one_computer() -> None:
    wrong = []
    for path in tracked_files():
        try:
            text = path.read_text(encoding="utf-8")
        except UnicodeDecodeError:
            continue
        wrong += [f"{path.relative_to(ROOT)}: {what}" for what in forbidden_in(text)]
    assert wrong == []


@pytest.mark.parametrize(
    "text", ["see py" + "pi.org/x", "open('/wo" + "rk/main')", "'/tm" + "p/x.png'", "/ho" + "me/anna/x"]
)
def test_forbidden_strings_are_caught(text: str) -> None:  # fmt: skip
    assert forbidden_in(text)


def test_no_test_folder_is_empty_of_meaning() -> None:
    """A test without an assertion, a raises block, a skip or a helper that asserts cannot fail by itself."""
    silent = []
    for path in (p for p in tracked_files() if p.name.startswith("test_") and p.suffix == ".py"):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FunctionDef) and node.name.startswith("test_"):
                words = ast.unparse(node)
                if not re.search(r"\bassert|raises|warns|check|run\(|expect", words):
                    silent.append(f"{path.relative_to(ROOT)}:{node.lineno}: {node.name}")
    assert silent == []


@pytest.mark.timeout(300)
def test_docs_build_without_warnings_and_fetch_nothing(tmp_path: Path) -> None:
    run("mkdocs", "build", "--strict", "--quiet", "--site-dir", str(tmp_path / "site"))
    pages = list((tmp_path / "site").rglob("*.html"))
    assert len(pages) > 5
    fetched = re.compile(
        r"<(?:link|script|img|iframe|source)\b[^>]*?(?:href|src)=[\"']?(?:https?:)?//[^>]*>", re.I
    )
    for page in pages:
        assert fetched.findall(page.read_text(encoding="utf-8")) == [], page.name
    for sheet in (tmp_path / "site").rglob("*.css"):
        assert not re.search(r"(?:@import|url\()\s*[\"']?(?:https?:)?//", sheet.read_text(encoding="utf-8")), (
            sheet
        )


def test_requirements_are_pinned_by_hash_without_index() -> None:
    lines = (ROOT / "requirements.lock").read_text(encoding="utf-8").splitlines()
    assert not [line for line in lines if "://" in line or line.startswith(("-i", "--index", "--extra"))]
    names = [n for n, line in enumerate(lines) if "==" in line]
    assert len(names) > 50
    assert all("--hash=sha256:" in lines[n + 1] for n in names)


def test_what_is_installed_is_what_is_pinned() -> None:
    from importlib import metadata

    from packaging.markers import Marker

    lock = (ROOT / "requirements.lock").read_text(encoding="utf-8")
    lines = re.findall(r"^([A-Za-z0-9._-]+)==([^ ;\\]+)(?: *; *([^\\\n]+))?", lock, re.M)
    # one package may be pinned twice, for different Pythons
    pinned = {name: version for name, version, where in lines if not where or Marker(where).evaluate()}
    differing = {}
    for name in (
        "numpy",
        "scipy",
        "opencv-contrib-python",
        "mediapipe",
        "vtk",
        "pyvista",
        "xarray",
        "mypy",
        "ruff",
    ):
        if metadata.version(name) != pinned[name]:
            differing[name] = (metadata.version(name), pinned[name])
    assert differing == {}
