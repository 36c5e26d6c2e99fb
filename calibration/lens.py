"""Lens calibration: the lens parameters of one camera, with covariance, from views of a checkerboard."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import starmap

import cv2
import numpy as np

from calibration.board import Board
from calibration.bundle import BoardSeen, BundleProblem, BundleSolution, LensPrior, solve_bundle
from calibration.checks import Array, checked, flat
from calibration.errors import BadInput, NotMeasurable
from calibration.geometry.camera import N_LENS, PARAMETERS, Camera
from calibration.geometry.rigid import Rigid
from calibration.provenance import Provenance
from calibration.views import BoardView

LENS_PARAMETERS = PARAMETERS[:N_LENS]

LEAST_VIEWS = 8  # 9 + 6 V unknowns; from about 8 tilted views on, the estimate stops depending on a single one
_MOST_VIEWS = 40  # more change the result by less than its uncertainty and cost time
_BLUR_RATIO = 1.7  # edges wider than this times the sharper quarter's are taken as blurred
_BAD_VIEW_RATIO = 3.0  # a view's rms against the median view's
_K3_PRIOR = (
    0.5  # standard deviation of k3 around 0 before any data: keeps it finite where the corners stay unseen
)
_GRID = (12, 8)


@dataclass(frozen=True, slots=True, eq=False)
class LensCalibration:
    """One camera's lens.

    size_px      (width, height) that the parameters belong to
    K_px, distortion  as in Camera
    covariance   (12, 12) of LENS_PARAMETERS
    model        name of the lens model
    rms_px       of all residuals' length; view_rms_px (V,) per view used
    coverage     share of the picture (of 12 x 8 fields) in which at least one corner was seen
    flags        plain sentences about what limits this calibration; empty if nothing does
    provenance   what made it; None while it is only in memory
    """

    camera: str
    size_px: tuple[int, int]
    K_px: Array
    distortion: Array
    covariance: Array
    rms_px: float
    view_rms_px: Array
    views_found: int
    coverage: float
    flags: tuple[str, ...] = ()
    provenance: Provenance | None = None
    model: str = "radial5"

    def __post_init__(self) -> None:
        object.__setattr__(self, "K_px", checked(self.K_px, (3, 3), f"lens of {self.camera}: K_px"))
        object.__setattr__(
            self, "covariance", checked(self.covariance, (N_LENS, N_LENS), f"lens of {self.camera}: covariance")
        )
        object.__setattr__(
            self, "view_rms_px", checked(self.view_rms_px, (None,), f"lens of {self.camera}: view_rms_px")
        )
        object.__setattr__(self, "distortion", self.as_camera().distortion)

    @property
    def views_used(self) -> int:
        """How many views the estimate rests on."""
        return len(self.view_rms_px)

    def vector(self) -> Array:
        """LENS_PARAMETERS (12,)."""
        return self.as_camera().lens_vector()

    def u(self) -> Array:
        """Standard uncertainty (12,) of LENS_PARAMETERS."""
        return np.asarray(np.sqrt(np.diag(self.covariance)))

    def as_camera(self, cam_from_world: Rigid | None = None) -> Camera:
        """A Camera with this lens, at a pose or at the origin of "rig"."""
        pose = cam_from_world or Rigid.identity(f"cam_{self.camera}", "rig")
        return Camera(self.camera, self.size_px, self.K_px, self.distortion, pose, self.model)


def calibrate_lens(
    camera: str, views: Sequence[BoardView], board: Board, size_px: tuple[int, int], where: str
) -> LensCalibration:
    """The lens from board views (those of one camera, at one size).

    Blurred views are left out and up to 40 chosen that cover the picture, the distances and the tilts; the
    choice and the result depend only on the input. where: the footage, for messages.
    Raises BadInput with too few views or a board that stays at one place, NotMeasurable where the views do not
    fix the lens. Model: Brown (1971); start: Zhang Z (2000), IEEE TPAMI 22:1330-1334.
    """
    sharp = _sharp(views)
    if len(sharp) < LEAST_VIEWS:
        blurred = len(views) - len(sharp)
        raise BadInput(
            f"{where}: found {len(sharp)} usable views of the whole board ({blurred} more were blurred), "
            f"want at least {LEAST_VIEWS}; move the board slowly and let it fill different parts of the picture"
        )
    chosen = [sharp[i] for i in _spread_choice(np.array([_place(v, board, size_px) for v in sharp]))]
    _want_variety(np.array([_place(v, board, size_px) for v in chosen]), where)
    start = _start(camera, chosen, board, size_px)
    solution = _solve(chosen, board, *start)
    rms = _view_rms(solution)
    good = rms <= _BAD_VIEW_RATIO * np.median(rms)
    dropped = int((~good).sum())
    if dropped and good.sum() >= LEAST_VIEWS:
        chosen = [v for v, ok in zip(chosen, good, strict=True) if ok]
        boards = [p for p, ok in zip(solution.world_from_board, good, strict=True) if ok]
        solution = _solve(chosen, board, solution.cameras[0], boards)
    return _record(solution, chosen, len(views), dropped, where)


def _record(
    solution: BundleSolution, chosen: Sequence[BoardView], found: int, dropped: int, where: str
) -> LensCalibration:
    fitted = solution.cameras[0]
    covariance = solution.covariance[:N_LENS, :N_LENS]
    u_focal = float(np.sqrt(covariance[0, 0])) / fitted.K_px[0, 0]
    if u_focal > 0.02:
        raise NotMeasurable(
            f"{where}: the focal length stays uncertain by {100 * u_focal:.0f} %; "
            "tilt the board more (30 to 45 degrees, in different directions)"
        )
    coverage = _coverage([v.corners_px for v in chosen], fitted.size_px)
    rms = _view_rms(solution)
    total = float(np.sqrt((rms**2).mean()))
    flags = []
    if coverage < 0.6:
        flags.append(
            f"the board reached only {100 * coverage:.0f} % of the picture; the lens is extrapolated beyond"
        )
    if total > 1.0:
        flags.append(f"corners fit the lens to {total:.2f} px only; up to 1 px is usual")
    if dropped:
        flags.append(f"{dropped} board views did not fit the others and were left out")
    return LensCalibration(
        fitted.name, fitted.size_px, fitted.K_px, fitted.distortion, covariance, total, rms, found, coverage,
        tuple(flags),
    )  # fmt: skip


def _sharp(views: Sequence[BoardView]) -> list[BoardView]:
    rises = np.array([v.rise_px for v in views])
    known = rises[np.isfinite(rises)]
    if not known.size:
        return list(views)
    limit = _BLUR_RATIO * np.quantile(known, 0.25)
    return [v for v, rise in zip(views, rises, strict=True) if not rise > limit]


def _place(view: BoardView, board: Board, size_px: tuple[int, int]) -> Array:
    """Where the board stands in the picture (2), how large (1) and how tilted (2), each of order 1."""
    c = view.corners_px
    diagonal = float(np.hypot(*size_px))
    centre = (c.mean(axis=0) - np.array(size_px) / 2) / diagonal
    size = np.log(np.sqrt(np.linalg.det(np.cov(c.T))) / diagonal)
    unit = board.points_m()[:, :2]
    unit = (unit - unit.mean(axis=0)) / unit.std()
    h, _ = cv2.findHomography(unit, (c - c.mean(axis=0)) / c.std())
    return np.array([2 * centre[0], 2 * centre[1], 0.4 * size, 4 * h[2, 0], 4 * h[2, 1]])


def _spread_choice(places: Array) -> list[int]:
    """Farthest-point sampling: each next view is the one least like those chosen before."""
    chosen = [int(np.linalg.norm(places - places.mean(axis=0), axis=1).argmin())]
    distance = np.linalg.norm(places - places[chosen[0]], axis=1)
    while len(chosen) < min(_MOST_VIEWS, len(places)):
        chosen.append(int(distance.argmax()))
        distance = np.minimum(distance, np.linalg.norm(places - places[chosen[-1]], axis=1))
    return sorted(chosen)


def _want_variety(places: Array, where: str) -> None:
    spread = places.max(axis=0) - places.min(axis=0)
    if np.hypot(*spread[3:]) < 0.1 and spread.max() < 0.25:
        raise BadInput(
            f"{where}: the board is always in the same place; move it over the whole picture, near and far, "
            "and tilt it 30 to 45 degrees in different directions"
        )


def _start(
    camera: str, views: Sequence[BoardView], board: Board, size_px: tuple[int, int]
) -> tuple[Camera, list[Rigid]]:
    points = board.points_m().astype(np.float32)
    pixels = [v.corners_px.astype(np.float32).reshape(-1, 1, 2) for v in views]
    # Corners only: OpenCV's own estimate is the start, its covariance ignores how poses and lens trade off
    guess = np.eye(3)
    _, K, distortion, turns, shifts = cv2.calibrateCamera(
        [points] * len(views), pixels, size_px, guess, np.zeros(5), flags=cv2.CALIB_FIX_K3
    )
    if not (np.isfinite(K).all() and K[0, 0] > 0 and K[1, 1] > 0):
        raise NotMeasurable(f"camera {camera}: no lens fits these views")
    clean = np.array([[K[0, 0], 0, K[0, 2]], [0, K[1, 1], K[1, 2]], [0, 0, 1]], dtype=float)
    lens = np.asarray(distortion, dtype=float).ravel()[:5]
    start = Camera(camera, size_px, clean, lens, Rigid.identity(f"cam_{camera}", "rig"))
    poses = [Rigid.from_rotvec(flat(r), flat(t), "rig", "board") for r, t in zip(turns, shifts, strict=True)]
    return start, poses


def _solve(views: Sequence[BoardView], board: Board, start: Camera, boards: Sequence[Rigid]) -> BundleSolution:
    information = np.zeros((N_LENS, N_LENS))
    information[8, 8] = 1 / _K3_PRIOR**2
    seen = tuple(starmap(BoardSeen, ((0, i, v.corners_px) for i, v in enumerate(views))))
    prior = LensPrior(np.zeros(N_LENS), information)
    return solve_bundle(BundleProblem(board.points_m(), seen, (prior,), frozenset({0})), (start,), boards)


def _view_rms(solution: BundleSolution) -> Array:
    return np.array([float(np.sqrt((r**2).sum(axis=1).mean())) for r in solution.residuals_px])


def _coverage(corners: Sequence[Array], size_px: tuple[int, int]) -> float:
    all_px = np.concatenate(list(corners))
    cells = np.floor((all_px + 0.5) / np.array(size_px) * np.array(_GRID)).astype(int)
    inside = ((cells >= 0) & (cells < np.array(_GRID))).all(axis=1)
    return len({tuple(c) for c in cells[inside].tolist()}) / (_GRID[0] * _GRID[1])
