"""How long triangulation takes and how near it comes to the bound: beside OpenCV, on the same points.

    python -m benchmarks.triangulation_speed --machine "…" --date YYYY-MM-DD [--repeats 31]

One run, one thread, taking turns; the least processor time of each is compared. OpenCV's pairs are given what
they want, undistorted coordinates by column. Numba's compiling is not in these times. Writes into
docs/evidence/reconstruction.md.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import combinations

import cv2
import numpy as np

from benchmarks import pages
from benchmarks.motion_accuracy import PAGE
from benchmarks.motion_world import cameras_of, truth_at
from calibration.checks import Array
from calibration.geometry import Camera, Rigid
from recon.triangulate import TriangulateOptions, triangulate

LENS = np.array([-0.12, 0.02, 2e-4, -1e-4, 0.0])
FRAMES, POINTS = 300, 33
_IN_A_ROW = 5


def scene(lens: bool) -> tuple[tuple[Camera, ...], Array]:
    """Three cameras and 33 points over 300 frames of an invented serve: (9900, 3)."""
    cameras = cameras_of("3 cameras")
    if lens:
        cameras = tuple(replace(c, distortion=LENS) for c in cameras)
    xyz = truth_at("clean_right", np.linspace(0.6, 1.85, FRAMES))[:, :POINTS]
    return cameras, xyz.reshape(-1, 3)


class Pairs:
    """cv2.triangulatePoints on pairs of views of undistorted coordinates."""

    def __init__(self, cameras: Sequence[Camera], uv: Array) -> None:
        self.cameras, self.uv = cameras, uv
        self.P = [np.c_[c.cam_from_world.R, c.cam_from_world.t_m] for c in cameras]
        self.columns = [np.ascontiguousarray(self.flat(c).T) for c in range(len(cameras))]

    def flat(self, c: int) -> Array:
        """Undistorted coordinates of one view (N, 2)."""
        camera, uv = self.cameras[c], np.ascontiguousarray(self.uv[:, c])
        flat: Array = np.asarray(cv2.undistortPoints(uv, camera.K_px, camera.distortion), dtype=np.float64)
        return flat.reshape(-1, 2)

    def one(self, a: int = 0, b: int = 1) -> Array:
        """Points (N, 3) of one pair."""
        h = cv2.triangulatePoints(self.P[a], self.P[b], self.columns[a], self.columns[b])
        return np.asarray((h[:3] / h[3]).T)

    def mean(self) -> Array:
        """The mean of all pairs."""
        return np.asarray(np.mean([self.one(a, b) for a, b in combinations(range(len(self.P)), 2)], axis=0))

    def from_pixels(self) -> Array:
        """One pair, undistorted first."""
        self.columns[:2] = [np.ascontiguousarray(self.flat(c).T) for c in range(2)]
        return self.one()


def taking_turns(runs: dict[str, Callable[[], object]], repeats: int) -> dict[str, float]:
    """Least processor seconds of each, of _IN_A_ROW calls."""
    for run in runs.values():
        run()
    found: dict[str, float] = dict.fromkeys(runs, np.inf)
    for _ in range(repeats):
        for name, run in runs.items():
            started = time.process_time()
            for _ in range(_IN_A_ROW):
                run()
            found[name] = min(found[name], (time.process_time() - started) / _IN_A_ROW)
    return found


def contestants(cameras: Sequence[Camera], xyz: Array, lens: bool) -> dict[str, Callable[[], object]]:
    """What is timed, on the same pixels with 1 px of noise."""
    rng = np.random.default_rng(0)
    uv = np.stack([c.project(xyz) for c in cameras], axis=1) + rng.normal(0, 1, (len(xyz), 3, 2))
    wrong = uv.copy()
    gross = rng.random(uv.shape[:2]) < 0.03
    wrong[gross] += rng.uniform(30, 150, (int(gross.sum()), 2))
    sigma = np.ones(uv.shape[:2])
    cov = np.broadcast_to(np.array([[1.0, 0.2], [0.2, 1.5]]), (*uv.shape[:2], 2, 2))
    pairs = Pairs(cameras, uv)
    runs: dict[str, Callable[[], object]] = {
        "courtplumb, 3 views, covariance": lambda: triangulate(cameras, uv, sigma),
        "the same, 3 % gross errors": lambda: triangulate(cameras, wrong, sigma),
        "the same, full pixel covariances": lambda: triangulate(cameras, uv, None, cov_px2=cov),
        "OpenCV, one pair": pairs.one,
        "OpenCV, mean of 3 pairs": pairs.mean,
    }
    if lens:
        runs["OpenCV, undistorting and one pair"] = pairs.from_pixels
    return runs


def speed(repeats: int) -> str:
    """Nanoseconds per point and ratios."""
    rows = []
    for lens in (False, True):
        cameras, xyz = scene(lens)
        seconds = taking_turns(contestants(cameras, xyz, lens), repeats)
        mine = seconds["courtplumb, 3 views, covariance"]
        said = "lens terms" if lens else "no lens terms"
        rows += [
            [said if k == 0 else "", name, f"{1e9 * s / len(xyz):.0f}", f"{s / mine:.1f}"]
            for k, (name, s) in enumerate(seconds.items())
        ]
    return pages.table([f"{FRAMES * POINTS} points", "method", "ns per point", "× courtplumb"], rows)


def accuracy(repeats: int = 40) -> str:
    """RMS error over the Cramér-Rao bound, white noise, for 2 to 4 views."""
    three, xyz = scene(True)
    xyz = xyz[::9]
    back = three[2].cam_from_world
    turned = Rigid(back.R @ np.diag([-1.0, -1.0, 1.0]), back.t_m, "cam_c3", "court")
    fourth = replace(three[2], name="c3", cam_from_world=turned)
    narrow = cameras_of("2 cameras, narrow")
    rows = []
    for label, cameras in (("2 views, 67°", three[:2]), ("2 views, 24°", narrow), ("3 views", three),
                           ("4 views", (*three, fourth))):  # fmt: skip
        ratios = [over_bound(cameras, xyz, sigma, repeats) for sigma in (0.5, 1.0, 2.0, 4.0)]
        rows.append([label, *(f"{ratio:.3f}" for ratio in ratios)])
    return pages.table(["RMS error / bound", "0.5 px", "1 px", "2 px", "4 px"], rows)


def over_bound(cameras: Sequence[Camera], xyz: Array, sigma_px: float, repeats: int) -> float:
    """Over all points found; a gate of 6 sigmas, so that no good view falls to chance."""
    rng = np.random.default_rng(round(10 * sigma_px))
    exact = np.stack([c.project(xyz) for c in cameras], axis=1)
    information = np.zeros((len(xyz), 3, 3))
    for camera in cameras:
        _, J = camera.project_with_jacobian(xyz)
        information += np.einsum("nki,nkj->nij", J, J) / sigma_px**2
    bound2 = np.trace(np.linalg.inv(information), axis1=1, axis2=2)
    errors, bounds = 0.0, 0.0
    for _ in range(repeats):
        uv = exact + rng.normal(0, sigma_px, exact.shape)
        found = triangulate(cameras, uv, np.full(uv.shape[:2], sigma_px), TriangulateOptions(gate_sigma=6))
        there = found.status == 0
        errors += float(((found.xyz_m - xyz)[there] ** 2).sum())
        bounds += float(bound2[there].sum())
    return float(np.sqrt(errors / bounds))


def main() -> None:
    parser = pages.with_options(argparse.ArgumentParser(description=__doc__.splitlines()[0]))
    parser.set_defaults(page=PAGE)
    parser.add_argument("--repeats", type=int, default=31, help="turns (default: %(default)s)")
    options = parser.parse_args()
    cv2.setNumThreads(1)
    said = pages.circumstances(options, ("numpy", "numba", "opencv-contrib-python"))
    for block, text in (("triangulation speed", speed(options.repeats)), ("triangulation", accuracy())):
        print(text)
        pages.put(options.page, block, f"{text}\n\n{said}")


if __name__ == "__main__":
    main()
