"""From a session's pixels to the motion of its joints: whether it is corrected, what is left, and the note."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from calibration.geometry import Camera
from recon.detector_study import study_of
from recon.instants import points_at_instants
from recon.joints import to_joint_centres, without_view_errors
from recon.motion import MotionSupport, Unbelieved, fit_motion, without_strays, without_unbelieved
from recon.pipeline.options import PipelineOptions
from recon.records import Clocks, Motion, Points3D, Tracks2D
from recon.session import Session
from recon.swaps import Exchange, finer_groups, repair_swaps
from recon.uncertainty import UNKNOWN_OFFSET_M, ErrorModel


@dataclass(frozen=True, slots=True, eq=False)
class JointMotion:
    """The motion of the joints, and how it was come by.

    points     per instant, of the pixels that the motion was fitted to
    model      what is left of the offsets from the joints
    exchanges  left and right put back in the pixels without view errors
    unbelieved joints and racket points left out where they contradict the lengths of bones and racket
    told       on joint centres, for provenance and report
    """

    points: Points3D
    motion: Motion
    support: MotionSupport
    model: ErrorModel
    exchanges: tuple[Exchange, ...]
    unbelieved: tuple[Unbelieved, ...]
    told: str


def fit_joints(
    session: Session, cameras: Sequence[Camera], tracks: Tracks2D, clocks: Clocks, options: PipelineOptions
) -> JointMotion:
    """The motion of a session's tracks, on joint centres where that is wanted and known.

    Only points of the program's own detector are moved: its study says nothing about others. Own keypoints
    count as such where the session says so (keypoints_mode). The study's view errors need a posture: a first
    fit gives it, and the pixels without them are fitted again.
    """
    points, motion, support = _fit(cameras, tracks, clocks)
    tracks, joints = without_unbelieved(cameras, tracks, clocks, motion)
    tracks, strays = without_strays(tracks, clocks, motion)
    unbelieved = (*joints, *strays)
    if unbelieved:
        points, motion, support = _fit(cameras, tracks, clocks)
    as_found = ErrorModel(joint_offset_m=UNKNOWN_OFFSET_M)
    plain = JointMotion(points, motion, support, as_found, (), unbelieved, "")
    mode = detector_mode(session, options)
    if mode is None:
        return replace(plain, told="own keypoints are used where they are: what found them is not said")
    if not options.joint_centres:
        return replace(plain, told="detected points are used where they are: the correction was switched off")
    study = study_of(mode)
    exchanges: tuple[Exchange, ...] = ()
    told: list[str] = []
    cleaned = without_view_errors(cameras, tracks, clocks, motion, study)
    if cleaned is not None:
        tracks, exchanges = repair_swaps(cameras, cleaned[0], clocks, groups=finer_groups(len(cameras)))
        points, motion, support = _fit(cameras, tracks, clocks)
        study, told = study.without_view_errors(), [cleaned[1].sentence()]
    motion, centres = to_joint_centres(motion, study)
    model = ErrorModel(joint_draws=centres.draws)
    told.append(centres.sentence())
    return JointMotion(points, motion, support, model, exchanges, unbelieved, "; ".join(told))


def _fit(cameras: Sequence[Camera], tracks: Tracks2D, clocks: Clocks) -> tuple[Points3D, Motion, MotionSupport]:
    points = points_at_instants(cameras, tracks, clocks)
    return points, *fit_motion(cameras, tracks, clocks, points)


def detector_mode(session: Session, options: PipelineOptions) -> str | None:
    """Mode of the study that a session's body points belong to; None where another source found them."""
    return options.mode if session.file.keypoints is None else session.file.keypoints_mode
