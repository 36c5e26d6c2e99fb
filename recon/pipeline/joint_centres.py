"""From a session's pixels to the motion of its joints: whether it is corrected, what is left, and the note."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from calibration.geometry import Camera
from recon.detector_study import DetectorStudy, study_of
from recon.instants import points_at_instants
from recon.joints import TakenOut, sized_by_posture, to_joint_centres, without_view_errors
from recon.motion import (
    MotionSupport,
    Unbelieved,
    Unheld,
    fit_motion,
    without_strays,
    without_unbelieved,
    without_unheld,
)
from recon.pipeline.options import PipelineOptions
from recon.records import Clocks, Motion, Points3D, Tracks2D
from recon.session import Session
from recon.swaps import Exchange, finer_groups, repair_swaps
from recon.uncertainty import UNKNOWN_OFFSET_M, ErrorModel


@dataclass(frozen=True, slots=True, eq=False)
class BodyFit:
    """One motion of detected points, nothing moved onto joint centres yet.

    tracks      that it was fitted to, and points their single instants
    exchanges   left and right put back in the pixels without view errors
    unbelieved  joints and racket points left out where they contradict the lengths of bones and racket
    taken_out   what was taken out of the pixels, where that was wanted and could be
    unheld      points taken for the racket that no hand holds, left out throughout
    """

    tracks: Tracks2D
    points: Points3D
    motion: Motion
    support: MotionSupport
    exchanges: tuple[Exchange, ...] = ()
    unbelieved: tuple[Unbelieved, ...] = ()
    taken_out: TakenOut | None = None
    unheld: tuple[Unheld, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class JointMotion:
    """The motion of the joints, how it was come by, what is left of the offsets from them, and a sentence for
    provenance and report.
    """

    fit: BodyFit
    motion: Motion
    model: ErrorModel
    told: str


def fit_joints(
    session: Session, cameras: Sequence[Camera], tracks: Tracks2D, clocks: Clocks, options: PipelineOptions
) -> JointMotion:
    """The motion of a session's tracks, on joint centres where that is wanted and known.

    Only points of the program's own detector are moved: its study says nothing about others. Own keypoints
    count as such where the session says so (keypoints_mode).
    """
    mode = detector_mode(session, options)
    if mode is None or not options.joint_centres:
        why = (
            "own keypoints are used where they are: what found them is not said"
            if mode is None
            else "detected points are used where they are: the correction was switched off"
        )
        fit = fit_body(cameras, tracks, clocks)
        return JointMotion(fit, fit.motion, ErrorModel(joint_offset_m=UNKNOWN_OFFSET_M), why)
    study = study_of(mode)
    fit = fit_body(cameras, tracks, clocks, study)
    motion, centres = to_joint_centres(fit.motion, study.without_view_errors() if fit.taken_out else study)
    told = [fit.taken_out.sentence()] if fit.taken_out else []
    model = ErrorModel(joint_draws=centres.draws)
    return JointMotion(fit, motion, model, "; ".join([*told, centres.sentence()]))


def fit_body(
    cameras: Sequence[Camera], tracks: Tracks2D, clocks: Clocks, study: DetectorStudy | None = None
) -> BodyFit:
    """The motion of all points, fitted again without what contradicts lengths, and without the view errors of a
    study where one is given: these need a posture, which the fit before gives.
    """
    points, motion, support = _fit(cameras, tracks, clocks)
    tracks, joints = without_unbelieved(cameras, tracks, clocks, motion)
    tracks, unheld = without_unheld(tracks, motion)
    tracks, strays = without_strays(tracks, clocks, motion)
    unbelieved = (*joints, *strays)
    if unbelieved or unheld:
        points = points_at_instants(cameras, tracks, clocks)
        changed = {u.point for u in unbelieved} | {u.point for u in unheld}
        motion, support = fit_motion(cameras, tracks, clocks, points, before=(motion, support), changed=changed)
    cleaned = without_view_errors(cameras, tracks, clocks, motion, study) if study else None
    if cleaned is None:
        return BodyFit(tracks, points, motion, support, unbelieved=unbelieved, unheld=unheld)
    tracks, exchanges = repair_swaps(cameras, cleaned[0], clocks, groups=finer_groups(len(cameras)))
    tracks = sized_by_posture(tracks, cleaned[1])
    return BodyFit(tracks, *_fit(cameras, tracks, clocks), exchanges, unbelieved, cleaned[1], unheld)


def _fit(cameras: Sequence[Camera], tracks: Tracks2D, clocks: Clocks) -> tuple[Points3D, Motion, MotionSupport]:
    points = points_at_instants(cameras, tracks, clocks)
    return points, *fit_motion(cameras, tracks, clocks, points)


def detector_mode(session: Session, options: PipelineOptions) -> str | None:
    """Mode of the study that a session's body points belong to; None where another source found them."""
    return options.mode if session.file.keypoints is None else session.file.keypoints_mode
