"""Whether a session's body points are moved onto joint centres, what is left of their offsets, and the note."""

from __future__ import annotations

from recon.detector_study import study_of
from recon.joints import to_joint_centres
from recon.pipeline.options import PipelineOptions
from recon.records import Motion
from recon.session import Session
from recon.uncertainty import UNKNOWN_OFFSET_M, ErrorModel


def joint_centres(session: Session, motion: Motion, options: PipelineOptions) -> tuple[Motion, ErrorModel, str]:
    """The motion, moved or not; the error model that goes with it; and a sentence for provenance and report.

    Only points of the program's own detector are moved: its study says nothing about others. Own keypoints
    count as such where the session says so (keypoints_mode).
    """
    mode = detector_mode(session, options)
    as_found = ErrorModel(joint_offset_m=UNKNOWN_OFFSET_M)
    if mode is None:
        return motion, as_found, "own keypoints are used where they are: what found them is not said"
    if not options.joint_centres:
        return motion, as_found, "detected points are used where they are: the correction was switched off"
    moved, centres = to_joint_centres(motion, study_of(mode))
    return moved, ErrorModel(joint_draws=centres.draws), centres.sentence()


def detector_mode(session: Session, options: PipelineOptions) -> str | None:
    """Mode of the study that a session's body points belong to; None where another source found them."""
    return options.mode if session.file.keypoints is None else session.file.keypoints_mode
