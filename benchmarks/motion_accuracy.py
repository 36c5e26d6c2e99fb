"""How far the fitted motion lies from the truth, over the bound of single instants, beside usual filters.

    python -m benchmarks.motion_accuracy --machine "…" --date YYYY-MM-DD [--seeds 2]

Writes into docs/evidence/reconstruction.md.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy.interpolate import make_smoothing_spline
from scipy.signal import butter, sosfiltfilt

from benchmarks import pages
from benchmarks.motion_world import FOLLOWED, Order, Recording, record
from calibration.checks import Array
from recon.instants import points_at_instants
from recon.motion import fit_motion, hold_lengths, hold_racket
from recon.records import Motion, Points3D, PointStatus
from recon.uncertainty import ErrorModel

PAGE = Path(__file__).resolve().parent.parent / "docs" / "evidence" / "reconstruction.md"
GROUPS: Mapping[str, tuple[str, ...]] = {
    "body": tuple(f"{side}_{part}" for side in ("left", "right")
                  for part in ("shoulder", "elbow", "hip", "knee", "ankle", "heel", "toe")),
    "wrist": ("left_wrist", "right_wrist"),
    "tip": ("racket_tip",),
}  # fmt: skip
DRAWS = ErrorModel().draws
CUT_OFFS_HZ = (6.0, 10.0, 15.0, 25.0)
_EDGE = 5  # frames at both ends that do not count: a recording has spare ones


@dataclass(frozen=True, slots=True)
class Judged:
    """Errors over the static bound per group, and of the tip within 4 frames of contact; the worst point, mm;
    share of points that are absent and do not count in the rest."""

    ratio: Mapping[str, float]
    contact: float
    worst_mm: float
    absent: float


def judge(recording: Recording, xyz_m: Array) -> Judged:
    """A curve (T, P, 3), NaN where there is none, against the truth."""
    error2 = ((xyz_m - recording.xyz_m) ** 2).sum(axis=2)
    inner = slice(_EDGE, -_EDGE)

    def over_bound(names: Sequence[str], rows: slice) -> float:
        columns = [recording.column(n) for n in names]
        e, s = error2[rows][:, columns], recording.static_m[rows][:, columns]
        there = ~np.isnan(e)
        return float(np.sqrt(np.mean(e[there]) / np.mean(s[there] ** 2))) if there.any() else np.nan

    near = slice(recording.contact - 4, recording.contact + 5)
    return Judged(
        {group: over_bound(names, inner) for group, names in GROUPS.items()},
        over_bound(("racket_tip",), near), 1e3 * float(np.sqrt(np.nanmax(error2[inner]))),
        float(np.isnan(xyz_m[inner]).any(axis=2).mean()),
    )  # fmt: skip


def ours(recording: Recording) -> tuple[Points3D, Motion, float]:
    """Per-frame points, the motion, and the processor seconds that the motion took."""
    points = points_at_instants(recording.cameras, recording.tracks, recording.clocks)
    started = time.process_time()
    motion, support = fit_motion(recording.cameras, recording.tracks, recording.clocks, points)
    held = hold_lengths(motion, support.covariance(), support.draws(DRAWS, 0))
    motion = hold_racket(held, support).held.motion
    return points, motion, time.process_time() - started


def filled(points: Points3D) -> Array:
    """Per-frame points without gaps, as filters want them; NaN where a point was never told."""
    out = np.array(points.xyz_m)
    for p in range(out.shape[1]):
        ok = points.status[:, p] == PointStatus.OK
        for d in range(3) if ok.any() else ():
            out[:, p, d] = np.interp(points.t_s, points.t_s[ok], out[ok, p, d])
    return out


def butterworth(xyz: Array, fps: float, cut_off_hz: float) -> Array:
    """Fourth order, without lag: a second-order filter run both ways, its cut-off corrected for that."""
    corrected = cut_off_hz / (2**0.5 - 1) ** 0.25
    sos = butter(2, min(0.99, corrected / (fps / 2)), output="sos")
    return np.asarray(sosfiltfilt(sos, xyz, axis=0, padlen=60))


def gcv(xyz: Array, t: Array, points: Sequence[int] | None = None) -> Array:
    """scipy's smoothing spline by cross-validation, every coordinate by itself, of some points or all."""
    out = np.full_like(xyz, np.nan)
    unit = (t - t[0]) / (t[1] - t[0])
    for p in range(xyz.shape[1]) if points is None else points:
        for d in range(3):
            out[:, p, d] = make_smoothing_spline(unit, xyz[:, p, d])(unit)
    return out


