"""A start that every solver can be given alike: the truth, disturbed far beyond what the corners allow."""

from __future__ import annotations

import numpy as np

from benchmarks.judge import in_first
from benchmarks.world import World
from calibration.bundle import moved, nudged
from calibration.geometry import Camera, Rigid
from calibration.geometry.camera import N_CAMERA, N_LENS

_LENS_OFF = np.array([15, 15, 8, 8, 0.05, 0.05, 0.001, 0.001] + [0.0] * (N_LENS - 8))
_POSE_OFF = np.array([0.01] * 3 + [0.05] * 3)  # rad, m
_BOARD_OFF = 0.03  # rad, m


def disturbed_truth(world: World, seed: int) -> tuple[tuple[Camera, ...], tuple[Rigid, ...]]:
    """Cameras in the first one's frame and rig_from_board, off by (standard deviations) 15 px in focal lengths,
    8 px in centres, 10 mrad and 50 mm in cameras, 30 mrad and 30 mm in boards. The first camera stays
    where it is.
    """
    rng = np.random.default_rng((1, seed))
    true = in_first(world.cameras)
    steps = rng.standard_normal((len(true), N_CAMERA)) * np.concatenate([_LENS_OFF, _POSE_OFF])
    steps[0, N_LENS:] = 0
    rig_from_court = Rigid.identity("rig", true[0].cam_from_world.dst) @ world.cameras[0].cam_from_world
    boards = [
        nudged(rig_from_court @ pose, step)
        for pose, step in zip(
            world.court_from_board, _BOARD_OFF * rng.standard_normal((world.n_boards, 6)), strict=True
        )
    ]
    return tuple(moved(c, s) for c, s in zip(true, steps, strict=True)), tuple(boards)
