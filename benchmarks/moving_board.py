"""Cameras started by hand and a board that never stands still, against the same board seen in step.

    python -m benchmarks.moving_board [--seeds 8]

Invented cameras (tests/support/rig_worlds.py), 30, 60 and 25 pictures per second, started 3.7 s and -1.4 s
apart, a board carried at 0.3 m/s, corner noise 0.2 px. The synchronous case sees the board at the
same instants, as often.
"""

from __future__ import annotations

import argparse

import numpy as np

from benchmarks.judge import PLAYER_GRID_M, located
from calibration.checks import Array
from calibration.geometry import Camera, fit_similarity
from calibration.lens import calibrate_lens
from calibration.provenance import Provenance
from calibration.rig import calibrate_rig
from calibration.shared import SharedView, match_set
from tests.support.carried_board import carried
from tests.support.rig_worlds import BOARD, SIZE_PX, court_cameras, lens_views, rig_cameras
from tests.unit.calibration.test_moving import SIGMA_PX, STARTS_S, footage_of

WALK_S = 40.0


def rigid_error_m(true: tuple[Camera, ...], estimate: tuple[Camera, ...]) -> float:
    """As benchmarks.judge has it, for these cameras."""
    y = located(estimate, [camera.project(PLAYER_GRID_M) for camera in true])
    return float(np.sqrt(fit_similarity(y, PLAYER_GRID_M, with_scale=False).mean_squared_residual))


def in_step(views: list[SharedView], noise: np.random.Generator, truth: dict[str, Array]) -> list[SharedView]:
    """The same views with exact instants: true corners and fresh noise, no clocks."""
    out = []
    for v in views:
        corners = {
            n: truth[f"{v.label} {n}"] + noise.normal(0, SIGMA_PX, uv.shape) for n, uv in v.corners_px.items()
        }
        out.append(SharedView(v.label, corners))
    return out


def one(seed: int) -> tuple[float, float, float]:
    """Error at the player by hand and in step (m), and the worst clock error (s)."""
    rng = np.random.default_rng(seed)
    court = court_cameras()
    true = rig_cameras(court)
    way = carried(WALK_S, rng, yaw_rad=0.55)
    parts = {c.name: footage_of(c, way, WALK_S, rng) for c in court}
    found = match_set(parts, {c.name: c for c in court}, BOARD)
    lenses = [
        calibrate_lens(c.name, lens_views(c, 20, 0.2, rng), BOARD, SIZE_PX, c.name, "radial5") for c in true
    ]
    views = list(found.views)
    truth = {}
    for v in views:
        t_s = float(v.label.split(" at ")[1].split(" s")[0])
        # the label is rounded: the reference camera's own corners say the instant to a small part of that
        ref = next(iter(v.corners_px))
        times = t_s + np.linspace(-0.006, 0.006, 49)
        cameras = {c.name: c for c in court}
        miss = [
            np.abs(cameras[ref].project(way.pose(t).apply(BOARD.points_m())) - v.corners_px[ref]).mean()
            for t in times
        ]
        pose = way.pose(float(times[int(np.argmin(miss))]))
        truth |= {f"{v.label} {n}": cameras[n].project(pose.apply(BOARD.points_m())) for n in v.corners_px}
    by_hand = calibrate_rig("hand", lenses, views, found.placements, BOARD, Provenance("benchmark")).rig
    stepped = in_step(views, rng, truth)
    step = calibrate_rig("step", lenses, stepped, found.placements, BOARD, Provenance("benchmark")).rig
    late = max(abs(found.clocks[n].offset_s - STARTS_S[n]) for n in found.clocks)
    return rigid_error_m(court, by_hand.cameras), rigid_error_m(court, step.cameras), late


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=8)
    rows = np.array([one(seed) for seed in range(parser.parse_args().seeds)])
    hand, step = (1e3 * np.sqrt((rows[:, k] ** 2).mean()) for k in (0, 1))
    print(f"by hand {hand:.2f} mm, in step {step:.2f} mm, ratio {hand / step:.2f}")
    print(f"clocks off by {1e3 * rows[:, 2].max():.3f} ms at worst")


if __name__ == "__main__":
    main()
