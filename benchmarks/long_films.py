"""Serves found in long videos with the real model: which of them, at what cost, in how much memory.

    python -m benchmarks.long_films CLIPS TRUTH --machine "…" --date YYYY-MM-DD [--work FOLDER]

CLIPS is the folder of a rendered serve (`clean_right` of the demo), one video per camera, TRUTH what its
renderer knew. The films show it again and again, always the same serve, the player at rest between: the hardest
look-alikes there are, for only the pauses tell them apart. Of a swing the ball is painted over. Each film is
cut in a process of its own. Writes into docs/evidence/reconstruction-speed.md.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping
from pathlib import Path

import numpy as np

from benchmarks import pages
from calibration.errors import NotMeasurable
from recon.pipeline import cut_serves
from tests.support.long_film import CONTACT_S, LongFilm, true_contacts_s, write_session

PAGE = pages.PAGE.with_name("reconstruction-speed.md")
UNEVEN = (2.0, 8.1, 15.4, 22.0, 29.7, 36.2, 43.9, 51.6, 57.9, 65.0)
FILMS: Mapping[str, LongFilm] = {
    "one serve, 3 cameras": LongFilm((2.0,), 8.0, {"rear_left": 0.0, "rear_right": 0.3, "side": 0.9}),
    "10 serves, 3 cameras, up to 40 s apart": LongFilm(
        UNEVEN, 70.0, {"rear_left": 0.0, "rear_right": 40.0, "side": 21.3}),
    "4 serves every 8 s, 2 cameras, 9 s apart": LongFilm(
        (2.0, 10.0, 18.0, 26.0), 31.0, {"rear_left": 0.0, "side": 9.0}),
    "4 serves and a swing without a ball, 2 cameras": LongFilm(
        (2.0, 9.1, 16.0, 24.6, 31.0), 36.0, {"rear_left": 0.0, "side": 0.8}, swings=(2,)),
}  # fmt: skip


def cut(folder: Path, film: LongFilm) -> dict[str, float]:
    """What cutting a film gave and took: run in a process of its own, whose children read the video."""
    start = time.monotonic()
    try:
        found = cut_serves(folder)
        serves, swings = found.serves, len(found.swings_s)
    except NotMeasurable as error:
        print(error, file=sys.stderr)
        serves, swings = (), 0
    true = true_contacts_s(film, "rear_left")
    off = [
        serve.spans_s["rear_left"][0] - serve.spans_s[name][0] - film.offset_s(name, "rear_left")
        for serve in serves
        for name in serve.spans_s
        if "rear_left" in serve.spans_s
    ]
    own, reading = (resource.getrusage(w) for w in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return {
        "serves": len(serves),
        "swings": swings,
        "right": sum(bool(np.abs(true - s.contact_s).min() < 0.2) for s in serves),
        "wrong": sum(bool(abs(o) > 0.2) for o in off),
        "off_ms": 1e3 * float(max(map(abs, off), default=np.nan)),
        "took_s": time.monotonic() - start,
        "processor_s": own.ru_utime + own.ru_stime + reading.ru_utime + reading.ru_stime,
        "own_mb": peak_mb(),
        "reader_mb": reading.ru_maxrss / 1024,
    }


def peak_mb() -> float:
    """Most memory that this process has held (Linux); resource usage would count its parent's at its birth."""
    status = Path("/proc/self/status").read_text(encoding="utf-8")
    return int(status.split("VmHWM:")[1].split()[0]) / 1024


def in_a_process(name: str, folder: Path) -> dict[str, float]:
    """The same in a fresh process."""
    command = [sys.executable, "-m", "benchmarks.long_films", "--one", name, str(folder)]
    done = subprocess.run(command, stdout=subprocess.PIPE, text=True, check=True)
    found: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return found


def filmed_twice(film: LongFilm) -> int:
    """Serves that two cameras or more filmed from the toss on."""
    ran = [
        sum(film.start_s(name) + 1 < begin + CONTACT_S for name in film.starts_s)
        for k, begin in enumerate(film.begins_s)
        if k not in film.swings
    ]
    return sum(count >= 2 for count in ran)


def row(name: str, film: LongFilm, got: Mapping[str, float]) -> list[str]:
    """One line of the table."""
    filmed = sum(film.stop_s - film.start_s(n) for n in film.starts_s)
    told = "cannot tell" if not got["serves"] else f"{got['right']:.0f} of {filmed_twice(film)}"
    swings = f"{got['swings']:.0f} of {len(film.swings)}"
    worst = "–" if np.isnan(got["off_ms"]) else f"{got['off_ms']:.0f}"
    return [
        name, f"{filmed:.0f}", told, swings, f"{got['wrong']:.0f}", worst, f"{got['processor_s'] / filmed:.2f}",
        f"{got['own_mb']:.0f}", f"{got['reader_mb']:.0f}",
    ]  # fmt: skip


def main() -> None:
    """Read the options, film, cut, write the page."""
    if sys.argv[1:2] == ["--one"]:
        print(json.dumps(cut(Path(sys.argv[3]), FILMS[sys.argv[2]])))
        return
    parser = pages.with_options(argparse.ArgumentParser(description=__doc__.splitlines()[0]))
    parser.add_argument("clips", type=Path, metavar="CLIPS")
    parser.add_argument("truth", type=Path, metavar="TRUTH")
    parser.add_argument("--work", type=Path, help="where films are written (default: a temporary folder)")
    parser.set_defaults(page=PAGE)
    options = parser.parse_args()
    rows = []
    for name, film in FILMS.items():
        with tempfile.TemporaryDirectory(dir=options.work) as place:
            clips = {n: options.clips / f"{n}.mp4" for n in film.starts_s}
            write_session(Path(place), film, clips, truth=options.truth)
            rows.append(row(name, film, in_a_process(name, Path(place))))
            print(rows[-1], flush=True)
    heads = [
        "film, 640 x 360 at 60/s", "filmed, s (all cameras)", "serves found, of those filmed by two",
        "swings told", "matched wrongly", "offset wrong by at most, ms", "processor s per s filmed",
        "peak, MB", "peak of a reading process, MB",
    ]  # fmt: skip
    text = f"{pages.table(heads, rows)}\n\n{pages.circumstances(options, ('numpy', 'av', 'mediapipe'))}"
    pages.put(options.page, "long films", text)


if __name__ == "__main__":
    main()
