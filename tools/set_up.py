"""Makes the environment: .venv with the pinned requirements, this project, system libraries, fetched files.

    python3 tools/set_up.py [--tests]

Standard library only; runs on Linux, macOS and Windows with Python 3.11 to 3.13. A repeat with nothing changed
returns at once. Exit code 0 when everything is in place.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
VENV = ROOT / ".venv"
BIN = VENV / ("Scripts" if os.name == "nt" else "bin")
PYTHON = BIN / ("python.exe" if os.name == "nt" else "python")
STAMP = VENV / "set_up.stamp"
OLDEST, NEWEST = (3, 11), (3, 13)


def main() -> int:
    tests = ["--tests"] if "--tests" in sys.argv[1:] else []
    if not OLDEST <= sys.version_info[:2] <= NEWEST:
        return _stop(f"want Python 3.11, 3.12 or 3.13, this is {sys.version.split()[0]} ({sys.executable})")
    done = STAMP.read_text(encoding="utf-8").split() if STAMP.is_file() else []
    if done[:1] != [_inputs()]:
        done = []
        STAMP.unlink(missing_ok=True)
        if not (_make_venv() and _install_requirements()):
            return 1
    if not done or (tests and "--tests" not in done):
        _say("checking system libraries")
        if subprocess.run([PYTHON, ROOT / "tools" / "system_parts.py", *tests], check=False).returncode:
            if not tests:
                return 1
            _say("tests that need what is missing will be skipped, each saying why")
        done = [_inputs(), *tests]
    _say("checking fetched files")
    if subprocess.run([BIN / "courtplumb", "assets"], check=False).returncode:
        return 1
    STAMP.write_text("\n".join(done) + "\n", encoding="utf-8")
    return 0


def _inputs() -> str:
    """Changes whenever the environment has to be made anew."""
    parts = [sys.version.split()[0].encode()]
    parts += [(ROOT / name).read_bytes() for name in ("requirements.lock", "pyproject.toml")]
    parts += [path.read_bytes() for path in sorted((ROOT / "tools").glob("*.py"))]
    return hashlib.sha256(b"\0".join(parts)).hexdigest()


def _make_venv() -> bool:
    if (
        PYTHON.exists()
        and subprocess.run([PYTHON, "-m", "pip", "--version"], capture_output=True).returncode == 0
    ):
        ask = "import sys; print('%d.%d' % sys.version_info[:2])"
        have = subprocess.run([PYTHON, "-c", ask], capture_output=True, text=True, check=False).stdout.strip()
        if have in ("3.11", "3.12", "3.13"):
            return True
    _say(f"making {VENV.name} with Python {sys.version.split()[0]}")
    if subprocess.run([sys.executable, "-c", "import ensurepip, venv"], capture_output=True).returncode != 0:
        package = f"python{sys.version_info[0]}.{sys.version_info[1]}-venv"
        if not _apt_install(package):
            _stop(f"this Python cannot make environments; install with: sudo apt-get install {package}")
            return False
    return subprocess.run([sys.executable, "-m", "venv", "--clear", VENV], check=False).returncode == 0


def _apt_install(package: str) -> bool:
    """As root on Debian, install one package. True where that worked."""
    if os.name == "nt" or os.geteuid() != 0 or not shutil.which("apt-get"):
        return False
    _say(f"installing system package {package}")
    subprocess.run(["apt-get", "update", "-qq"], check=False)
    command = ["apt-get", "install", "--yes", "--no-install-recommends", package]
    return subprocess.run(command, env={**os.environ, "DEBIAN_FRONTEND": "noninteractive"}).returncode == 0


def _install_requirements() -> bool:
    pip = [PYTHON, "-m", "pip", "--disable-pip-version-check", "install", "-qq"]
    _say("installing the pinned requirements (about 600 MB the first time)")
    locked = [*pip, "--require-hashes", "-r", ROOT / "requirements.lock"]
    project = [*pip, "--no-deps", "--no-build-isolation", "--editable", ROOT]
    return all(subprocess.run(command, check=False).returncode == 0 for command in (locked, project))


def _say(line: str) -> None:
    print(f"set-up: {line}", flush=True)


def _stop(line: str) -> int:
    print(f"set-up: {line}", file=sys.stderr)
    return 1


if __name__ == "__main__":
    sys.exit(main())
