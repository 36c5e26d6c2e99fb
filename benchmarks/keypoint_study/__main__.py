"""Steps of the keypoint study, one command each."""

from __future__ import annotations

import argparse
import time
from pathlib import Path

from benchmarks.keypoint_study.footage import film
from demo_rigs.cast import SETS, load_cast
from recon.assets import body_wheel

FPS = {"build": 60, "held_out": 120}
"""Errors linger for about a tenth of a second, so 60 frames a second show them; the test has the usual 120."""


def _render(options: argparse.Namespace) -> None:
    takes = [t for t in load_cast(fps=FPS[options.set]) if t.which == options.set]
    for take in takes:
        begin = time.perf_counter()
        made = film(options.work, take, body_wheel())
        print(f"{take.name}: {made} clips, {time.perf_counter() - begin:.0f} s", flush=True)


def main() -> None:
    """Parses the command line and runs one step."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.keypoint_study", description=__doc__)
    parser.add_argument("step", choices=["render"])
    parser.add_argument("--work", type=Path, required=True, help="folder for clips and detections")
    parser.add_argument("--set", choices=SETS, default="build")
    options = parser.parse_args()
    {"render": _render}[options.step](options)


if __name__ == "__main__":
    main()
