"""How one picture of a scene lies against another one from the same place: by matched features of the
background.

A camera that stands where it stood maps the scene the same way; what can have changed is how the picture was
taken: zoomed, cropped, scaled, turned, mirrored. All of these are similarities of pixels, with or without a
mirror.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import cv2
import numpy as np

from calibration.checks import Array, flat
from calibration.footage import Image

_WIDTH_PX = 960  # pictures are compared at this width at most: quick, and fine enough for a scale of 1 in 1000
_FEATURES = 1500
_RATIO = 0.8  # Lowe DG (2004), Distinctive image features from scale-invariant keypoints, section 7.1
_INLIER_PX = 2.0  # at the compared size
_CONTRAST = 0.02  # half of OpenCV's default: bare walls and hard courts have few strong marks
_LEAST_INLIERS = 20  # pictures of rendered courts from other cameras, mirrored ones and noise reached 8 at most
_CORNERS = 300


@dataclass(frozen=True, slots=True, eq=False)
class Features:
    """Points (N, 2) px of a picture of size_px, and what they look like (N, 128)."""

    size_px: tuple[int, int]
    uv_px: Array
    looks: Array


@dataclass(frozen=True, slots=True, eq=False)
class Match:
    """frame = scale · turn · picture + shift_px, after mirroring the frame if mirrored.

    turn_rad        clockwise as seen in the picture (u right, v down)
    inliers         matched points that agree, of `matched`
    plane_inliers   the same under a homography: clearly more where the camera was turned or moved, since a turn
                    bends the picture as no similarity does
    """

    scale: float
    turn_rad: float
    shift_px: Array
    mirrored: bool
    inliers: int
    matched: int
    plane_inliers: int

    def of(self, uv_px: Array) -> Array:
        """Where a point (2,) of the picture lies in the (mirrored) frame."""
        c, s = self.scale * np.cos(self.turn_rad), self.scale * np.sin(self.turn_rad)
        return np.asarray(np.array([[c, -s], [s, c]]) @ uv_px + self.shift_px)


def features(image_bgr: Image) -> Features:
    """The picture's most marked points."""
    height, width = image_bgr.shape[:2]
    grey, scale = _small(image_bgr)
    points, looks = cv2.SIFT.create(nfeatures=_FEATURES, contrastThreshold=_CONTRAST).detectAndCompute(
        grey, None
    )
    uv = np.array([p.pt for p in points], dtype=float).reshape(-1, 2)
    empty = np.zeros((0, 128))
    return Features(
        (width, height), (uv + 0.5) / scale - 0.5, empty if looks is None else np.asarray(looks, dtype=float)
    )


def _small(image_bgr: Image) -> tuple[Image, float]:
    """A grey copy of at most _WIDTH_PX along the longer side, and its scale."""
    grey = cv2.cvtColor(image_bgr, cv2.COLOR_BGR2GRAY)
    scale = min(1.0, _WIDTH_PX / max(grey.shape))
    if scale < 1:
        grey = cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    return np.asarray(grey, dtype=np.uint8), scale


def match(picture: Features, frame: Features, *, mirrored: bool = False) -> Match | None:
    """The similarity that takes the picture to the frame, None where too few points agree on one.

    mirrored only marks the result: the caller hands in the features of the mirrored frame.
    """
    if min(len(picture.uv_px), len(frame.uv_px)) < 2:
        return None
    pairs = cv2.BFMatcher(cv2.NORM_L2).knnMatch(
        picture.looks.astype(np.float32), frame.looks.astype(np.float32), k=2
    )
    good = [a for a, b in (p for p in pairs if len(p) == 2) if a.distance < _RATIO * b.distance]
    if len(good) < _LEAST_INLIERS:
        return None
    a = picture.uv_px[[m.queryIdx for m in good]]
    b = frame.uv_px[[m.trainIdx for m in good]]
    return _similarity(a, b, max(frame.size_px) / _WIDTH_PX, mirrored)


def _similarity(a: Array, b: Array, px: float, mirrored: bool) -> Match | None:
    limit = _INLIER_PX * max(1.0, px)
    found, inlier = cv2.estimateAffinePartial2D(
        a, b, method=cv2.RANSAC, ransacReprojThreshold=limit, maxIters=5000, confidence=0.999
    )
    plane, plane_inlier = cv2.findHomography(a, b, cv2.RANSAC, limit, maxIters=5000, confidence=0.999)
    count = 0 if found is None else _witnesses(b[flat(inlier) > 0], limit)
    plane_count = count if plane is None else max(count, _witnesses(b[flat(plane_inlier) > 0], limit))
    if plane_count < _LEAST_INLIERS or found is None:
        return None
    if count < _LEAST_INLIERS:  # a turned camera: the similarity nearest to the homography's points
        found, _ = cv2.estimateAffinePartial2D(
            a[flat(plane_inlier) > 0], b[flat(plane_inlier) > 0], method=cv2.LMEDS
        )
    m = np.asarray(found, dtype=float)
    scale, turn = float(np.hypot(m[0, 0], m[1, 0])), float(np.arctan2(m[1, 0], m[0, 0]))
    return Match(scale, turn, m[:, 2], mirrored, count, len(a), plane_count)


def _witnesses(uv_px: Array, limit: float) -> int:
    """Points that stand apart: a place that many matches share (a logo, a net's mesh) is one witness, not
    many."""
    return len({tuple(p) for p in np.floor(uv_px / (4 * limit)).astype(int).tolist()})


def wander_px(images: Sequence[Image]) -> float | None:
    """How far the background wanders between frames of a standing camera: 90 % of the frames stay within it.

    Of each frame the similarity against the first is taken from tracked corners (Lucas-Kanade; what moves with
    the player is outvoted), and of it the largest shift of a picture's corner against the median frame. None
    where there is nothing to track.
    """
    if len(images) < 3:
        return None
    greys = [_small(i) for i in images]
    first, scale = greys[0]
    corners = cv2.goodFeaturesToTrack(first, _CORNERS, 0.01, 10)
    if corners is None or len(corners) < _LEAST_INLIERS:
        return None
    h, w = first.shape
    frame = np.array([[0.0, 0.0], [w, 0.0], [w, h], [0.0, h]])
    places = []
    for grey, _ in greys[1:]:
        moved, seen, _ = cv2.calcOpticalFlowPyrLK(first, grey, corners, None, winSize=(21, 21), maxLevel=3)
        kept = flat(seen) > 0
        a, b = corners.reshape(-1, 2)[kept], moved.reshape(-1, 2)[kept]
        if len(a) < _LEAST_INLIERS:
            continue
        found, inlier = cv2.estimateAffinePartial2D(a, b, method=cv2.RANSAC, ransacReprojThreshold=0.5)
        if found is not None and flat(inlier).sum() >= max(_LEAST_INLIERS, len(a) / 2):
            places.append(frame @ np.asarray(found, dtype=float)[:, :2].T + np.asarray(found)[:, 2])
    if len(places) < 2:
        return None
    away = np.linalg.norm(np.array(places) - np.median(places, axis=0), axis=2).max(axis=1)
    return float(np.quantile(away, 0.9)) / scale
