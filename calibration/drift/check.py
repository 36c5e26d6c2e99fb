"""Has a camera moved since it was registered? From one new picture, with its own uncertainty."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import fdtrc

from calibration.checks import Array
from calibration.court.registration import CourtOptions
from calibration.drift.coarse import coarse_motion
from calibration.drift.edges import WIDTH_U_M, edge_shifts
from calibration.drift.grey import smoothed
from calibration.drift.motion import MotionFit, fit_motion
from calibration.drift.patches import half_side_px, patch_shifts
from calibration.drift.places import choose_places
from calibration.drift.shifts import Shifts, no_motion
from calibration.errors import BadInput, NotMeasurable
from calibration.geometry.camera import Camera
from calibration.geometry.rigid import Rigid

Picture = NDArray[np.uint8]

_REACH_PX = (12.0, 6.0)  # search for line edges: before and after the first fit
_ROUNDS = 3
_WANTED_TURN_RAD, _WANTED_SHIFT_M = np.radians(1.0), 0.1  # pictures that would hide more than this tell nothing


@dataclass(frozen=True, kw_only=True, slots=True)
class DriftOptions:
    """When a camera counts as moved.

    alpha        chance that a camera that stands still is called moved, by its own covariance. Well below the
                 1 % that is aimed at, since the covariance itself is estimated: of 101 rendered still cameras
                 one came out below 0.001 and two below 0.005
    still_turn_rad, still_shift_m  what a camera that nobody touched may differ between two pictures (warmth in
                 stand and lens): 0.001 degree is a fiftieth of a pixel at f = 1000 px
    """

    alpha: float = 0.001
    still_turn_rad: float = 2e-5
    still_shift_m: float = 2e-4

    def __post_init__(self) -> None:
        if not 0 < self.alpha < 0.5:
            raise BadInput(f"alpha: want above 0 and below 0.5, got {self.alpha}")
        if min(self.still_turn_rad, self.still_shift_m) <= 0:
            raise BadInput(f"drift: want positive still_turn_rad and still_shift_m, got {self}")


@dataclass(frozen=True, slots=True)
class Evidence:
    """What one kind of thing told: places found again, how many agree with the motion, their scatter about
    it.
    """

    kind: str
    found: int
    agree: int
    rms_px: float


@dataclass(frozen=True, slots=True, eq=False)
class CameraCheck:
    """One camera's answer.

    moved        None where it cannot be told; `reason` then says why
    turn_rad     (3,) rotation vector of the camera in its own axes (x tilts, y pans, z rolls), new from
                 registered
    shift_m      (3,) way of its optical centre in the court frame
    covariance   (6, 6) of (turn_rad, shift_m), the registered camera's own uncertainty included
    p_still      chance that a camera that stands still looks as different as this one does
    turn_noticed_rad, shift_noticed_m  the smallest turn and shift, in the worst direction, that these pictures
                 would have shown with 95 % probability
    fit          the motion fit, for re-registering; None where there is none
    shifts       what the fit rests on
    """

    camera: str
    moved: bool | None
    turn_rad: Array
    shift_m: Array
    covariance: Array
    p_still: float
    turn_noticed_rad: float
    shift_noticed_m: float
    evidence: tuple[Evidence, ...] = ()
    with_reference: bool = True
    reason: str = ""
    fit: MotionFit | None = None
    shifts: tuple[Shifts, ...] = ()

    @property
    def turn_deg(self) -> float:
        """Size of the turn, degrees."""
        return float(np.degrees(np.linalg.norm(self.turn_rad)))

    @property
    def shift_mm(self) -> float:
        """Length of the shift, millimetres."""
        return 1e3 * float(np.linalg.norm(self.shift_m))

    def u_turn_deg(self) -> float:
        """Standard uncertainty of the turn, root of the summed variances of its three parts, degrees."""
        return float(np.degrees(np.sqrt(np.trace(self.covariance[:3, :3]))))

    def u_shift_mm(self) -> float:
        """Standard uncertainty of the shift, root of the summed variances of its three parts, millimetres."""
        return 1e3 * float(np.sqrt(np.trace(self.covariance[3:, 3:])))


def check_camera(
    camera: Camera,
    camera_covariance: Array,
    new: Picture,
    reference: Picture | None = None,
    options: DriftOptions | None = None,
    clicks: Sequence[Shifts] = (),
) -> CameraCheck:
    """Compares a new picture (H, W, 3) BGR with the reference picture, or with the court's lines alone.

    camera and camera_covariance (18, 18) are the registered ones, in the court frame. Never raises for what a
    picture shows: where it does not tell, `moved` is None with the reason. Raises BadInput for a picture of
    another size.
    """
    options = options or DriftOptions()
    for name, picture in (("new", new), ("reference", reference)):
        if picture is not None and (picture.shape[1], picture.shape[0]) != camera.size_px:
            raise BadInput(
                f"camera {camera.name}: {name} picture: want {camera.size_px[0]}x{camera.size_px[1]} px as "
                f"calibrated, got {picture.shape[1]}x{picture.shape[0]}"
            )
    try:
        fit, shifts = _fitted(camera, camera_covariance, new, reference, clicks)
    except NotMeasurable as error:
        blank = np.zeros(3)
        infinite = float("inf")
        return CameraCheck(
            camera.name, None, blank, blank, np.zeros((6, 6)), 1.0, infinite, infinite,
            with_reference=reference is not None, reason=str(error),
        )  # fmt: skip
    return _judged(camera, camera_covariance, fit, shifts, options, reference is not None)


def _fitted(
    camera: Camera, camera_covariance: Array, new: Picture, reference: Picture | None, clicks: Sequence[Shifts]
) -> tuple[MotionFit, tuple[Shifts, ...]]:
    """Measure, fit, measure again from where the fit puts things."""
    paint_u_m = CourtOptions().paint_u_m
    sharp = smoothed(new)
    if reference is None:
        motion, fit = no_motion(camera), None
        laid_u_m = float(np.hypot(paint_u_m, WIDTH_U_M))
        for reach in _REACH_PX:
            groups = (edge_shifts(camera, None, sharp, motion, reach), *clicks)
            fit = fit_motion(camera, camera_covariance, groups, motion, laid_u_m)
            motion = fit.motion
        assert fit is not None
        return fit, groups
    half = half_side_px(camera.size_px[0])
    sharp_reference = smoothed(reference)
    places = choose_places(camera, sharp_reference, half)
    motion = _rough(camera, camera_covariance, new, reference, clicks)
    fit = None
    for number in range(_ROUNDS):
        patches = patch_shifts(camera, places, sharp_reference, sharp, motion, half, 1.0 if number else 2.0)
        edges = edge_shifts(camera, sharp_reference, sharp, motion, _REACH_PX[min(number, 1)])
        groups = tuple(g for g in (*patches, edges, *clicks) if len(g))
        fit = fit_motion(camera, camera_covariance, groups, motion, paint_u_m)
        settled = (
            np.abs(fit.motion.t_m - motion.t_m).max() < 1e-4 and np.abs(fit.motion.R - motion.R).max() < 1e-5
        )
        motion = fit.motion
        if settled:
            break
    assert fit is not None
    return fit, groups


def _rough(
    camera: Camera, camera_covariance: Array, new: Picture, reference: Picture, clicks: Sequence[Shifts]
) -> Rigid:
    """The features' turn; from the clicks instead where a person gave some."""
    motion, _ = coarse_motion(camera, reference, new)
    if clicks:
        try:
            return fit_motion(camera, camera_covariance, clicks, motion, CourtOptions().paint_u_m).motion
        except NotMeasurable:  # too few to fix a motion alone: they still count in the fit
            return motion
    return motion


