"""A picture that shows how a camera's view has shifted: arrows, many times longer than the shift."""

from __future__ import annotations

import cv2
import numpy as np

from calibration.checks import Array
from calibration.drift.check import CameraCheck, Picture
from calibration.drift.shifts import predicted_uv
from calibration.geometry.camera import Camera

_COLOURS_BGR = {
    "court surface": (178, 114, 0), "background": (0, 159, 230), "court lines": (115, 158, 0),
    "clicks": (167, 121, 204),
}  # fmt: skip
"""Okabe and Ito (2008): blue, orange, bluish green, reddish purple. Kinds also differ in the shape at the
foot.
"""
_ARROW_SHARE = 0.03  # of the picture's width: length of the middle arrow
_MOST_TIMES = 200
_BAND_PX = 34


def displacement_picture(camera: Camera, check: CameraCheck, new: Picture) -> Picture:
    """The new picture, paled, with an arrow from where each thing stood to where it stands, lengthened.

    A cross marks a place that moved by itself (player, ball, shadow). A head line says what was found and how
    many times the arrows are lengthened.
    """
    width = camera.size_px[0]
    scale = max(1, round(width / 960))
    canvas = (0.55 * new + 0.45 * 255).astype(np.uint8)
    times = 1
    if check.fit is not None:
        ways = [predicted_uv(camera, check.fit.motion, g) - g.uv_px for g in check.shifts]
        lengths = np.concatenate([np.linalg.norm(w, axis=1) for w in ways])
        times = _lengthening(float(np.nanmedian(lengths)), width)
        for g, way, used, left in zip(check.shifts, ways, check.fit.used, check.fit.residual_px, strict=True):
            tips = g.uv_px + times * (way + left[:, None] * g.normal)
            for foot, tip, agrees in zip(g.uv_px, tips, used, strict=True):
                _mark(canvas, foot, tip, bool(agrees), g.kind, scale)
    return _with_words(canvas, check, times, scale)


def _lengthening(middle_px: float, width: int) -> int:
    """1, 2, 5, 10, … so that the middle arrow has a length that is seen."""
    wanted = _ARROW_SHARE * width / max(middle_px, 1e-3)
    steps = [n * 10**k for k in range(3) for n in (1, 2, 5)]
    return max(int(n) for n in steps if n <= min(max(wanted, 1.0), _MOST_TIMES))


def _mark(canvas: Picture, foot: Array, tip: Array, agrees: bool, kind: str, scale: int) -> None:
    a = (round(float(foot[0])), round(float(foot[1])))
    colour = _COLOURS_BGR[kind]
    if not agrees:
        cv2.drawMarker(canvas, a, (90, 90, 90), cv2.MARKER_TILTED_CROSS, 7 * scale, scale, cv2.LINE_AA)
        return
    limit = 4 * canvas.shape[1]
    b = (round(float(np.clip(tip[0], -limit, limit))), round(float(np.clip(tip[1], -limit, limit))))
    cv2.arrowedLine(canvas, a, b, colour, scale, cv2.LINE_AA, tipLength=0.3)
    if kind == "background":
        cv2.circle(canvas, a, 2 * scale, colour, -1, cv2.LINE_AA)
    elif kind == "court surface":
        cv2.rectangle(
            canvas, (a[0] - 2 * scale, a[1] - 2 * scale), (a[0] + 2 * scale, a[1] + 2 * scale), colour, -1
        )


def _with_words(canvas: Picture, check: CameraCheck, times: int, scale: int) -> Picture:
    """Two bands with words: above what was found, below what the marks mean."""
    if check.moved is None:
        head = f"{check.camera}: cannot be told"
    else:
        verdict = "has moved" if check.moved else "has not moved"
        head = (
            f"{check.camera} {verdict}: turned {check.turn_deg:.3f} deg, shifted {check.shift_mm:.1f} mm; "
            f"arrows {times} times longer than the shift"
        )
    foot = "blue, square: court surface   orange, dot: background   green: court lines   cross: moved by itself"
    width = canvas.shape[1]
    bands = []
    for words in (head, foot):
        band = np.full((_BAND_PX * scale, width, 3), 255, dtype=np.uint8)
        cv2.putText(band, words, (10 * scale, 23 * scale), cv2.FONT_HERSHEY_SIMPLEX, 0.52 * scale, (30, 30, 30),
                    scale, cv2.LINE_AA)  # fmt: skip
        bands.append(band)
    return np.concatenate([bands[0], canvas, bands[1]])
