"""The estimate while it moves, as plain arrays, and the observations packed for the compiled loop."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Self

import numpy as np
from numpy.typing import NDArray

from calibration.bundle.kernel import nudge, rotation
from calibration.bundle.problem import BundleProblem, Layout, bow_shapes
from calibration.checks import Array
from calibration.geometry.camera import N_CAMERA, N_LENS, Camera
from calibration.geometry.lens_models import LENS_MODELS
from calibration.geometry.rigid import Rigid

MODEL_CODES = {name: code for code, name in enumerate(LENS_MODELS)}


@dataclass(slots=True, eq=False)
class State:
    """lens (C, 12); Rc, tc and Rb, tb: cam_from_world and world_from_board; bow (2,); clocks (k,); Rt, tt:
    rig_from_court; paint (P, 3); ends (E, 3)."""

    lens: Array
    Rc: Array
    tc: Array
    Rb: Array
    tb: Array
    bow: Array
    clocks: Array
    Rt: Array
    tt: Array
    paint: Array
    ends: Array

    @classmethod
    def of(cls, problem: BundleProblem, cameras: tuple[Camera, ...], boards: tuple[Rigid, ...]) -> Self:
        """The start."""
        court, lengths = problem.court, problem.lengths
        place = Rigid.identity("rig", "court") if court is None else court.rig_from_court
        return cls(
            np.array([c.lens_vector() for c in cameras]),
            np.array([c.cam_from_world.R for c in cameras]), np.array([c.cam_from_world.t_m for c in cameras]),
            np.array([b.R for b in boards]).reshape(-1, 3, 3), np.array([b.t_m for b in boards]).reshape(-1, 3),
            np.array(problem.bow_m), np.zeros(problem.n_clocks), np.array(place.R), np.array(place.t_m),
            np.zeros((0 if court is None else len(court.xyz_m), 3)),
            np.zeros((0, 3)) if lengths is None else np.array(lengths.ends_m),
        )  # fmt: skip

    def moved(self, step: Array, boards: Array, layout: Layout) -> State | None:
        """After a step of the unknowns (G,) and of the boards (B, 6); None if a focal length turns negative."""
        own = step[: N_CAMERA * len(self.lens)].reshape(-1, N_CAMERA)
        lens = self.lens + own[:, :N_LENS]
        if lens[:, :2].min() <= 0:
            return None
        Rc, tc, Rb, tb = self.Rc.copy(), self.tc.copy(), self.Rb.copy(), self.tb.copy()
        nudge(Rc, tc, np.ascontiguousarray(own[:, N_LENS:]))
        nudge(Rb, tb, boards)
        Rt, tt = self.Rt, self.tt
        if layout.n_points:
            turn = step[layout.court]
            Rt, tt = rotation(np.ascontiguousarray(turn[:3])) @ Rt, tt + turn[3:]
        return State(
            lens, Rc, tc, Rb, tb, self.bow + step[layout.bow], self.clocks + step[layout.clocks], Rt, tt,
            self.paint + step[layout.paint].reshape(-1, 3), self.ends + step[layout.ends].reshape(-1, 3),
        )  # fmt: skip

    def camera(self, i: int, like: Camera) -> Camera:
        """Camera i as a record."""
        pose = Rigid(orthonormal(self.Rc[i]), self.tc[i], like.cam_from_world.dst, like.world)
        return like.with_lens(self.lens[i], pose)

    def court(self) -> Rigid:
        """rig_from_court as a record."""
        return Rigid(orthonormal(self.Rt), self.tt, "rig", "court")


def orthonormal(R: Array) -> Array:
    """The rotations (..., 3, 3) nearest to R: sheds the rounding of many small turns."""
    u, _, vt = np.linalg.svd(R)
    return np.asarray(u @ vt)


@dataclass(frozen=True, slots=True, eq=False)
class Packed:
    """Observations as `kernel.accumulate` takes them, and which columns of each board's block are filled."""

    board: Array
    views: NDArray[np.int64]
    first: NDArray[np.int64]
    ids: NDArray[np.int64]
    uv: Array
    drift: Array
    noise: Array
    models: NDArray[np.int64]
    n_terms: NDArray[np.int64]
    spans: NDArray[np.int64]
    n_spans: NDArray[np.int64]

    @property
    def corner_noise(self) -> Array:
        """(K,) relative noise of every corner."""
        return np.repeat(self.noise, np.diff(self.first))


def pack(problem: BundleProblem, cameras: tuple[Camera, ...], n_boards: int) -> Packed:
    """Arranges the observations, view by view in their order."""
    seen, every = problem.seen, np.arange(len(problem.points_m))
    counts = [len(s.uv_px) for s in seen]
    ids = [every if s.ids is None else s.ids for s in seen]
    drift = [np.zeros_like(s.uv_px) if s.velocity_px_s is None else s.velocity_px_s for s in seen]
    views = [(s.camera, s.board, -1 if s.clock is None else s.clock) for s in seen]
    spans, n_spans = _spans(problem, len(cameras), n_boards)
    return Packed(
        np.ascontiguousarray(np.vstack([problem.points_m[:, :2].T, bow_shapes(problem.points_m)])),
        np.array(views, dtype=np.int64).reshape(-1, 3),
        np.concatenate([[0], np.cumsum(counts)]).astype(np.int64),
        np.concatenate([np.zeros(0), *ids]).astype(np.int64),
        np.ascontiguousarray(np.concatenate([np.zeros((0, 2)), *(s.uv_px for s in seen)]).T),
        np.ascontiguousarray(np.concatenate([np.zeros((0, 2)), *drift]).T),
        np.array([s.noise for s in seen], dtype=float),
        np.array([MODEL_CODES[c.model] for c in cameras], dtype=np.int64),
        np.array([len(c.lens_model.terms) for c in cameras], dtype=np.int64),
        spans, n_spans,
    )  # fmt: skip


def _spans(
    problem: BundleProblem, n_cameras: int, n_boards: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Per board the columns of the cameras that see it, and of bow and clocks where they take part."""
    spans = np.zeros((n_boards, n_cameras + 1, 2), dtype=np.int64)
    n_spans = np.zeros(n_boards, dtype=np.int64)
    at = N_CAMERA * n_cameras
    by_board: list[set[int]] = [set() for _ in range(n_boards)]
    for s in problem.seen:
        by_board[s.board].add(s.camera)
    for b, cameras in enumerate(by_board):
        rows = [(N_CAMERA * c, N_CAMERA * (c + 1)) for c in sorted(cameras)]
        if cameras and (problem.bow_u_m is not None or problem.n_clocks):
            rows.append((at, at + 2 + problem.n_clocks))
        spans[b, : len(rows)] = np.array(rows, dtype=np.int64).reshape(-1, 2)
        n_spans[b] = len(rows)
    return spans, n_spans
