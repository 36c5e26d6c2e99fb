"""How far the measured motion of a held-out athlete lies from the true joints."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from benchmarks.keypoint_study.chain import at, motion_of, tracks_of
from benchmarks.keypoint_study.detect import detect
from benchmarks.keypoint_study.footage import read_truth
from calibration.checks import Array
from calibration.geometry.camera import N_CAMERA
from demo_rigs.cast import Take
from recon.body import Body, elbow_angle_rad, foot_yaw_rad, knee_flexion_rad
from recon.detector_study import study_of
from recon.instants import points_at_instants
from recon.joints import to_joint_centres
from recon.keypoints import without_person
from recon.motion import hold_lengths, hold_planted
from recon.records import BODY, Motion, Tracks2D
from recon.sync import estimate_clocks, refine_clocks
from recon.uncertainty import ErrorModel, covariance_of, displacements

LIMBS = ("shoulder", "elbow", "wrist", "hip", "knee", "ankle")
_FLAT_M = 0.004  # a foot point this near to its lowest height stands


@dataclass(frozen=True, kw_only=True, slots=True)
class Way:
    """How a take is measured.

    cameras    how many of the three, the first ones
    weights    each point's own sigma, or the same for all
    corrected  points moved onto joint centres
    views      before that, view errors taken out of the pixels
    """

    cameras: int = 3
    weights: bool = True
    corrected: bool = True
    views: bool = True


@dataclass(frozen=True, slots=True, eq=False)
class Accuracy:
    """One take measured in one way.

    miss_m (T, 27) distance from the true point, NaN where the motion has none; in_u (T, 27, 3) error per
    axis in standard uncertainties; angles_rad: name → error (T,); missed: share of pictures without a person.
    """

    athlete: str
    take: str
    miss_m: Array
    in_u: Array
    angles_rad: dict[str, Array]
    missed: float


def measure_take(work: Path, take: Take, mode: str, way: Way) -> Accuracy:
    """Runs the stages on a take's detections: clocks from the motion, points, motion, joint centres."""
    names = list(take.scene.cameras)[: way.cameras]
    seen = {c: detect(work, take, c, mode) for c in names}
    missed = float(np.mean([without_person(s.uv_px).mean() for s in seen.values()]))
    tracks = tracks_of(take, seen, mode)
    if not way.weights:
        tracks = _even(tracks)
    cameras = [take.scene.cameras[c] for c in names]
    clocks = estimate_clocks(cameras, tracks)
    clocks = refine_clocks(cameras, tracks, clocks, points_at_instants(cameras, tracks, clocks))
    study, views = study_of(mode), way.corrected and way.views
    found = motion_of(take, tracks, clocks, study if views else None)
    motion, model = found.motion, ErrorModel()
    if way.corrected:
        motion, centres = to_joint_centres(motion, study.without_view_errors() if views else study)
        model = ErrorModel(joint_draws=centres.draws)
    nothing = np.zeros((N_CAMERA * len(cameras),) * 2)
    held = hold_lengths(motion, found.support.covariance(), found.support.draws(model.draws, model.seed))
    held, _ = hold_planted(held)
    motion, pixels, support = held.motion, held.draws_m, found.support.sigma_px
    cov = covariance_of(displacements(motion, cameras, nothing, support, pixels, found.clocks, model))
    start = take.scene.serves[0].starts_s[found.clocks.reference]
    true = _true_points(work, take, motion.t_s + start)
    off = motion.xyz_m[:, : len(BODY)] - true
    u = np.sqrt(np.einsum("tpii->tpi", cov))[:, : len(BODY)]
    angles = _angle_errors(motion, true, take.scene.serves[0].athlete.handedness)
    return Accuracy(take.athlete, take.name, np.linalg.norm(off, axis=2), off / u, angles, missed)


def _even(tracks: Tracks2D) -> Tracks2D:
    """The same points, each with the same sigma: the middle one of its camera."""
    cameras = []
    for c in tracks.cameras:
        sigma = np.where(np.isnan(c.sigma_px), np.nan, np.nanmedian(c.sigma_px[:, : len(BODY)]))
        cameras.append(replace(c, sigma_px=sigma))
    return replace(tracks, cameras=tuple(cameras))


def _true_points(work: Path, take: Take, t_s: Array) -> Array:
    t, names, xyz = read_truth(work, take)
    return at(t, xyz[:, [names.index(n) for n in BODY]], t_s)


def _angle_errors(motion: Motion, true: Array, handedness: str) -> dict[str, Array]:
    """Errors (T,) of knees, hitting elbow, and the front foot's yaw while it stands."""
    seen = Body(motion.t_s, BODY, motion.xyz_m[:, : len(BODY)], np.zeros_like(true), handedness)
    real = Body(motion.t_s, BODY, true, np.zeros_like(true), handedness)
    yaw = np.angle(np.exp(1j * (foot_yaw_rad(seen, "front") - foot_yaw_rad(real, "front"))))
    knees = [knee_flexion_rad(seen, leg) - knee_flexion_rad(real, leg) for leg in ("front", "back")]
    return {
        "knee": np.concatenate(knees),
        "elbow": elbow_angle_rad(seen) - elbow_angle_rad(real),
        "front foot": yaw[_standing(real)],
    }


def _standing(real: Body) -> Array:
    """Samples at which heel and toe of the front foot are both down."""
    heights = [real.point(f"front_{part}")[:, 2] for part in ("heel", "toe")]
    return np.asarray(np.all([z < z.min() + _FLAT_M for z in heights], axis=0))


def limb_misses(found: Sequence[Accuracy], parts: Sequence[str] = LIMBS) -> Array:
    """All distances (n,) of some parts, left and right, metres; NaN where there was no point."""
    columns = [i for i, name in enumerate(BODY) if name.split("_")[-1] in parts]
    return np.concatenate([a.miss_m[:, columns].ravel() for a in found])