def _judged(
    camera: Camera, camera_covariance: Array, fit: MotionFit, shifts: tuple[Shifts, ...], options: DriftOptions,
    with_reference: bool,
) -> CameraCheck:  # fmt: skip
    """The verdict: Wald's statistic of (turn, shift) against F, whose second freedom counts the tiles."""
    covariance = fit.covariance(camera_covariance)
    covariance = covariance + np.diag([options.still_turn_rad**2] * 3 + [options.still_shift_m**2] * 3)
    step = np.concatenate([fit.motion.rotvec_rad(), fit.motion.t_m])
    information = _inverse(covariance)
    freedom = max(fit.tiles - 6, 3)
    p = float(fdtrc(6, freedom, float(step @ information @ step) / 6))
    # a non-central F this far out passes the threshold in 95 % of cases
    reach = _noncentrality(options.alpha, freedom)
    noticed_turn_rad = float(np.sqrt(reach / np.linalg.eigvalsh(information[:3, :3])[0]))
    noticed_shift_m = float(np.sqrt(reach / np.linalg.eigvalsh(information[3:, 3:])[0]))
    moved: bool | None = p < options.alpha
    reason = ""
    if not moved and (noticed_turn_rad > _WANTED_TURN_RAD or noticed_shift_m > _WANTED_SHIFT_M):
        moved = None
        reason = (
            f"too little was found again: a turn of {np.degrees(noticed_turn_rad):.1f} degrees or a shift of "
            f"{1e3 * noticed_shift_m:.0f} mm could go unseen"
        )
    to_court = _centre_from_motion(camera, fit)
    outer = to_court @ covariance @ to_court.T
    evidence = tuple(
        Evidence(g.kind, len(g), int(used.sum()), float(np.sqrt(np.mean(r[used] ** 2))) if used.any() else 0.0)
        for g, used, r in zip(shifts, fit.used, fit.residual_px, strict=True)
    )
    return CameraCheck(
        camera.name, moved, fit.motion.rotvec_rad(), _centre_shift(camera, fit), outer, p, noticed_turn_rad,
        noticed_shift_m, evidence, with_reference, reason, fit, shifts,
    )  # fmt: skip


def _inverse(covariance: Array) -> Array:
    d = 1 / np.sqrt(np.diag(covariance))
    return np.asarray(np.linalg.inv(covariance * np.outer(d, d)) * np.outer(d, d))


def _noncentrality(alpha: float, freedom: int) -> float:
    """λ for which a non-central F(6, freedom, λ) exceeds the alpha threshold with 95 % probability, by
    halving.
    """
    from scipy import stats  # imported here: it takes long to load (and special.ncfdtr fails at some large λ)

    threshold = stats.f.isf(alpha, 6, freedom)
    low, high = 1.0, 1e4
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (low, middle) if stats.ncf.sf(threshold, 6, freedom, middle) > 0.95 else (middle, high)
    return high


def _centre_shift(camera: Camera, fit: MotionFit) -> Array:
    """Way of the optical centre (3,) in the court: in the still frame it goes from 0 to −Rᵀ t."""
    return np.asarray(camera.cam_from_world.R.T @ (-fit.motion.R.T @ fit.motion.t_m))


def _centre_from_motion(camera: Camera, fit: MotionFit) -> Array:
    """(6, 6) derivative of (turn_rad, shift_m in the court) by the fit's (turn, shift), to first order."""
    turned = camera.cam_from_world.R.T @ fit.motion.R.T
    out = np.eye(6)
    out[3:, 3:] = -turned
    # −exp(−r) t and r both turn with the left step: d(−Rᵀ t) = −Rᵀ (dt − dr × t)
    out[3:, :3] = turned @ np.cross(np.eye(3), fit.motion.t_m).T
    return out
