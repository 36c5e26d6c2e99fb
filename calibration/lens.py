"""Lens calibration: model, parameters and covariance of one camera's lens, from views of a board."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

from calibration.board import Board
from calibration.bundle import (
    BoardSeen,
    BundleProblem,
    BundleSolution,
    LensPrior,
    SolveOptions,
    bent_points,
    solve_bundle,
)
from calibration.checks import Array, checked
from calibration.errors import BadInput, NotMeasurable
from calibration.geometry.camera import N_LENS, PARAMETERS, Camera
from calibration.geometry.lens_models import lens_model
from calibration.geometry.rigid import Rigid
from calibration.provenance import Provenance
from calibration.start import start_lens, start_poses
from calibration.view_choice import coverage, place_of, sharp_views, spread_choice, want_variety
from calibration.views import BoardView

LENS_PARAMETERS = PARAMETERS[:N_LENS]

LEAST_VIEWS = 8  # 9 + 6 V unknowns; from about 8 tilted views on, the estimate stops depending on a single one
_BAD_VIEW_RATIO = 3.0  # a view's rms against the median view's
_FOLDS = 5
_CLEARLY_BETTER = 0.02  # a later model must lower the held-out error by 2 %, and by two standard errors
_EXACT_PX = 1e-6  # misses smaller than this are rounding and say nothing of a model
_TRIED = ("radial5", "fisheye4", "rational8")  # the usual lens first, the one with the most terms last
_BOW_NOTICED_M = 0.0005

_LOOSE_U: Mapping[str, tuple[float, ...]] = MappingProxyType(
    {
        "radial5": (np.inf, np.inf, np.inf, np.inf, 0.5),
        "rational8": (2.0, 2.0, np.inf, np.inf, 1.0, 2.0, 2.0, 1.0),
        "fisheye4": (np.inf, np.inf, 0.5, 0.5),
    }
)
"""Standard deviation of each term around 0 before any data: keeps the high powers finite where corners stay
unseen, and the rational model's two polynomials apart where one would do."""


def loose_prior(model: str) -> LensPrior:
    """What is known of a lens before any data."""
    diagonal = np.zeros(N_LENS)
    terms = np.array(_LOOSE_U[model])
    diagonal[4 : 4 + len(terms)] = 1 / terms**2
    return LensPrior(np.zeros(N_LENS), np.diag(diagonal))


