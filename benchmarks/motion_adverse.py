"""The fitted motion under noise that breaks its assumptions: never worse than single instants beyond its own u.

    python -m benchmarks.motion_adverse --machine "…" --date YYYY-MM-DD [--seeds 2]

Writes into docs/evidence/reconstruction.md.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchmarks import pages
from benchmarks.motion_accuracy import GROUPS, PAGE, Judged, cells, filled, judge, ours
from benchmarks.motion_world import FOLLOWED, Order, Recording, record
from recon.records import Motion, NoiseShape, Points3D, PointStatus

WHITE, LASTING = NoiseShape(), NoiseShape(white=0.0, slow=0.0, bias=1.0)
_APART_S = (0.0, 0.0013, 0.0029)  # cameras started by hand: fractions of a frame that differ
_INNER = slice(5, -5)


def _lingering(slow_s: float) -> NoiseShape:
    return NoiseShape(white=0.0, slow=1.0, bias=0.0, slow_s=slow_s)


ORDERS: Mapping[str, Order] = {
    "white": Order(),
    "white, cameras a part of a frame apart": Order(offsets_s=_APART_S),
    "3 % gross": Order(gross=0.03),
    "bursts of 8 frames": Order(bursts=1.0),
    "first and last frame 80 px off": Order(first_and_last=True),
    "arms exchanged for 0.3 s": Order(swapped_s=0.3),
    "a camera lost for 0.2 s at contact": Order(lost_s=0.2),
    "lingering 10 ms, told": Order(shape=_lingering(0.010)),
    "lingering 10 ms, told white": Order(shape=_lingering(0.010), told_shape=WHITE),
    "lingering 40 ms, told": Order(shape=_lingering(0.040)),
    "lingering 40 ms, told white": Order(shape=_lingering(0.040), told_shape=WHITE),
    "lingering 110 ms, told": Order(shape=_lingering(0.110)),
    "lingering 110 ms, told white": Order(shape=_lingering(0.110), told_shape=WHITE),
    "lasting, told": Order(shape=LASTING),
    "lasting, told white": Order(shape=LASTING, told_shape=WHITE),
    "lasting 4 px, told 2 px white": Order(shape=LASTING, sigma_px=4.0, told_px=2.0, told_shape=WHITE),
    "lasting 4 px, told 1 px white": Order(shape=LASTING, sigma_px=4.0, told_px=1.0, told_shape=WHITE),
    "lasting 4 px, told 0.5 px white": Order(shape=LASTING, sigma_px=4.0, told_px=0.5, told_shape=WHITE),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Compared:
    """smooth and single instants against the truth; the worst point's error over what single instants and its
    own uncertainty allow, and that point's name."""

    smooth: Judged
    single: Judged
    worst: float
    point: str


def compared(recording: Recording) -> Compared:
    """One recording, fitted and judged."""
    points, motion, _ = ours(recording)
    there = recording.at(motion.t_s)
    worst, point = worst_point(there, points, motion)
    return Compared(judge(there, motion.xyz_m), judge(there, filled(points)), worst, point)


def worst_point(truth: Recording, points: Points3D, motion: Motion) -> tuple[float, str]:
    """Largest rms error over the root of (single instants' rms error² + rms u²), by point.

    At instants that have both. One and less: smoothing did no harm beyond what it states.
    """
    both = (points.status == PointStatus.OK) & ~np.isnan(motion.xyz_m).any(axis=2)
    both[: _INNER.start] = both[_INNER.stop :] = False
    ratios = []
    for p in range(len(FOLLOWED)):
        rows = both[:, p]
        if not rows.any():
            ratios.append(0.0)
            continue
        smooth2 = ((motion.xyz_m - truth.xyz_m)[rows, p] ** 2).sum(axis=1).mean()
        single2 = ((points.xyz_m - truth.xyz_m)[rows, p] ** 2).sum(axis=1).mean()
        u2 = np.trace(motion.cov_m2[rows, p], axis1=1, axis2=2).mean()
        ratios.append(float(np.sqrt(smooth2 / (single2 + u2))))
    return max(ratios), FOLLOWED[int(np.argmax(ratios))]


def row(label: str, found: Sequence[Compared]) -> list[str]:
    """Of the table."""
    smooth, single = [c.smooth for c in found], [c.single for c in found]
    worst = max(found, key=lambda c: c.worst)
    return [
        label, *cells(smooth), *cells(single)[:3], f"{worst.worst:.2f} {worst.point.replace('_', ' ')}",
        f"{max(j.worst_mm for j in smooth):.0f}", f"{np.mean([j.absent for j in smooth]):.0%}",
    ]  # fmt: skip


def adverse(seeds: int) -> str:
    """All orders, three rigs."""
    rows, ratios = [], []
    for name, order in ORDERS.items():
        for rig in ("3 cameras", "2 cameras", "2 cameras, narrow"):
            found = [compared(record(replace(order, rig=rig), seed)) for seed in range(seeds)]
            rows.append(row(f"{name}; {rig}", found))
            ratios.append((max(c.worst for c in found), rows[-1][0]))
            print(" | ".join(rows[-1]), flush=True)
    heads = ["2 px unless said, 240/s", *GROUPS, "tip at contact", *(f"single: {g}" for g in GROUPS),
             "worst point over single and u", "farthest, mm", "absent"]  # fmt: skip
    over = [r for r in ratios if r[0] > 1]
    said = f"Worst of all points and noises: {max(ratios)[0]:.2f} ({max(ratios)[1]}); {len(over)} rows of "
    return f"{pages.table(heads, rows)}\n\n{said}{len(rows)} are above 1. {seeds} recordings per row."


def main() -> None:
    parser = pages.with_options(argparse.ArgumentParser(description=__doc__.splitlines()[0]))
    parser.set_defaults(page=PAGE)
    parser.add_argument("--seeds", type=int, default=2, help="recordings per row (default: %(default)s)")
    options = parser.parse_args()
    text = adverse(options.seeds)
    pages.put(options.page, "adverse", f"{text}\n\n{pages.circumstances(options, ('numpy', 'scipy', 'numba'))}")


if __name__ == "__main__":
    main()
