"""What a rolling shutter costs: told, told a little wrongly, not told, and ignored, beside a global one.

    python -m benchmarks.rolling_shutter --machine "…" --date YYYY-MM-DD [--seeds 6]

Writes into docs/evidence/reconstruction.md.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import replace

import numpy as np

from benchmarks import pages
from benchmarks.motion_accuracy import PAGE
from benchmarks.motion_world import FOLLOWED, Order, Recording, record
from calibration.checks import Array
from recon.instants import points_at_instants
from recon.motion import fit_motion
from recon.records import Clocks, Shutter
from recon.sync import refine_clocks, shutter_not_told, with_shutters

READOUT_S = 0.008
FPS = 120.0
_NEAR = 4  # frames from contact
WAYS: dict[str, Callable[[str], Shutter]] = {
    "told": lambda side: Shutter(READOUT_S, 0.0, side),
    "told a tenth too long": lambda side: Shutter(1.1 * READOUT_S, 0.0, side),
    "not told: half a frame": lambda side: shutter_not_told(1 / FPS, side),
    "ignored": lambda side: Shutter(0.0, 0.0, side),
}


def errors_mm(recording: Recording, shutter: Shutter) -> Array:
    """Root mean square (4,): all points, hitting wrist, racket tip, tip near contact; clocks refined."""
    known = with_shutters(recording.clocks, {c.name: shutter for c in recording.cameras})
    points = points_at_instants(recording.cameras, recording.tracks, known)
    clocks = refine_clocks(recording.cameras, recording.tracks, known, points)
    return _judged(recording, clocks)


def _judged(recording: Recording, clocks: Clocks) -> Array:
    points = points_at_instants(recording.cameras, recording.tracks, clocks)
    motion, _ = fit_motion(recording.cameras, recording.tracks, clocks, points)
    true = recording.at(motion.t_s)
    error2 = ((motion.xyz_m - true.xyz_m) ** 2).sum(axis=2)
    wrist, tip = FOLLOWED.index("right_wrist"), FOLLOWED.index("racket_tip")
    near = slice(true.contact - _NEAR, true.contact + _NEAR + 1)
    parts = (error2, error2[:, wrist], error2[:, tip], error2[near, tip])
    return 1e3 * np.sqrt([np.nanmean(part) for part in parts])


def main() -> None:
    parser = pages.with_options(argparse.ArgumentParser(description=__doc__.splitlines()[0]))
    parser.set_defaults(page=PAGE)
    parser.add_argument("--seeds", type=int, default=6, help="recordings per row (default: %(default)s)")
    options = parser.parse_args()
    rows = []
    for rig in ("2 cameras", "3 cameras"):
        for side in ("top", "left"):
            still = Order(rig=rig, fps=FPS)
            rolling = replace(still, readout_s=READOUT_S, first_side=side)
            best = _over(still, Shutter(), options.seeds)
            rows.append([f"{rig}, {side} first", "global", *(f"{v:.1f}" for v in best)])
            for name, shutter in WAYS.items():
                found = _over(rolling, shutter(side), options.seeds)
                cells = (f"{v:.1f} ({v / b:.2f})" for v, b in zip(found, best, strict=True))
                rows.append([f"{rig}, {side} first", name, *cells])
    heads = [
        "120/s, 2 px, read in 8 ms",
        "shutter",
        "all points mm",
        "wrist",
        "tip",
        "tip ± 4 frames of contact",
    ]
    text = f"{pages.table(heads, rows)}\n\n{pages.circumstances(options, ('numpy', 'scipy', 'numba'))}"
    print(text)
    pages.put(options.page, "shutter", text)


def _over(order: Order, shutter: Shutter, seeds: int) -> Array:
    """Root mean square over recordings; the same noise for every way of a shutter."""
    serves = ("clean_right", "compensating_left")
    found = [errors_mm(record(replace(order, serve=serves[k % 2]), k), shutter) for k in range(seeds)]
    return np.asarray(np.sqrt(np.mean(np.square(found), axis=0)))


if __name__ == "__main__":
    main()