@dataclass(frozen=True, slots=True, eq=False)
class LensCalibration:
    """One camera's lens.

    size_px      (width, height) that the parameters belong to
    K_px, distortion, model  as in Camera
    covariance   (12, 12) of LENS_PARAMETERS
    rms_px       of all residuals' length; view_rms_px (V,) per view used
    coverage     share of the picture (of 12 x 8 fields) in which at least one corner was seen
    flags        plain sentences about what limits this calibration; empty if nothing does
    provenance   what made it; None while it is only in memory
    held_out_px  per model tried, the rms length by which corners of views that took no part are missed
    bow_m        (2,) bow heights of the board along columns and rows, with bow_u_m
    views        those that the estimate rests on; the rig's fit uses them again. () for a lens from elsewhere
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
    held_out_px: Mapping[str, float] = field(default_factory=dict)
    bow_m: Array = field(default_factory=lambda: np.zeros(2))
    bow_u_m: Array = field(default_factory=lambda: np.zeros(2))
    views: tuple[BoardView, ...] = ()

    def __post_init__(self) -> None:
        name = f"lens of {self.camera}"
        for key, shape in (
            ("K_px", (3, 3)), ("covariance", (N_LENS, N_LENS)), ("view_rms_px", (None,)), ("bow_m", (2,)),
            ("bow_u_m", (2,)), ("distortion", (len(lens_model(self.model).terms),)),
        ):  # fmt: skip
            object.__setattr__(self, key, checked(getattr(self, key), shape, f"{name}: {key}"))
        object.__setattr__(self, "held_out_px", MappingProxyType(dict(self.held_out_px)))
        self.as_camera()

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
    camera: str, views: Sequence[BoardView], board: Board, size_px: tuple[int, int], where: str,
    model: str | None = None,
) -> LensCalibration:  # fmt: skip
    """The lens from board views (those of one camera, at one size).

    Blurred views are left out and up to 40 chosen that cover the picture, the distances and the tilts; the
    choice and the result depend only on the input. model: one of LENS_MODELS; None: the one that predicts
    left-out views best, the simplest unless another is clearly better. where: the footage, for messages.
    Raises BadInput with too few views or a board that stays at one place, NotMeasurable where the views do not
    fix the lens.
    """
    sharp = sharp_views(views)
    if len(sharp) < LEAST_VIEWS:
        blurred = len(views) - len(sharp)
        raise BadInput(
            f"{where}: found {len(sharp)} usable views of the board ({blurred} more were blurred), "
            f"want at least {LEAST_VIEWS}; move the board slowly and let it fill different parts of the picture"
        )
    chosen = [sharp[i] for i in spread_choice(np.array([place_of(v, board, size_px) for v in sharp]))]
    want_variety(np.array([place_of(v, board, size_px) for v in chosen]), where)
    fits = {}
    for name in _TRIED if model is None else (model,):
        try:
            fits[name] = _Fit.of(name, camera, chosen, board, size_px)
        except NotMeasurable:
            if name == (model or _TRIED[0]):
                raise
    best = _best(fits)
    return fits[best].record(len(views), where, {name: fit.held_out_px for name, fit in fits.items()})


def _best(fits: Mapping[str, _Fit]) -> str:
    """The first model, unless a later one predicts left-out views clearly better."""
    names = list(fits)
    best = names[0]
    for name in names[1:]:
        common = sorted(fits[best].held_out.keys() & fits[name].held_out.keys())
        # logarithms, so that a few views in the corners, which may be far off, do not decide alone
        gain = np.array([np.log(fits[best].held_out[k] / fits[name].held_out[k]) / 2 for k in common])
        error = float(gain.std(ddof=1)) / np.sqrt(len(gain)) if len(gain) > 1 else np.inf
        if gain.mean() > max(_CLEARLY_BETTER, 2 * error):
            best = name
    return best


@dataclass(frozen=True, slots=True, eq=False)
class _Fit:
    """One model fitted. held_out: per view index its mean squared miss (px²) where it took no part."""

    views: tuple[BoardView, ...]
    board: Board
    solution: BundleSolution
    dropped: int
    held_out: Mapping[int, float]

    @classmethod
    def of(
        cls, model: str, camera: str, views: Sequence[BoardView], board: Board, size_px: tuple[int, int]
    ) -> _Fit:
        """Closed-form start, joint fit, views that do not fit left out, fit again, then the held-out error."""
        seen = [BoardSeen(0, i, v.corners_px, v.ids) for i, v in enumerate(views)]
        start = start_lens(camera, size_px, model, seen, board.points_m())
        R, t = start_poses(start, seen, board.points_m())
        boards = [Rigid(R[i], t[i], "rig", "board") for i in range(len(views))]
        solution = _solve(seen, board, start, boards)
        rms = view_rms(solution)
        good = rms <= _BAD_VIEW_RATIO * np.median(rms)
        dropped = int((~good).sum())
        kept = list(views)
        if dropped and good.sum() >= LEAST_VIEWS:
            kept = [v for v, ok in zip(views, good, strict=True) if ok]
            seen = [BoardSeen(0, i, v.corners_px, v.ids) for i, v in enumerate(kept)]
            boards = [b for b, ok in zip(solution.world_from_board, good, strict=True) if ok]
            solution = _solve(seen, board, solution.cameras[0], boards)
        return cls(tuple(kept), board, solution, dropped, _held_out(seen, kept, board, solution))

    @property
    def held_out_px(self) -> float:
        """rms length over all left-out views."""
        return float(np.sqrt(np.mean(list(self.held_out.values()))))

    def record(self, found: int, where: str, held_out_px: Mapping[str, float]) -> LensCalibration:
        """The calibration with its flags."""
        solution = self.solution
        fitted = solution.cameras[0]
        covariance = solution.covariance[:N_LENS, :N_LENS]
        u_focal = float(np.sqrt(covariance[0, 0])) / fitted.K_px[0, 0]
        if u_focal > 0.02:
            raise NotMeasurable(
                f"{where}: the focal length stays uncertain by {100 * u_focal:.0f} %; "
                "tilt the board more (30 to 45 degrees, in different directions)"
            )
        covered = coverage([v.corners_px for v in self.views], fitted.size_px)
        rms = view_rms(solution)
        total = float(np.sqrt((rms**2).mean()))
        flags = []
        if covered < 0.6:
            flags.append(
                f"the board reached only {100 * covered:.0f} % of the picture; the lens is extrapolated beyond"
            )
        if total > 1.0:
            flags.append(f"corners fit the lens to {total:.2f} px only; up to 1 px is usual")
        if self.dropped:
            flags.append(f"{self.dropped} board views did not fit the others and were left out")
        u = np.sqrt(np.diag(solution.bow_covariance))
        flags += bow_flags(solution.bow_m, u)
        return LensCalibration(
            fitted.name, fitted.size_px, fitted.K_px, fitted.distortion, covariance, total, rms, found, covered,
            tuple(flags), None, fitted.model, held_out_px, solution.bow_m, u, self.views,
        )  # fmt: skip


def bow_flags(bow_m: Array, u_m: Array) -> list[str]:
    """A sentence where the board is bowed beyond doubt and by half a millimetre or more."""
    sides = [
        f"{1e3 * abs(b):.1f} mm along its {name}"
        for b, u, name in zip(bow_m, u_m, ("columns", "rows"), strict=True)
        if abs(b) > max(_BOW_NOTICED_M, 4 * u)
    ]
    return [f"the board is bowed by {' and '.join(sides)}; this is allowed for"] if sides else []


def _solve(seen: Sequence[BoardSeen], board: Board, start: Camera, boards: Sequence[Rigid]) -> BundleSolution:
    prior = loose_prior(start.model)
    problem = BundleProblem(
        board.points_m(), tuple(seen), (prior,), frozenset({0}), bow_u_m=board.flat_u_m or None
    )
    return solve_bundle(problem, (start,), boards)


def _held_out(
    seen: Sequence[BoardSeen], views: Sequence[BoardView], board: Board, solution: BundleSolution
) -> dict[int, float]:
    """Per view (index in its footage) the mean squared length by which a fit without it misses its corners.

    The pose of a left-out view comes from every other corner of it, the miss from the rest.
    """
    out: dict[int, float] = {}
    boards, camera = solution.world_from_board, solution.cameras[0]
    for fold in range(_FOLDS):
        rest = [s for i, s in enumerate(seen) if i % _FOLDS != fold]
        fitted = _solve(rest, board, camera, boards)
        x = bent_points(board.points_m(), fitted.bow_m)
        for i in range(fold, len(seen), _FOLDS):
            half = np.arange(len(seen[i].uv_px)) % 2 == 0
            part = BoardSeen(0, 0, seen[i].uv_px[half], views[i].ids[half])
            pose = pose_of_board(fitted, (part,), boards[i], board)
            predicted = fitted.cameras[0].project(pose.apply(x[views[i].ids[~half]]))
            miss = seen[i].uv_px[~half] - predicted
            out[views[i].index] = max(float((miss**2).sum(axis=1).mean()), _EXACT_PX**2)
    return out


def pose_of_board(fitted: BundleSolution, seen: Sequence[BoardSeen], start: Rigid, board: Board) -> Rigid:
    """world_from_board of one board (index 0) seen by cameras that are held, with its bow, as fitted before."""
    held = tuple(LensPrior(c.lens_vector(), np.eye(N_LENS) * 1e18) for c in fitted.cameras)
    every = frozenset(range(len(held)))
    problem = BundleProblem(board.points_m(), tuple(seen), held, every, bow_m=fitted.bow_m)
    options = SolveOptions(sigma_px=fitted.sigma_px)
    return solve_bundle(problem, fitted.cameras, [start], options).world_from_board[0]


def view_rms(solution: BundleSolution) -> Array:
    """rms length of each observation's residuals, px."""
    return np.array([float(np.sqrt((r**2).sum(axis=1).mean())) for r in solution.residuals_px])
