"""mrcal, a library for camera calibration by joint least squares, run in the Python that has it.

It is Debian's package python3-mrcal, tied to Debian's own Python; hence a process of its own, with the corners
passed through files. Same lens model (k3 free or held at 0), no outlier rejection, no pull of the lens terms
towards 0: then its answer and ours are the minimum of one and the same sum of squares.
"""

from __future__ import annotations

import os
import subprocess
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.judge import Answer
from calibration.checks import Array
from calibration.geometry import Camera, Rigid

_WORKER = Path(__file__).with_name("mrcal_worker.py")
_PLACES = ("/usr/bin/python3", "python3")


@dataclass(frozen=True, slots=True, eq=False)
class MrcalProblem:
    """Corners and a start. cameras in the first one's frame; boards: rig_from_board, origin in a corner.

    views  (camera, board, uv_px (columns · rows, 2)) each
    free_k3  five lens terms instead of four
    bow    the board may bow along both of its axes
    """

    cameras: tuple[Camera, ...]
    boards: tuple[Rigid, ...]
    views: tuple[tuple[int, int, Array], ...]
    columns: int
    rows: int
    square_m: float
    free_k3: bool = False
    bow: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class MrcalAnswer:
    """answer and rig_from_board poses; standard uncertainties as mrcal's own derivatives give them: lens_u
    (C, 4 + terms), and shift_u_m (C − 1, 3) of the cameras after the first."""

    answer: Answer
    boards: tuple[Rigid, ...]
    lens_u: Array
    shift_u_m: Array


def python_with_mrcal() -> str | None:
    """The Python to run it in: COURTPLUMB_MRCAL_PYTHON, or the system's; None where no mrcal is installed."""
    named = os.environ.get("COURTPLUMB_MRCAL_PYTHON")
    for python in (named,) if named else _PLACES:
        try:
            found = subprocess.run(
                [python, "-c", "import mrcal"], capture_output=True, env=_environment(), check=False
            )
        except OSError:
            continue
        if found.returncode == 0:
            return python
    return None


def solve(python: str, problems: Sequence[MrcalProblem]) -> list[MrcalAnswer]:
    """All problems in one process. Raises RuntimeError with what it said if it fails."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        for i, problem in enumerate(problems):
            np.savez(folder / f"problem_{i:04d}.npz", **_written(problem))
        done = subprocess.run(
            [python, str(_WORKER), name], capture_output=True, text=True, env=_environment(), check=False
        )
        if done.returncode != 0:
            raise RuntimeError(f"mrcal failed: {done.stderr[-2000:]}")
        return [_read(p, np.load(folder / f"answer_{i:04d}.npz")) for i, p in enumerate(problems)]


def _environment() -> dict[str, str]:
    """Without this environment's own packages, which are built for another numpy; one thread."""
    kept = {k: v for k, v in os.environ.items() if not k.startswith(("PYTHON", "VIRTUAL_ENV"))}
    return kept | {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}


def _written(problem: MrcalProblem) -> dict[str, Any]:
    terms = 5 if problem.free_k3 else 4
    order = sorted(problem.views, key=lambda v: (v[1], v[0]))  # mrcal wants them in the order of the boards
    corners = np.ones((len(order), problem.rows, problem.columns, 3))
    corners[..., :2] = np.array([v[2] for v in order]).reshape(*corners.shape[:3], 2)
    return {
        "lens": np.array([c.lens_vector()[: 4 + terms] for c in problem.cameras]),
        "rig": np.array([_rt(c.cam_from_world) for c in problem.cameras]),
        "boards": np.array([_rt(b) for b in problem.boards]),
        "corners": corners,
        "camera": np.array([v[0] for v in order]),
        "board": np.array([v[1] for v in order]),
        "size": np.array(problem.cameras[0].size_px),
        "square": problem.square_m,
        "model": f"LENSMODEL_OPENCV{terms}",
        "bow": problem.bow,
    }


def _rt(pose: Rigid) -> Array:
    return np.concatenate([pose.rotvec_rad(), pose.t_m])


def _read(problem: MrcalProblem, found: dict[str, Array]) -> MrcalAnswer:
    cameras = []
    for i, start in enumerate(problem.cameras):
        lens = np.zeros(12)
        lens[: found["lens"].shape[1]] = found["lens"][i]
        pose = start.cam_from_world
        if i > 0:
            pose = Rigid.from_rotvec(found["rig"][i - 1, :3], found["rig"][i - 1, 3:], pose.dst, pose.src)
        cameras.append(start.with_lens(lens, pose))
    u = np.sqrt(np.diag(found["covariance"]))
    n, n_lens = found["lens"].shape
    answer = Answer(tuple(cameras), None, float(found["seconds"]), np.array(found["warp"]))
    boards = tuple(
        Rigid.from_rotvec(rt[:3], rt[3:], like.dst, like.src)
        for rt, like in zip(found["boards"], problem.boards, strict=True)
    )
    return MrcalAnswer(
        answer, boards, u[: n * n_lens].reshape(n, n_lens), u[n * n_lens :].reshape(n - 1, 6)[:, 3:]
    )
