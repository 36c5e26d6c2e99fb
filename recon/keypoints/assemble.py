"""Gives detected body points their uncertainty and joins the cameras' clips into one record."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np

from calibration.errors import NotMeasurable
from recon.keypoints.follow import ClipTracks
from recon.records import BODY, KEYPOINTS, CameraTracks, Tracks2D

SIGMA_OF_HEIGHT: Mapping[str, float] = MappingProxyType(
    {
        "nose": 0.006, "eye": 0.006, "ear": 0.006, "shoulder": 0.012, "elbow": 0.015, "wrist": 0.012,
        "thumb": 0.018, "index": 0.018, "pinky": 0.018, "hip": 0.007, "knee": 0.009, "ankle": 0.005,
        "heel": 0.010, "toe": 0.016,
    }
)  # fmt: skip
"""Pixel error per axis of a detected point as a share of the player's height in the picture.

Measured on a rendered player 331 px tall whose joints are known, heavy model on a person window: ankle 1.4 px,
ear 1.8, hip 2.1, knee 3.2, wrist 4.0, shoulder 4.0, elbow 5.2. Face and hand points were not measured then and
take rounded-up neighbours. Heel and toe: from the demo's first serve (3D errors of 27–43 and 42–84 mm).
"""

_HIDDEN_BELOW = 0.3  # the model's own visibility; measured: 9.8 px below it against 2.3–3.4 px above
HIDDEN_FACTOR = 3.0


def tracks_from_clips(clips: Mapping[str, tuple[tuple[int, int], ClipTracks]], source: str) -> Tracks2D:
    """Tracks of all cameras. clips: camera name -> (size_px, what was seen).

    Raises NotMeasurable where a camera's clip shows no person in at least a tenth of its frames.
    """
    cameras = []
    for name, (size, clip) in clips.items():
        body = clip.uv_px[:, : len(BODY)]
        seen = np.asarray(~np.isnan(body[..., 0]).any(axis=1))
        if seen.mean() < 0.1:
            raise NotMeasurable(
                f"camera {name}: no person found in {1 - seen.mean():.0%} of {len(body)} frames; "
                "is the player whole in the picture and lit?"
            )
        height = float(np.median(np.ptp(body[seen][..., 1], axis=1)))
        share = np.array([SIGMA_OF_HEIGHT[part.split("_")[-1]] for part in BODY])
        sigma = np.where(clip.visibility < _HIDDEN_BELOW, HIDDEN_FACTOR, 1.0) * share * height
        sigma = np.where(np.isnan(body[..., 0]), np.nan, sigma)
        both = np.concatenate([sigma, clip.marker_sigma_px], axis=1)
        cameras.append(CameraTracks(name, size, clip.t_cam_s, clip.uv_px, both))
    return Tracks2D(KEYPOINTS, tuple(cameras), source)