def mean_of(values: Iterable[float]) -> float:
    """Root mean square over recordings."""
    return float(np.sqrt(np.mean([v**2 for v in values])))


def cells(judged: Sequence[Judged]) -> list[str]:
    """body, wrist, tip, tip at contact."""
    values = [mean_of(j.ratio[g] for j in judged) for g in GROUPS]
    return ["absent" if np.isnan(v) else f"{v:.2f}" for v in (*values, mean_of(j.contact for j in judged))]


def white_table(seeds: int, peers: bool, sizes_px: Sequence[float]) -> str:
    """White noise of some sizes, with and without gross errors, all rigs and rates."""
    rows = []
    for rig in ("2 cameras", "2 cameras, narrow", "3 cameras"):
        for fps in (240.0, 120.0):
            for sigma in sizes_px:
                for gross in (0.0, 0.03):
                    if rig == "2 cameras, narrow" and (fps, sigma) != (240.0, 2.0):
                        continue
                    order = Order(rig=rig, fps=fps, sigma_px=sigma, gross=gross)
                    rows += rows_of(order, f"{rig}, {fps:.0f}/s, {sigma:.0f} px, {gross:.0%}", seeds, peers)
    heads = ["error over the static bound", "method", "body", "wrist", "tip", "tip ± 4 frames of contact"]
    return pages.table(heads, rows)


def rows_of(order: Order, label: str, seeds: int, peers: bool) -> list[list[str]]:
    """One line per method."""
    found: dict[str, list[Judged]] = {}
    judged = [FOLLOWED.index(name) for names in GROUPS.values() for name in names]
    for seed in range(seeds):
        recording = record(replace(order, serve=("clean_right", "compensating_left")[seed % 2]), seed)
        points, motion, _ = ours(recording)
        raw = filled(points)
        found.setdefault("courtplumb", []).append(judge(recording, motion.xyz_m))
        found.setdefault("single instants", []).append(judge(recording, raw))
        if peers:
            found.setdefault("GCV spline", []).append(judge(recording, gcv(raw, points.t_s, judged)))
            for cut_off in CUT_OFFS_HZ:
                name = f"Butterworth {cut_off:.0f} Hz"
                found.setdefault(name, []).append(judge(recording, butterworth(raw, order.fps, cut_off)))
    filters = [name for name in found if name.startswith("Butterworth")]
    if filters:
        best = min(filters, key=lambda n: mean_of(j.ratio["body"] for j in found[n]))
        found = {n: j for n, j in found.items() if n not in filters} | {
            f"{best}, best for the body": found[best]
        }
    return [[label if k == 0 else "", name, *cells(j)] for k, (name, j) in enumerate(found.items())]


def speed(repeats: int = 3) -> str:
    """The fit against scipy's spline on the same clip, taking turns, processor time."""
    recording = record(Order(), 0)
    ours(recording)
    mine, theirs = [], []
    for _ in range(repeats):
        points, _, seconds = ours(recording)
        mine.append(seconds)
        raw = filled(points)
        started = time.process_time()
        gcv(raw, points.t_s)
        theirs.append(time.process_time() - started)
    a, b = float(np.median(mine)), float(np.median(theirs))
    return (
        f"Fitting {raw.shape[1]} points over {raw.shape[0]} frames and 3 cameras took {a:.2f} s of processor "
        f"time, {1e3 * a / raw.shape[0]:.1f} ms a frame; scipy's spline on the triangulated points {b:.2f} s, "
        f"{b / a:.1f} times as long."
    )


def main() -> None:
    parser = pages.with_options(argparse.ArgumentParser(description=__doc__.splitlines()[0]))
    parser.set_defaults(page=PAGE)
    parser.add_argument("--seeds", type=int, default=2, help="recordings per row (default: %(default)s)")
    parser.add_argument("--no-peers", action="store_true", help="leave the filters out (they take most time)")
    parser.add_argument("--px", type=float, nargs="+", default=(1.0, 2.0, 4.0), help="sizes of the white noise")
    options = parser.parse_args()
    said = pages.circumstances(options, ("numpy", "scipy", "numba"))
    for block, text in (
        ("speed", speed()),
        ("white", white_table(options.seeds, not options.no_peers, options.px)),
    ):
        print(text)
        pages.put(options.page, block, f"{text}\n\n{said}")


if __name__ == "__main__":
    main()
