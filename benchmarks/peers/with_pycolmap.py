"""COLMAP's rig bundle adjustment (Ceres) through pycolmap, in a process of its own that keeps its problem.

The board is COLMAP's fixed world and each board pose one frame of a moving rig: the same unknowns and residuals
as ours. Building the problem is not timed, the solve alone is.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Self

import numpy as np

from benchmarks.world import World
from calibration.checks import Array
from calibration.geometry import Camera, Rigid

_WORKER = Path(__file__).with_name("pycolmap_worker.py")


def python_with_pycolmap() -> str | None:
    """The Python to run it in: COURTPLUMB_PYCOLMAP_PYTHON, or this one; None where it is not installed."""
    python = os.environ.get("COURTPLUMB_PYCOLMAP_PYTHON", sys.executable)
    try:
        found = subprocess.run([python, "-c", "import pycolmap"], capture_output=True, check=False)
    except OSError:
        return None
    return python if found.returncode == 0 else None


class Colmap:
    """A running worker that holds one recording and one start.

    loss_px: scale of Cauchy's loss on a corner's residual; 0 for plain squares.
    """

    def __init__(
        self, python: str, world: World, cameras: Sequence[Camera], boards: Sequence[Rigid], loss_px: float
    ) -> None:
        self._folder = tempfile.TemporaryDirectory()
        self._cameras, self._boards = tuple(cameras), tuple(boards)
        self._answer = Path(self._folder.name) / "answer.npz"
        problem = Path(self._folder.name) / "problem.npz"
        np.savez(
            problem, lens=np.array([c.lens_vector()[:8] for c in cameras]),
            points=world.points_m, uv=world.uv_px,
            cam_from_rig=np.array([_matrix(c.cam_from_world) for c in cameras]), camera=world.camera,
            rig_from_board=np.array([_matrix(b) for b in boards]), board=world.board,
            size=np.array(world.arrangement.size_px), loss_px=loss_px,
        )  # fmt: skip
        self._process = subprocess.Popen(
            [python, str(_WORKER), str(problem), str(self._answer)],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env=os.environ | {"OMP_NUM_THREADS": "1"},
        )  # fmt: skip
        self.version = self._line()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None
    ) -> None:
        if self._process.stdin is not None and self._process.poll() is None:
            self._process.stdin.write("end\n")
            self._process.stdin.flush()
        self._process.wait(timeout=60)
        self._folder.cleanup()

    def solve(self, tolerance: float, solver: str) -> tuple[float, int]:
        """One solve from the start: seconds and successful steps. solver: Ceres' name of a linear solver."""
        assert self._process.stdin is not None
        self._process.stdin.write(f"{tolerance!r} {solver}\n")
        self._process.stdin.flush()
        seconds, steps = self._line().split()
        return float(seconds), int(steps)

    def answer(self) -> tuple[tuple[Camera, ...], tuple[Rigid, ...]]:
        """Cameras and rig_from_board of the last solve."""
        found = np.load(self._answer)
        cameras = []
        for c, start in enumerate(self._cameras):
            lens = np.concatenate([found["lens"][c], np.zeros(4)])
            pose = start.cam_from_world
            cameras.append(start.with_lens(lens, _rigid(found["cam_from_rig"][c], pose)))
        boards = [_rigid(m, b) for m, b in zip(found["rig_from_board"], self._boards, strict=True)]
        return tuple(cameras), tuple(boards)

    def _line(self) -> str:
        assert self._process.stdout is not None
        line = self._process.stdout.readline().strip()
        if not line:
            raise RuntimeError("the pycolmap worker ended early; what it said is above")
        return line


def _matrix(pose: Rigid) -> Array:
    return np.asarray(np.c_[pose.R, pose.t_m])


def _rigid(matrix: Array, like: Rigid) -> Rigid:
    return Rigid(matrix[:, :3], matrix[:, 3], like.dst, like.src)
