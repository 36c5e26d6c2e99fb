"""Takes out of the pixels what the detector gets wrong in such a posture, seen so."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration.checks import Array
from calibration.geometry import Camera
from recon.detector_study import DetectorStudy, Foretold, LeftError, ViewStudy, apparent_height_px
from recon.joints.postures import postures
from recon.records import BODY, CameraTracks, Clock, Clocks, Motion, Tracks2D
from recon.segments import Points, body_scale_m

_UNLIKE = 0.5  # a posture that is known less than that is unlike those of the study


@dataclass(frozen=True, slots=True, eq=False)
class TakenOut:
    """What was done to the pixels.

    middle_px  typical length of what was taken out
    unlike     share of pictures whose posture is unlike the study's, so that little was
    surer      camera -> (T, 27) by what factor, up to 1, sigma changes once it is told by each posture
    """

    middle_px: float
    unlike: float
    surer: Mapping[str, Array]

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
    moved, lengths, known, surer = [], [], [], {}
    for camera in cameras:
        seen = tracks.of(camera.name)
        found = _foretold(camera, seen, clocks.of(camera.name), motion, points, scale, study.views)
        if found is None:
            return None
        height_px = apparent_height_px(seen.uv_px[:, : len(BODY)])
        moved.append(_moved(seen, found, height_px, study.views))
        surer[camera.name] = _surer(found, study.views)
        lengths.append(height_px * np.linalg.norm(found.errors, axis=2).ravel())
        known.append(found.known)
    by_name = {c.camera: c for c in moved}
    noise = tuple(
        study.views.pixels[name.split("_")[-1]].shape if name in BODY else shape
        for name, shape in zip(tracks.keypoints, tracks.noise, strict=True)
    )
    corrected = replace(tracks, cameras=tuple(by_name.get(c.camera, c) for c in tracks.cameras), noise=noise)
    unlike = float(np.mean(np.concatenate(known) < _UNLIKE))
    return corrected, TakenOut(float(np.median(np.concatenate(lengths))), unlike, surer)


def sized_by_posture(tracks: Tracks2D, taken_out: TakenOut) -> Tracks2D:
    """Tracks after `without_view_errors` with sigmas smaller in postures in which the study's errors were
    smaller: a view that sees an arm well counts for more.

    Not before exchanged sides are put back: a posture whose sides are exchanged is none.
    """
    cameras = []
    for seen in tracks.cameras:
        sigma = seen.sigma_px.copy()
        if seen.camera in taken_out.surer:
            sigma[:, : len(BODY)] *= taken_out.surer[seen.camera]
        cameras.append(replace(seen, sigma_px=sigma))
    return replace(tracks, cameras=tuple(cameras))


def _foretold(
    camera: Camera, seen: CameraTracks, clock: Clock, motion: Motion, points: Points, scale_m: float,
    views: ViewStudy,
) -> Foretold | None:  # fmt: skip
    """What a camera's pictures bring; None where a point of the posture was never seen."""
    over_time = postures(camera, points, scale_m).reshape(len(motion.t_s), -1)
    sound = np.isfinite(over_time)
    if not sound.any(axis=0).all():
        return None
    t = np.asarray(clock.rig_time(seen.t_cam_s))
    columns = [
        np.interp(t, motion.t_s[ok], column[ok]) for column, ok in zip(over_time.T, sound.T, strict=True)
    ]
    return views.errors.of(np.stack(columns, axis=1).reshape(len(t), -1, 3))


def _moved(seen: CameraTracks, found: Foretold, height_px: float, views: ViewStudy) -> CameraTracks:
    uv, sigma = seen.uv_px.copy(), seen.sigma_px.copy()
    body = slice(0, len(BODY))
    uv[:, body] -= height_px * found.errors
    sigma[:, body] *= _left(found.known, np.array([own.share for own in _of_each_point(views)]))
    return replace(seen, uv_px=uv, sigma_px=sigma)


def _surer(found: Foretold, views: ViewStudy) -> Array:
    """(T, 27) sigma told by each posture, over that of all postures together; no more than 1.

    Where two views are wrong in the same way the third must keep its say, however badly it sees such a posture.
    """
    share, by_posture = (
        np.array([getattr(own, field) for own in _of_each_point(views)]) for field in ("share", "by_posture")
    )
    told = _left(found.known, by_posture * found.larger) / _left(found.known, share)
    return np.asarray(np.minimum(told, 1.0))


def _left(known: Array, share: Array) -> Array:
    """(T, 27) what is left of sigma as detected, the less the less a posture (T,) is known."""
    return np.asarray(np.sqrt(known[:, None] * share**2 + (1 - known[:, None])))


def _of_each_point(views: ViewStudy) -> list[LeftError]:
    return [views.pixels[name.split("_")[-1]] for name in BODY]
