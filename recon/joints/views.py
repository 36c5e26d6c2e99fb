"""Takes out of the pixels what the detector gets wrong in such a posture, seen so."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.checks import Array
from calibration.geometry import Camera
from recon.detector_study import DetectorStudy, ViewStudy, apparent_height_px
from recon.joints.postures import postures
from recon.records import BODY, CameraTracks, Clock, Clocks, Motion, Tracks2D
from recon.segments import Points, body_scale_m

_UNLIKE = 0.5  # a posture that is known less than that is unlike those of the study


@dataclass(frozen=True, slots=True)
class TakenOut:
    """What was done to the pixels.

    middle_px  typical length of what was taken out
    unlike     share of pictures whose posture is unlike the study's, so that little was
    """

    middle_px: float
    unlike: float

    def sentence(self) -> str:
        """For provenance and report."""
        return (
            f"errors that such postures bring taken out of the pixels, {self.middle_px:.1f} px in the middle; "
            f"{100 * self.unlike:.0f} % of the pictures show postures unlike the study's, and keep most of them"
        )


def without_view_errors(
    cameras: Sequence[Camera], tracks: Tracks2D, clocks: Clocks, motion: Motion, study: DetectorStudy
) -> tuple[Tracks2D, TakenOut] | None:
    """Body points moved in the pictures by the errors that the study found in such postures, and what was done.

    The posture comes from a first motion of the same tracks. Sigmas become those that are left; where a posture
    is unlike those of the study they stay, in the measure in which it is. The make-up of the noise, one for a
    whole clip, becomes that of what is left throughout. None where the study has no view errors, or a point of
    the posture was never seen. Racket and ball stay.
    Method: docs/uncertainty.md, Joint centres.
    """
    points = Points(motion.keypoints, motion.xyz_m)
    scale = body_scale_m(points)
    if study.views is None or np.isnan(scale):
        return None
    moved, lengths, known = [], [], []
    for camera in cameras:
        seen = tracks.of(camera.name)
        found = _errors(camera, seen, clocks.of(camera.name), motion, points, scale, study.views)
        if found is None:
            return None
        errors_px, sure = found
        moved.append(_moved(seen, errors_px, sure, study.views))
        lengths.append(np.linalg.norm(errors_px, axis=2).ravel())
        known.append(sure)
    by_name = {c.camera: c for c in moved}
    noise = tuple(
        study.views.pixels[name.split("_")[-1]].shape if name in BODY else shape
        for name, shape in zip(tracks.keypoints, tracks.noise, strict=True)
    )
    corrected = replace(tracks, cameras=tuple(by_name.get(c.camera, c) for c in tracks.cameras), noise=noise)
    unlike = float(np.mean(np.concatenate(known) < _UNLIKE))
    return corrected, TakenOut(float(np.median(np.concatenate(lengths))), unlike)


def _errors(
    camera: Camera, seen: CameraTracks, clock: Clock, motion: Motion, points: Points, scale_m: float,
    views: ViewStudy,
) -> tuple[Array, Array] | None:  # fmt: skip
    """Errors (T, 27, 2) in a camera's pictures, px, and how far they are known (T,)."""
    over_time = postures(camera, points, scale_m).reshape(len(motion.t_s), -1)
    sound = np.isfinite(over_time)
    if not sound.any(axis=0).all():
        return None
    t = np.asarray(clock.rig_time(seen.t_cam_s))
    columns = [
        np.interp(t, motion.t_s[ok], column[ok]) for column, ok in zip(over_time.T, sound.T, strict=True)
    ]
    errors, known = views.errors.of(np.stack(columns, axis=1).reshape(len(t), -1, 3))
    return errors * apparent_height_px(seen.uv_px[:, : len(BODY)]), known


def _moved(seen: CameraTracks, errors_px: Array, known: Array, views: ViewStudy) -> CameraTracks:
    uv, sigma = seen.uv_px.copy(), seen.sigma_px.copy()
    shares = np.array([views.pixels[name.split("_")[-1]].share for name in BODY])
    body = slice(0, len(BODY))
    uv[:, body] -= errors_px
    sigma[:, body] *= np.sqrt(known[:, None] * shares**2 + (1 - known[:, None]))
    return replace(seen, uv_px=uv, sigma_px=sigma)
