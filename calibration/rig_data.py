"""What a rig's fit goes by, gathered from lens footage and shared footage, with a start."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.board import Board
from calibration.bundle import BoardSeen, BundleProblem, BundleSolution, LensPrior, solve_bundle
from calibration.checks import Array
from calibration.geometry.camera import Camera
from calibration.geometry.rigid import Rigid
from calibration.holds import cam_from_board
from calibration.lens import LensCalibration, loose_prior
from calibration.shared import Placement, SharedView
from calibration.start import apart, start_poses

_CLOCK_U_S = 0.005
"""Prior of a clock error. Wide against what the board's motion tells (well below a millisecond), because the
same corners tell it again here and must not count twice."""


@dataclass(frozen=True, slots=True, eq=False)
class RigData:
    """Everything the joint fit goes by.

    seen     all observations: shared board poses first (n_shared of them), then each lens's own
    start    cameras and rig_from_board poses
    """

    board: Board
    seen: tuple[BoardSeen, ...]
    priors: tuple[LensPrior, ...]
    cameras: tuple[Camera, ...]
    boards: tuple[Rigid, ...]
    n_shared: int
    n_clocks: int = 0

    def solve(self, seen: Sequence[BoardSeen] | None = None) -> BundleSolution:
        """The joint fit to all observations, or to some."""
        problem = BundleProblem(
            self.board.points_m(), self.seen if seen is None else tuple(seen), self.priors, frozenset({0}),
            bow_u_m=self.board.flat_u_m or None, n_clocks=self.n_clocks, clock_u_s=_CLOCK_U_S,
        )  # fmt: skip
        return solve_bundle(problem, self.cameras, self.boards)

    def after(self, solution: BundleSolution, seen: Sequence[BoardSeen]) -> RigData:
        """These observations, with the start at a solution."""
        return replace(self, seen=tuple(seen), cameras=solution.cameras, boards=solution.world_from_board)


def gathered(
    lenses: Sequence[LensCalibration],
    views: Sequence[SharedView],
    placements: Sequence[Placement],
    board: Board,
) -> RigData:
    """Shared board poses first, then the views that each lens rests on, or else the lens's covariance.

    Raises BadInput naming the cameras that no shared board poses join.
    """
    cameras, boards = _start(lenses, views, placements, board)
    at = {lens.camera: i for i, lens in enumerate(lenses)}
    seen = [_seen(at[c], b, c, view) for b, view in enumerate(views) for c in view.corners_px]
    priors = []
    for c, lens in enumerate(lenses):
        if not lens.views:
            priors.append(LensPrior(lens.vector(), information(lens.covariance)))
            continue
        priors.append(loose_prior(lens.model))
        own = [BoardSeen(c, len(boards) + i, v.corners_px, v.ids) for i, v in enumerate(lens.views)]
        R, t = start_poses(
            cameras[c].placed(Rigid.identity(f"cam_{lens.camera}", "rig")), own, board.points_m()
        )
        rig_from_cam = cameras[c].cam_from_world.inverse()
        boards += [rig_from_cam @ Rigid(R[i], t[i], rig_from_cam.src, "board") for i in range(len(own))]
        seen += own
    n_clocks = 1 + max((s.clock for s in seen if s.clock is not None), default=-1)
    return RigData(board, tuple(seen), tuple(priors), tuple(cameras), tuple(boards), len(views), n_clocks)


def settled(seen: BoardSeen, solution: BundleSolution) -> BoardSeen:
    """The same view where its clock's error, as solved for, puts it."""
    if seen.velocity_px_s is None or seen.clock is None:
        return seen
    uv = seen.uv_px + seen.velocity_px_s * solution.clocks_s[seen.clock]
    return replace(seen, uv_px=uv, velocity_px_s=None, clock=None)


def _seen(camera: int, board: int, name: str, view: SharedView) -> BoardSeen:
    velocity = view.velocity_px_s.get(name) if name in view.clock else None
    return BoardSeen(
        camera, board, view.corners_px[name], view.ids[name], velocity, view.clock.get(name),
        view.spread.get(name, 1.0),
    )  # fmt: skip


def _start(
    lenses: Sequence[LensCalibration],
    views: Sequence[SharedView],
    placements: Sequence[Placement],
    board: Board,
) -> tuple[list[Camera], list[Rigid]]:
    names = [lens.camera for lens in lenses]
    cam_from_rig = {names[0]: Rigid.identity(f"cam_{names[0]}", "rig")}
    edges = sorted(placements, key=lambda p: -p.votes)
    while len(cam_from_rig) < len(names):
        edge = next((e for e in edges if (e.a in cam_from_rig) != (e.b in cam_from_rig)), None)
        if edge is None:
            raise apart(list(cam_from_rig), [n for n in names if n not in cam_from_rig])
        if edge.a in cam_from_rig:
            cam_from_rig[edge.b] = edge.b_from_a @ cam_from_rig[edge.a]
        else:
            cam_from_rig[edge.a] = edge.b_from_a.inverse() @ cam_from_rig[edge.b]
    cameras = {lens.camera: lens.as_camera(cam_from_rig[lens.camera]) for lens in lenses}
    boards = []
    for view in views:
        largest = max(view.corners_px, key=lambda c: float(np.linalg.det(np.cov(view.corners_px[c].T))))
        pose = cam_from_board(cameras[largest], board, view.corners_px[largest], view.ids[largest])
        boards.append(cam_from_rig[largest].inverse() @ pose)
    return [cameras[n] for n in names], boards


def information(covariance: Array) -> Array:
    """Inverse of a covariance whose parameters have very different units. Zero variances count as tiny ones."""
    d = np.sqrt(np.maximum(np.diag(covariance), 1e-24))
    correlation = covariance / np.outer(d, d)
    return np.asarray(np.linalg.inv(correlation + 1e-10 * np.eye(len(d))) / np.outer(d, d))
