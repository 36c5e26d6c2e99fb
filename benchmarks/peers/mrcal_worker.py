"""Runs inside the Python that has mrcal (Debian's own): solves every problem of a folder.

    python3 mrcal_worker.py FOLDER

Reads problem_*.npz, writes answer_*.npz beside each. Both ways, all cameras are in the first one's frame.
"""

import sys
import time
from pathlib import Path

import mrcal
import numpy as np


def options(problem):
    """What mrcal.optimize takes. Own copies: it writes into them."""
    n_cameras = len(problem["lens"])
    camera = problem["camera"].astype(np.int32)
    return {
        "intrinsics": problem["lens"].copy(),
        "extrinsics_rt_fromref": problem["rig"][1:].copy(),
        "frames_rt_toref": problem["boards"].copy(),
        "points": None,
        "observations_board": problem["corners"].copy(),
        "indices_frame_camintrinsics_camextrinsics": np.stack(
            [problem["board"].astype(np.int32), camera, camera - 1], axis=1
        ),
        "observations_point": None,
        "indices_point_camintrinsics_camextrinsics": None,
        "lensmodel": str(problem["model"]),
        "imagersizes": np.tile(problem["size"].astype(np.int32), (n_cameras, 1)),
        "calobject_warp": np.zeros(2) if problem["bow"] else None,
        "do_optimize_calobject_warp": bool(problem["bow"]),
        "calibration_object_spacing": float(problem["square"]),
        "do_apply_outlier_rejection": False,
        "do_apply_regularization": False,
        "verbose": False,
    }


def variances(wanted, stats, n_state):
    """Covariance of lenses and rig from the derivatives at the answer, scaled by the residuals' own noise."""
    _, x, _, factor = mrcal.optimizer_callback(**wanted, no_jacobian=False, no_factorization=False)
    n_all = len(stats["b_packed"])
    right = np.zeros((n_state, n_all))
    right[np.arange(n_state), np.arange(n_state)] = 1.0
    covariance = factor.solve_xt_JtJ_bt(right)[:, :n_state].copy()
    scale = np.ones(n_all)
    mrcal.unpack_state(scale, **wanted)
    covariance *= scale[:n_state, None] * scale[:n_state]
    return covariance * (x @ x) / (len(x) - n_all)


def solve(path):
    """One problem."""
    problem = np.load(path)
    wanted = options(problem)
    started = time.process_time()
    stats = mrcal.optimize(**wanted)
    seconds = time.process_time() - started
    n_cameras, n_lens = wanted["intrinsics"].shape
    n_state = n_cameras * n_lens + 6 * (n_cameras - 1)
    np.savez(
        path.with_name(path.name.replace("problem_", "answer_")),
        lens=wanted["intrinsics"],
        rig=wanted["extrinsics_rt_fromref"],
        boards=wanted["frames_rt_toref"],
        warp=np.zeros(2) if wanted["calobject_warp"] is None else wanted["calobject_warp"],
        covariance=variances(wanted, stats, n_state),
        seconds=seconds,
    )


for found in sorted(Path(sys.argv[1]).glob("problem_*.npz")):
    solve(found)
