"""Do the motion's 95 % intervals hold the truth? Worlds whose noise is drawn from what the program is told.

    python -m benchmarks.motion_honesty --machine "…" --date YYYY-MM-DD [--worlds 1000]

Every world tells one thing of each kind (one point, instant and axis drawn at random), so that worlds are
independent trials. Writes into docs/evidence/reconstruction.md.
"""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from scipy.interpolate import CubicSpline
from scipy.stats import binomtest

from benchmarks import pages
from benchmarks.motion_accuracy import PAGE
from benchmarks.motion_world import Order, Recording, record
from calibration.checks import Array
from recon.body import interior_angle_rad
from recon.instants import points_at_instants
from recon.motion import fit_motion, hold_lengths, hold_racket
from recon.records import DETECTED, WHITE, CameraTracks, NoiseShape, Tracks2D

NOISES: Mapping[str, NoiseShape] = {
    "white": WHITE,
    "lingering": NoiseShape(white=0.1, slow=0.9, bias=0.0, slow_s=0.06),
    "lasting": NoiseShape(white=0.2, slow=0.0, bias=0.8),
    "as a detector's": DETECTED,
}
POINTS = (
    "right_shoulder", "right_elbow", "right_wrist", "left_hip", "left_knee", "left_ankle", "left_heel",
    "left_toe", "racket_tip", "racket_throat",
)  # fmt: skip
ANGLES = {
    "elbow angle": ("right_shoulder", "right_elbow", "right_wrist"),
    "knee angle": ("left_hip", "left_knee", "left_ankle"),
}
DRAWS = 60


def only(recording: Recording, names: tuple[str, ...]) -> Recording:
    """The same recording of fewer points."""
    columns = [recording.column(n) for n in names]
    cameras = tuple(
        CameraTracks(c.camera, c.size_px, c.t_cam_s, c.uv_px[:, columns], c.sigma_px[:, columns])
        for c in recording.tracks.cameras
    )
    noise = tuple(recording.tracks.noise[k] for k in columns)
    return replace(
        recording, tracks=Tracks2D(names, cameras, recording.tracks.source, noise),
        xyz_m=recording.xyz_m[:, columns], velocity_m_s=recording.velocity_m_s[:, columns],
    )  # fmt: skip


def world(noise: str, seed: int) -> Mapping[str, float]:
    """Errors in standard uncertainties, one per kind of quantity."""
    rng = np.random.default_rng([seed, 99])
    order = Order(
        rig=("3 cameras", "2 cameras")[seed % 2], serve=("clean_right", "compensating_left")[seed // 2 % 2],
        fps=120.0, sigma_px=float(rng.uniform(1, 4)), shape=NOISES[noise],
        offsets_s=tuple(rng.uniform(0, 1 / 120, 3)),
    )  # fmt: skip
    recording = only(record(order, seed), POINTS)
    points = points_at_instants(recording.cameras, recording.tracks, recording.clocks)
    motion, support = fit_motion(recording.cameras, recording.tracks, recording.clocks, points)
    held = hold_lengths(motion, support.covariance(), support.draws(DRAWS, seed), seed)
    held = hold_racket(held, support, seed=seed).held
    motion = held.motion
    true = _at(motion.t_s, recording)
    k = int(rng.integers(20, len(motion.t_s) - 20))
    p, axis = int(rng.integers(len(POINTS))), int(rng.integers(3))
    velocity_cov = motion.velocity_cov_m2_s2
    assert velocity_cov is not None
    out = {
        "position": float((motion.xyz_m - true[0])[k, p, axis] / np.sqrt(motion.cov_m2[k, p, axis, axis])),
        "velocity": float(
            (motion.velocity_m_s - true[1])[k, p, axis] / np.sqrt(velocity_cov[k, p, axis, axis])
        ),
    }
    draws = held.draws_m[:, k]
    for name, chain in ANGLES.items():
        columns = [POINTS.index(n) for n in chain]
        found, exact = (_angle(x[k, columns]) for x in (motion.xyz_m, true[0]))
        spread = np.std([_angle(motion.xyz_m[k, columns] + d[columns]) for d in draws], ddof=1)
        out[name] = float((found - exact) / spread)
    return out


def _angle(chain: Array) -> float:
    return float(interior_angle_rad(*chain))


def _at(t_s: Array, recording: Recording) -> tuple[Array, Array]:
    """True positions and velocities at the motion's own instants, which are not the recording's."""
    out = []
    for values in (recording.xyz_m, recording.velocity_m_s):
        flat = values.reshape(len(values), -1)
        spline = CubicSpline(recording.t_s, flat)
        out.append(spline(t_s).reshape(len(t_s), *values.shape[1:]))
    return out[0], out[1]


def coverage(noise: str, worlds: int) -> list[list[str]]:
    """A row per kind of quantity."""
    outcomes = [world(noise, seed) for seed in range(worlds)]
    rows = []
    for kind in outcomes[0]:
        z = np.array([o[kind] for o in outcomes])
        held = int((np.abs(z) < 1.96).sum())
        p = binomtest(held, worlds, 0.95).pvalue
        rows.append([noise, kind, f"{held / worlds:.1%}", f"{p:.2f}", f"{np.sqrt(np.mean(z**2)):.2f}"])
    return rows


def main() -> None:
    parser = pages.with_options(argparse.ArgumentParser(description=__doc__.splitlines()[0]))
    parser.set_defaults(page=PAGE)
    parser.add_argument("--worlds", type=int, default=1000, help="per kind of noise (default: %(default)s)")
    options = parser.parse_args()
    rows = [row for noise in NOISES for row in coverage(noise, options.worlds)]
    heads = ["noise", "quantity", "held by the 95 % interval", "p (binomial)", "rms of error / u"]
    said = pages.circumstances(options, ("numpy", "scipy", "numba"))
    text = f"{pages.table(heads, rows)}\n\n{options.worlds} worlds per kind of noise. {said}"
    print(text)
    pages.put(options.page, "honesty", text)


if __name__ == "__main__":
    main()
