"""Gives detected body points their uncertainty and joins the cameras' clips into one record."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.errors import NotMeasurable
from recon.detector_study import PARTS, USUAL_MODE, DetectorStudy, apparent_height_px, study_of
from recon.keypoints.follow import ClipTracks
from recon.records import BODY, EDGES, KEYPOINTS, SOUGHT, CameraTracks, Tracks2D, usual_noise

SIGMA_OF_HEIGHT: Mapping[str, float] = MappingProxyType(
    {part: study_of(USUAL_MODE).left_base(part) for part in PARTS}
)
"""Pixel error per axis of a fully visible detected point, as a share of the player's height in the picture, in
the usual mode, once its view errors are taken out: what the detector study measured."""

HIDDEN_FACTOR = float(np.median([np.sqrt(1 + e.hidden) for e in study_of(USUAL_MODE).pixels.values()]))
"""How many times larger it is where a point is hidden: the middle of all parts."""


class NobodySeen(NotMeasurable):
    """One camera's clip shows no person; camera: its name."""

    def __init__(self, camera: str, message: str) -> None:
        super().__init__(message)
        self.camera = camera


def tracks_from_clips(
    clips: Mapping[str, tuple[tuple[int, int], ClipTracks]], source: str, mode: str = USUAL_MODE
) -> Tracks2D:
    """Tracks of all cameras. clips: camera name -> (size_px, what was seen); mode: of the detector study.

    Raises NobodySeen where a camera's clip shows no person in at least a tenth of its frames.
    """
    study = study_of(mode)
    cameras = []
    for name, (size, clip) in clips.items():
        body = clip.uv_px[:, : len(BODY)]
        absent = float(without_person(body).mean())
        if absent > 0.9:
            raise NobodySeen(
                name,
                f"camera {name}: no person found in {absent:.0%} of {len(body)} frames; "
                "is the player whole in the picture and lit?",
            )
        height = apparent_height_px(body)
        sigma = height * _share(study, clip, height)
        sigma = np.where(np.isnan(body[..., 0]), np.nan, sigma)
        both = np.concatenate([sigma, clip.marker_sigma_px], axis=1)
        cameras.append(CameraTracks(name, size, clip.t_cam_s, clip.uv_px, both))
    noise = tuple(study.shape(name) if name in BODY else usual_noise(name) for name in SOUGHT)
    return without_unseen_edges(Tracks2D(SOUGHT, tuple(cameras), source, noise))


def without_unseen_edges(tracks: Tracks2D) -> Tracks2D:
    """Tracks of all that is sought, of KEYPOINTS alone where no camera ever saw a head edge."""
    first, count = tracks.index(EDGES[0]), len(KEYPOINTS)
    if any(not np.isnan(c.sigma_px[:, first:]).all() for c in tracks.cameras):
        return tracks
    cameras = tuple(
        CameraTracks(c.camera, c.size_px, c.t_cam_s, c.uv_px[:, :count], c.sigma_px[:, :count])
        for c in tracks.cameras
    )
    return Tracks2D(tracks.keypoints[:count], cameras, tracks.source, tracks.noise[:count])


def _share(study: DetectorStudy, clip: ClipTracks, height_px: float) -> Array:
    """(T, 27) sigma of the body points as shares of the player's height."""
    errors = [study.pixels[name.split("_")[-1]] for name in BODY]
    spread = clip.spread_px / height_px
    return np.stack([e.sigma(clip.visibility[:, p], spread[:, p]) for p, e in enumerate(errors)], axis=1)


def without_person(body_uv_px: Array) -> NDArray[np.bool_]:
    """(T,) frames without the player, who was not seen around them either: two in a row may be passed over."""
    seen = ~np.isnan(body_uv_px[..., 0]).any(axis=1)
    return np.asarray(np.convolve(seen, np.ones(5), mode="same") == 0)
