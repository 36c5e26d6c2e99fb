"""How well clocks are found from the motion: errors beside their stated uncertainty.

    python -m benchmarks.clock_accuracy --machine "…" --date YYYY-MM-DD [--seeds 8]

Writes into docs/evidence/reconstruction.md.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from benchmarks import pages
from benchmarks.motion_accuracy import PAGE
from benchmarks.motion_world import AZIMUTHS_DEG, Order, record
from calibration.checks import Array
from calibration.errors import NotMeasurable
from recon.instants import points_at_instants
from recon.records import WHITE, CameraTracks, NoiseShape, Tracks2D
from recon.sync import estimate_clocks, refine_clocks

LASTING = NoiseShape(white=0.1, slow=0.0, bias=0.9)
SLOW = NoiseShape(white=0.0, slow=1.0, bias=0.0, slow_s=0.04)
FARTHEST_FRAMES = 75
ROWS: Mapping[str, Order] = {
    "white 2 px, 2 cameras": Order(rig="2 cameras"),
    "white 2 px, 2 cameras narrow": Order(rig="2 cameras, narrow"),
    "white 2 px, 3 cameras": Order(),
    "white 4 px, 3 cameras": Order(sigma_px=4.0),
    "white 2 px, 3 cameras, 3 % gross": Order(gross=0.03),
    "lasting 3 px, 2 cameras": Order(rig="2 cameras", sigma_px=3.0, shape=LASTING),
    "lasting 3 px, 3 cameras": Order(sigma_px=3.0, shape=LASTING),
    "lasting 3 px, told white, 3 cameras": Order(sigma_px=3.0, shape=LASTING, told_shape=WHITE),
    "lingering 2 px (40 ms), 3 cameras": Order(shape=SLOW),
    "white 2 px, 3 cameras, 120/s": Order(fps=120.0),
}  # fmt: skip


def trial(order: Order, seed: int) -> tuple[Array, Array, Array] | None:
    """Errors after the search and after refining, and the stated u, seconds; None where no start was locked."""
    rng = np.random.default_rng([seed, 7])
    count = len(AZIMUTHS_DEG[order.rig])
    phase = np.concatenate([[0.0], rng.uniform(-0.5, 0.5, count - 1)]) / order.fps
    recording = record(
        replace(order, offsets_s=tuple(phase), serve=("clean_right", "compensating_left")[seed % 2]), seed
    )
    late = np.concatenate([[0], rng.integers(-FARTHEST_FRAMES, FARTHEST_FRAMES + 1, count - 1)]) / order.fps
    seen = tuple(
        CameraTracks(c.camera, c.size_px, c.t_cam_s - late[k] - recording.t_s[0], c.uv_px, c.sigma_px)
        for k, c in enumerate(recording.tracks.cameras)
    )
    tracks = Tracks2D(recording.tracks.keypoints, seen, "invented", recording.tracks.noise)
    try:
        start = estimate_clocks(recording.cameras, tracks)
    except NotMeasurable:
        return None
    clocks = refine_clocks(
        recording.cameras, tracks, start, points_at_instants(recording.cameras, tracks, start)
    )
    names = [c.camera for c in seen][1:]
    first, last = (np.array([c.of(n).offset_s for n in names]) - late[1:] for c in (start, clocks))
    return first, last, np.array([clocks.of(n).u_s for n in names])


def main() -> None:
    parser = pages.with_options(argparse.ArgumentParser(description=__doc__.splitlines()[0]))
    parser.set_defaults(page=PAGE)
    parser.add_argument("--seeds", type=int, default=8, help="recordings per row (default: %(default)s)")
    options = parser.parse_args()
    rows = []
    for name, order in ROWS.items():
        found = [trial(order, seed) for seed in range(options.seeds)]
        locked = [f for f in found if f is not None and np.abs(f[0]).max() < 1 / order.fps]
        wrong = sum(f is not None for f in found) - len(locked)
        first, last, u = (np.concatenate([f[k] for f in locked]) for k in range(3))
        rows.append([
            name, f"{len(locked)} of {len(found)}", str(wrong), f"{1e3 * np.sqrt(np.mean(first**2)):.3f}",
            f"{1e3 * np.sqrt(np.mean(last**2)):.3f}", f"{1e3 * np.abs(last).max():.3f}",
            f"{1e3 * np.sqrt(np.mean(u**2)):.3f}", f"{np.sqrt(np.mean((last / u) ** 2)):.2f}",
        ])  # fmt: skip
    heads = [
        "started up to 75 frames apart, 240/s", "locked", "locked wrongly", "search: rms ms",
        "refined: rms ms", "largest ms", "stated u ms", "rms of error / u",
    ]  # fmt: skip
    text = f"{pages.table(heads, rows)}\n\n{pages.circumstances(options, ('numpy', 'scipy', 'numba'))}"
    print(text)
    pages.put(options.page, "clocks", text)


if __name__ == "__main__":
    main()
