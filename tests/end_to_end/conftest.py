"""One rendered serve, calibrated and measured by the program's own commands, for tests of real pixels.

Kept in build/tests between runs: only what changed is made again. Rendering and measuring take some minutes.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import pytest

from demo_rigs.session import render_session
from recon.assets import body_wheel
from tests.architecture.source_tree import ROOT

SERVE = "clean_right"


@dataclass(frozen=True)
class MeasuredServe:
    """Folders of the rendered academy, and how the interrupted first run ended."""

    out: Path
    interrupted_code: int | None
    pieces_kept: int

    @property
    def rig(self) -> Path:
        return self.out / "rig"

    @property
    def session(self) -> Path:
        return self.out / SERVE

    @property
    def truth(self) -> Path:
        return self.out / "truth"


def command(*words: object) -> subprocess.CompletedProcess[str]:
    """Run the installed command as a user would."""
    program = [sys.executable, "-c", "from recon.cli import main; main()", *map(str, words)]
    return subprocess.run(program, capture_output=True, text=True, timeout=900, check=False)


def succeed(*words: object) -> str:
    done = command(*words)
    assert done.returncode == 0, f"courtplumb {' '.join(map(str, words))}\n{done.stdout}\n{done.stderr}"
    return done.stdout


@pytest.fixture(scope="session")
def measured_serve() -> MeasuredServe:
    """Rendered, calibrated and measured; the first measuring is broken off half-way and resumed."""
    out = ROOT / "build" / "tests" / "academy"
    render_session(None, out, wheel=body_wheel(), serves=[SERVE], processes=os.cpu_count() or 2)
    rig, session = out / "rig", out / SERVE
    succeed("lens", rig)
    succeed("rig", rig)
    succeed("court", rig, "--clicks", rig / "court_clicks.csv")
    code, kept = _break_off(session)
    succeed("measure", session)
    succeed("export", session)
    succeed("report", session)
    return MeasuredServe(out, code, kept)


def _hear_ctrl_c() -> None:
    """A test run that was started in the background passes its deafness to SIGINT on to its children."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)


def _break_off(session: Path) -> tuple[int | None, int]:
    """Start measuring, press Ctrl-C after the first kept pieces: exit code (None: all was kept) and pieces."""
    cache = session / "derived" / "cache"
    before = len(list(cache.glob("*.npz")))
    program = [sys.executable, "-c", "from recon.cli import main; main()", "measure", str(session)]
    run = subprocess.Popen(
        program, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, start_new_session=True
    )
    while run.poll() is None and len(list(cache.glob("*.npz"))) < before + 2:
        time.sleep(0.1)
    if run.poll() is not None:
        return None, before
    for _ in range(10):  # as a person would: once, and again if nothing seems to happen
        os.killpg(run.pid, signal.SIGINT)
        try:
            code = run.wait(timeout=5)
        except subprocess.TimeoutExpired:
            continue
        return code, len(list(cache.glob("*.npz")))
    raise AssertionError("measuring did not stop on ten presses of Ctrl-C")
