"""Steps of the keypoint study: render the cast, run the detector over it, estimate the data."""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Sequence
from importlib import metadata
from pathlib import Path

from benchmarks.keypoint_study.across import across_table
from benchmarks.keypoint_study.detect import MODES, detect
from benchmarks.keypoint_study.findings import findings, write_arrays
from benchmarks.keypoint_study.footage import film
from calibration.files import write_atomically
from demo_rigs.cast import SETS, Take, load_cast
from recon.assets import body_wheel
from recon.detector_study.study import ARRAYS, FORMAT, KIND, MEASURED

FPS = {"build": 60, "held_out": 120}
"""Errors linger for about a tenth of a second, so 60 frames a second show them; the test has the usual 120."""
_PACKAGES = ("mediapipe", "numpy", "opencv-contrib-python", "scipy", "vtk")


def takes_of(which: str) -> list[Take]:
    """The takes of one set at that set's frame rate."""
    return [t for t in load_cast(fps=FPS[which]) if t.which == which]


def _render(options: argparse.Namespace) -> None:
    for take in takes_of(options.set):
        begin = time.perf_counter()
        made = film(options.work, take, body_wheel())
        print(f"{take.name}: {made} clips, {time.perf_counter() - begin:.0f} s", flush=True)


def _detect(options: argparse.Namespace) -> None:
    for take in takes_of(options.set):
        begin = time.perf_counter()
        for camera in take.scene.cameras:
            detect(options.work, take, camera, options.mode)
        print(f"{take.name}: {time.perf_counter() - begin:.0f} s", flush=True)


def _estimate(options: argparse.Namespace) -> None:
    """Writes the mode's findings into the study's files; findings of other modes stay."""
    takes = takes_of("build")
    found = findings(options.work, takes, options.mode, lambda text: print(text, flush=True))
    old = json.loads(options.out.read_text(encoding="utf-8")) if options.out.is_file() else {}
    kept = {m: v for m, v in old.get("modes", {}).items() if m in MODES}
    data = {
        "kind": KIND,
        "format": FORMAT,
        "provenance": _provenance(options.date, takes, found.pictures),
        "modes": kept | {options.mode: found.data},
    }
    write_arrays(options.out.with_name(ARRAYS), options.mode, found.errors)
    write_atomically(options.out, json.dumps(data, indent=1) + "\n")


def _across(options: argparse.Namespace) -> None:
    """Prints how far what one scripted serve taught holds for the other."""
    print(across_table(options.work, takes_of("build"), takes_of("held_out"), options.mode, print))


def _provenance(date: str, takes: Sequence[Take], pictures: int) -> dict[str, object]:
    return {
        "date": date,
        "script": "python -m benchmarks.keypoint_study render|detect|estimate, athletes of set build",
        "bodies": sorted({t.athlete for t in takes}),
        "takes": len(takes),
        "pictures": pictures,
        "packages": {name: metadata.version(name) for name in _PACKAGES},
        "note": "Invented, rendered athletes. Shares of height in the picture, or of the body's size.",
    }


def main() -> None:
    """Parses the command line and runs one step."""
    parser = argparse.ArgumentParser(prog="python -m benchmarks.keypoint_study", description=__doc__)
    steps = {"render": _render, "detect": _detect, "estimate": _estimate, "across": _across}
    parser.add_argument("step", choices=steps)
    parser.add_argument("--work", type=Path, required=True, help="folder for clips and detections")
    parser.add_argument("--set", choices=SETS, default="build")
    parser.add_argument("--mode", choices=MODES, default=MODES[0], help="of the detector")
    parser.add_argument("--date", default="", help="YYYY-MM-DD, as the data shall say")
    parser.add_argument("--out", type=Path, default=MEASURED, help="the study's file (default: %(default)s)")
    options = parser.parse_args()
    steps[options.step](options)


if __name__ == "__main__":
    main()
