"""What memory a long recording of own keypoints needs, beside a short one.

    python -m benchmarks.long_recordings --machine "…" --date YYYY-MM-DD [--work FOLDER]

Three invented cameras film one player's look-alike serves, 15 s apart on average, for 5 s, 1 min and 30 min.
They start 40 s apart for the longest, 4 s for the minute, nearly together for the one serve. Each recording is
cut into its serves, and the first serves are measured, each recording in a process of its own; its peak memory
is what the system counted for that process. The 5 s hold one serve, so one is measured there.
Writes into docs/evidence/reconstruction-speed.md.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from benchmarks import pages
from recon.pipeline import PipelineOptions, cut_serves, measure_session
from tests.support.recorded_keypoints import write_recording
from tests.support.serve_series import ServeSeries
from tests.support.world import three_cameras

PAGE = pages.PAGE.with_name("reconstruction-speed.md")
LENGTHS_S = (5.0, 60.0, 1800.0)
STARTS_S = (0.0, 40.0, 21.3)
FPS = 60.0
MEASURED = 3


def series(length_s: float) -> ServeSeries:
    """Serves until the end, the first 3 s after the beginning."""
    rng = np.random.default_rng(8)
    contacts = [3.0]
    while contacts[-1] + 18 < length_s:
        contacts.append(contacts[-1] + float(rng.uniform(12, 18)))
    return ServeSeries(tuple(contacts), vary=0.3)


def record(folder: Path, length_s: float) -> float:
    """Write a recording of all cameras; what it takes on disk, MB."""
    cameras = three_cameras()
    late = min(1.0, length_s / 600)
    spans = {c.name: (late * s, length_s + late * s) for c, s in zip(cameras, STARTS_S, strict=True)}
    write_recording(folder, cameras, series(length_s), spans, FPS)
    return (folder / "points.csv").stat().st_size / 1e6


def peak_mb() -> float:
    """Most memory that this process has held."""
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024


def measured(folder: Path) -> dict[str, float]:
    """Cut and measure, in this process: peaks after each, and processor seconds."""
    start = time.process_time()
    before = peak_mb()
    serves = cut_serves(folder).serves
    cut_s, cut = time.process_time() - start, peak_mb()
    peaks = []
    for serve in serves[:MEASURED]:
        measure_session(serve.folder, PipelineOptions(pictures=False))
        peaks.append(peak_mb())
    return {
        "serves": len(serves),
        "before": before,
        "cut": cut,
        "cut_s": cut_s,
        "first": peaks[0],
        "last": peaks[-1],
        "measured": len(peaks),
    }


def in_a_process(folder: Path) -> dict[str, float]:
    """The same in a fresh process."""
    command = [sys.executable, "-m", "benchmarks.long_recordings", "--one", str(folder)]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    found: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return found


def row(length_s: float, file_mb: float, got: dict[str, float]) -> list[str]:
    """One line of the table."""
    name = f"{length_s:.0f} s" if length_s < 60 else f"{length_s / 60:.0f} min"
    return [
        name,
        f"{file_mb:.0f}",
        f"{got['serves']:.0f}",
        f"{got['before']:.0f}",
        f"{got['cut']:.0f}",
        f"{got['first']:.0f}",
        f"{got['last']:.0f} ({got['measured']:.0f})",
        f"{got['cut_s']:.0f}",
    ]


def main() -> None:
    """Read the options, measure, write the page."""
    if sys.argv[1:2] == ["--one"]:
        print(json.dumps(measured(Path(sys.argv[2]))))
        return
    options = pages.with_options(argparse.ArgumentParser(description=__doc__))
    options.add_argument("--work", type=Path, help="where recordings are written (default: a temporary folder)")
    options.set_defaults(page=PAGE)
    chosen = options.parse_args()
    rows = []
    for length_s in LENGTHS_S:
        with tempfile.TemporaryDirectory(dir=chosen.work) as folder:
            file_mb = record(Path(folder), length_s)
            rows.append(row(length_s, file_mb, in_a_process(Path(folder))))
            print(rows[-1], flush=True)
    head = (
        "recording",
        "file, MB",
        "serves found",
        "peak after start, MB",
        "after cutting, MB",
        "after one serve measured, MB",
        "after all measured (how many), MB",
        "processor time of cutting, s",
    )
    text = pages.table(head, rows) + "\n\n" + pages.circumstances(chosen, ("numpy", "pandas", "numba"))
    pages.put(chosen.page, "long recordings", text)


if __name__ == "__main__":
    main()
