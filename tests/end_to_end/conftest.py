"""One rendered serve, calibrated and measured by the program's own commands, for tests of real pixels.

Kept in build/tests between runs: only what changed is made again. Rendering and measuring take some minutes.
"""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from demo_rigs.session import render_session
from recon.assets import body_wheel
from recon.pipeline import measure_session
from tests.architecture.source_tree import ROOT
from tests.support.chromium import browser

SERVE = "clean_right"


@dataclass(frozen=True)
class MeasuredServe:
    """Folders of the rendered academy, and how the interrupted first run ended."""

    out: Path
    interrupted: bool
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


@pytest.fixture(scope="module")
def context(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Any]:
    """A browser with a profile of its own."""
    with browser(tmp_path_factory.mktemp("profile")) as opened:
        yield opened


@pytest.fixture(scope="session")
def measured_serve() -> MeasuredServe:
    """Rendered, calibrated and measured; the first measuring is broken off half-way and resumed."""
    out = ROOT / "build" / "tests" / "academy"
    render_session(None, out, wheel=body_wheel(), serves=[SERVE], processes=os.cpu_count() or 2)
    rig, session = out / "rig", out / SERVE
    succeed("lens", rig)
    succeed("rig", rig)
    succeed("court", rig, "--clicks", rig / "court_clicks.csv")
    interrupted, kept = _break_off(session)
    succeed("measure", session)
    succeed("export", session)
    succeed("report", session)
    return MeasuredServe(out, interrupted, kept)


def _break_off(session: Path) -> tuple[bool, int]:
    """Measure until two more pieces are kept, then break off as Ctrl-C does: whether it was, and pieces."""
    cache = session / "derived" / "cache"
    pieces = "*-[0-9][0-9][0-9].npz"  # not the looks around that tell whom to follow
    before = len(list(cache.glob(pieces)))

    def ctrl_c(label: str, done: int, _total: int) -> None:
        if label.startswith("finding") and done >= 2:
            raise KeyboardInterrupt

    try:
        measure_session(session, progress=ctrl_c)
    except KeyboardInterrupt:
        return True, len(list(cache.glob(pieces))) - before
    return False, 0
