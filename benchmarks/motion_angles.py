"""What coaches read, from the fitted motion: angles, distance to the spine plane, speed of the tip.

    python -m benchmarks.motion_angles --machine "…" --date YYYY-MM-DD [--seeds 4]

White noise of 2 px, 240 frames a second, with and without gross errors. Writes into
docs/evidence/reconstruction.md.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping

import numpy as np

from benchmarks import pages
from benchmarks.motion_accuracy import PAGE, filled, ours
from benchmarks.motion_world import FOLLOWED, Order, Recording, record
from calibration.checks import Array
from recon.body import Body, elbow_angle_rad, foot_yaw_rad, knee_flexion_rad, tip_to_spine_plane_m

SERVES = {"clean_right": "right", "compensating_left": "left"}
_INNER = slice(5, -5)
READINGS: Mapping[str, tuple[Callable[[Body], Array], float, str]] = {
    "hitting elbow, °": (elbow_angle_rad, 180 / np.pi, "1.2"),
    "front knee, °": (lambda b: knee_flexion_rad(b, "front"), 180 / np.pi, "1.2"),
    "front-foot yaw, °": (lambda b: foot_yaw_rad(b, "front"), 180 / np.pi, "0.8"),
    "tip to spine plane, mm": (lambda b: tip_to_spine_plane_m(b)[0], 1000.0, "8"),
}
"""What to read, in which unit, and the largest rms error aimed at (3 cameras)."""


def errors(recording: Recording, serve: str) -> Mapping[str, tuple[float, float]]:
    """Squared error of each reading, from the motion and from single instants."""
    points, motion, _ = ours(recording)

    def body(xyz: Array) -> Body:
        return Body(motion.t_s, FOLLOWED, xyz, motion.velocity_m_s, SERVES[serve])

    true, smooth, single = body(recording.xyz_m), body(motion.xyz_m), body(filled(points))
    out = {}
    for name, (read, factor, _) in READINGS.items():
        exact, of_motion, of_instants = (factor * read(b)[_INNER] for b in (true, smooth, single))
        out[name] = _squared(of_motion - exact), _squared(of_instants - exact)
    tip, near = recording.column("racket_tip"), slice(recording.contact - 4, recording.contact + 5)
    speeds = [
        np.linalg.norm(v[near, tip], axis=1)
        for v in (recording.velocity_m_s, motion.velocity_m_s, np.gradient(filled(points), motion.t_s, axis=0))
    ]
    exact, of_motion, of_instants = speeds
    out["tip speed at contact, m/s"] = _squared(of_motion - exact), _squared(of_instants - exact)
    return out


def _squared(off: Array) -> float:
    return float(np.mean(off**2))


def _rms(found: list[Mapping[str, tuple[float, float]]], name: str, k: int) -> float:
    return float(np.sqrt(np.mean([f[name][k] for f in found])))


def angles(seeds: int) -> str:
    """RMS errors, single instants' in brackets."""
    columns, heads = [], []
    for rig in ("3 cameras", "2 cameras"):
        for gross in (0.0, 0.03):
            found = []
            for seed in range(seeds):
                serve = tuple(SERVES)[seed % 2]
                order = Order(rig=rig, gross=gross, serve=serve)
                found.append(errors(record(order, seed), serve))
            heads.append(f"{rig}, {gross:.0%} gross")
            columns.append({name: [_rms(found, name, k) for k in range(2)] for name in found[0]})
    goal = {name: aim for name, (_, _, aim) in READINGS.items()} | {"tip speed at contact, m/s": "0.7"}
    rows = [
        [name, goal[name], *(f"{c[name][0]:.2f} ({c[name][1]:.1f})" for c in columns)] for name in columns[0]
    ]
    return pages.table(["rms error (of single instants)", "aim, 3 cameras", *heads], rows)


def main() -> None:
    parser = pages.with_options(argparse.ArgumentParser(description=__doc__.splitlines()[0]))
    parser.set_defaults(page=PAGE)
    parser.add_argument("--seeds", type=int, default=4, help="recordings per column (default: %(default)s)")
    options = parser.parse_args()
    text = angles(options.seeds)
    print(text)
    pages.put(options.page, "angles", f"{text}\n\n{pages.circumstances(options, ('numpy', 'scipy', 'numba'))}")


if __name__ == "__main__":
    main()
