"""The demo: renders the invented academy, runs a user's commands on it, and sets the truth beside them."""

from __future__ import annotations

import os
import shlex
import sys
import time
from collections.abc import Callable
from contextlib import AbstractContextManager
from pathlib import Path

from demo_rigs.comparison import compare_session, goals, rig_error_m, table_lines, write_comparison
from demo_rigs.description import Academy, load_academy
from demo_rigs.session import render_session
from recon.agreement import Comparison
from recon.assets import body_wheel

Say = Callable[[str], object]
Command = Callable[[list[str]], object]
Run = Callable[..., None]
Progress = Callable[[], AbstractContextManager[Callable[[str, int, int], None]]]

TWO_CAMERAS = ("rear_left", "rear_right")


def run_demo(out: Path, say: Say, progress: Progress, courtplumb: Command) -> None:
    """Everything from assets to comparison.csv below `out`; finished parts are kept for the next run.

    say prints one line; progress gives a context with a progress(label, done, total) callable; courtplumb runs
    one command of the command line, which hands itself in: the demo sits below it.
    """

    def run(*words: object) -> None:
        """Run one command in this process, after saying it as a user would type it."""
        arguments = [str(word) for word in words]
        say(f"\n$ courtplumb {shlex.join(arguments)}")
        courtplumb(arguments)

    begin = time.perf_counter()
    academy = load_academy()
    say(f"{academy.name}: an invented place with invented players, rendered by this program")
    run("assets")
    _render(academy, out, progress)
    rig = out / "rig"
    run("lens", rig)
    run("rig", rig)
    run("court", rig, "--clicks", rig / "court_clicks.csv")
    rows: list[Comparison] = []
    for serve in academy.serves:
        three, two = out / serve.name, out / f"{serve.name}_two_cameras"
        _measure(run, three)
        _write_two_camera_session(academy, serve.name, two)
        _measure(run, two)
        for folder in (three, two):
            rows += compare_session(serve.name, folder, out / "truth")
    comparison = out / "comparison.csv"
    write_comparison(comparison, rows)
    for line in table_lines(rows):
        say(line)
    worst, typical = rig_error_m(rig, out / "truth" / "cameras.json")
    say(f"rig in the court, over the serve volume: worst {1e3 * worst:.1f} mm, typical {1e3 * typical:.1f} mm")
    for line in goals(rows, worst):
        say(line)
    say(f"comparison: {comparison}")
    first = out / academy.serves[0].name
    say(f"report: {first / 'derived' / 'report.html'}   picture: {first / 'derived' / 'viewer.png'}")
    say(f"demo took {time.perf_counter() - begin:.0f} s")
    _open_viewer(say, run, first)
    say(str(out.resolve()))


def _measure(run: Run, session: Path) -> None:
    run("measure", session)
    run("export", session)
    run("report", session)
    run("show", session, "--picture", session / "derived" / "viewer.png")


def _render(academy: Academy, out: Path, progress: Progress) -> None:
    with progress() as tell:
        render_session(
            academy,
            out,
            lambda _what, share: tell("rendering the invented session", round(1000 * share), 1000),
            wheel=body_wheel(),
            processes=os.cpu_count() or 2,
        )


def _write_two_camera_session(academy: Academy, serve: str, folder: Path) -> None:
    """The same serve from two cameras: it brings the keypoints that the three-camera session exported."""
    entry = academy.serve(serve)
    cameras = ", ".join(f'"{name}"' for name in TWO_CAMERAS)
    videos = "\n".join(f'{name} = "../{serve}/{name}.mp4"' for name in TWO_CAMERAS)
    shutters = "\n".join(f"{name} = {{ readout_ms = 0 }}" for name in TWO_CAMERAS)
    text = (
        f'rig = "../rig"\nathlete = "{entry.athlete.label}"\nhandedness = "{entry.athlete.handedness}"\n'
        f"height_m = {entry.athlete.height_m:.2f}\ncameras = [{cameras}]\n"
        f'keypoints = "../{serve}/derived/keypoints.csv"\nkeypoints_mode = "quick"\n\n[video]\n{videos}\n'
        f"\n[shutter]\n{shutters}\n"
    )
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "session.toml"
    if not path.is_file() or path.read_text(encoding="utf-8") != text:
        path.write_text(text, encoding="utf-8")


def _open_viewer(say: Say, run: Run, session: Path) -> None:
    closed = os.environ.get("COURTPLUMB_NO_VIEWER") == "1"
    screen = (
        sys.platform in ("win32", "darwin") or os.environ.get("DISPLAY") or os.environ.get("WAYLAND_DISPLAY")
    )
    if closed or not screen or not sys.stdout.isatty():
        say(f"open the viewer with: .venv/bin/courtplumb show {session}")
        return
    run("show", session)
