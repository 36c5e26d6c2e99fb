"""Moves detected body points onto the joint centres they stand for."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calibration.checks import Array
from recon.detector_study import ADULT_M, DetectorStudy, JointOffset
from recon.records import BODY, Motion
from recon.segments import Points, body_scale_m, frame_pairs


@dataclass(frozen=True, slots=True, eq=False)
class JointCentres:
    """What was moved, and what is left.

    moved_m   (T, P, 3) joint minus detected point, zero where a point was left where it was
    roots_m   (T, P, 3, 3) A with A Aᵀ the covariance of what is left, lasting in the turning segments
    origin    where the correction comes from, in words
    left      points that could not be corrected because their segments were not seen
    """

    moved_m: Array
    roots_m: Array
    origin: str
    left: tuple[str, ...]

    def sentence(self) -> str:
        """For provenance and report."""
        distance = np.linalg.norm(self.moved_m, axis=2)
        middle = 1e3 * float(np.median(distance[distance > 0])) if distance.any() else 0.0
        lacking = f"; not corrected: {', '.join(self.left)}" if self.left else ""
        return (
            f"detected points moved onto joint centres by {middle:.0f} mm in the middle "
            f"(detector study: {self.origin}){lacking}"
        )

    def draws(self, count: int, rng: np.random.Generator) -> Array:
        """(K, T, P, 3) metres: one lasting offset per point and draw that turns with its segment."""
        offset = rng.standard_normal((count, self.roots_m.shape[1], 3))
        return np.asarray(np.einsum("tpij,kpj->ktpi", self.roots_m, offset))


def to_joint_centres(motion: Motion, study: DetectorStudy) -> tuple[Motion, JointCentres]:
    """The motion of the joints, and what was done.

    The offset is a share of the body's own size, set down in the frames of the two segments that meet at the
    point; both come from the motion itself, so no standing height is needed. Racket and ball stay. Where a
    frame is missing for a while, the offset runs on from its neighbours in time; where it is missing
    throughout, the point stays and is named. Method: docs/uncertainty.md, Joint centres.
    """
    points = Points(motion.keypoints, motion.xyz_m)
    scale = body_scale_m(points)
    moved = np.zeros(motion.xyz_m.shape)
    roots = np.zeros((*motion.xyz_m.shape, 3))
    left = []
    for p, name in enumerate(motion.keypoints):
        if name not in BODY or np.isnan(motion.xyz_m[:, p]).all():
            continue
        offset = study.joints[name.split("_")[-1]]
        frames = _bridged(motion.t_s, frame_pairs(points, name))
        if frames is None or np.isnan(scale):
            left.append(name)
            roots[:, p] = np.eye(3) * _whole(offset) * (ADULT_M if np.isnan(scale) else scale)
            continue
        moved[:, p] = -scale * (frames[0] @ offset.first + frames[1] @ offset.second)
        roots[:, p] = scale * frames[0] @ _root(offset.covariance)
    velocity = motion.velocity_m_s + np.gradient(moved, motion.t_s, axis=0)
    corrected = replace(motion, xyz_m=motion.xyz_m + moved, velocity_m_s=velocity)
    return corrected, JointCentres(moved, roots, study.origin, tuple(left))


def _bridged(t: Array, frames: tuple[Array, Array]) -> tuple[Array, Array] | None:
    """Both frames without gaps, None where one is never known."""
    out = []
    for frame in frames:
        known = np.isfinite(frame).all(axis=(1, 2))
        if not known.any():
            return None
        flat = frame.reshape(len(t), 9)
        filled = np.stack([np.interp(t, t[known], column[known]) for column in flat.T], axis=1)
        out.append(filled.reshape(-1, 3, 3))
    return out[0], out[1]


def _whole(offset: JointOffset) -> float:
    """Standard deviation per axis of an offset that is not corrected: its mean counts as well."""
    mean = float(np.linalg.norm(offset.first + offset.second))
    return float(np.hypot(mean, offset.left_over()) / np.sqrt(3))


def _root(covariance: Array) -> Array:
    values, vectors = np.linalg.eigh(covariance)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))
