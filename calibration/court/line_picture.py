"""A picture of what was found: the lines as fitted, the places used and passed over, the residuals magnified."""

from __future__ import annotations

import cv2
import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.court.line_fit import LineFit
from calibration.court.lines import FoundLines
from calibration.court.paint import in_view
from calibration.court.ruled_lines import RULED_LINES
from calibration.geometry.camera import Camera

MAGNIFIED = 50.0
"""How many times longer than the residual its stroke is drawn."""

_BLUE, _ORANGE, _PURPLE = (178, 114, 0), (0, 159, 230), (167, 121, 204)  # Okabe-Ito, BGR
_INK, _PAPER = (30, 30, 30), (255, 255, 255)
_STEP_M = 0.1
_STRIP_PX, _LETTER = 64, 0.55
_LONGEST_PX = 40.0

Image = NDArray[np.uint8]


def line_picture(camera: Camera, image_bgr: Array, found: FoundLines, index: int) -> Image:
    """(H + 64, W, 3) BGR: the camera's court picture, paled, with the fit drawn in and a key below it.

    camera stands in the court; index is its number in the rig.
    """
    h, w = image_bgr.shape[:2]
    out = np.full((h + _STRIP_PX, w, 3), 255, dtype=np.uint8)
    out[:h] = (0.55 * np.asarray(image_bgr, dtype=float) + 0.45 * 255).astype(np.uint8)
    _draw_edges(out[:h], camera, found.fit)
    used = _draw_residuals(out[:h], found.fit, index)
    passed = _draw_passed_over(out[:h], found, index)
    _draw_key(out[h:], camera.name, used, passed)
    return out


def _draw_edges(out: Image, camera: Camera, fit: LineFit) -> None:
    """Both edges of each measured line as fitted, its own width and laying error included; dashed where left out."""
    for i in np.unique(fit.samples.line[fit.used]):
        line = RULED_LINES[i]
        s = np.arange(line.start_m, line.stop_m + 1e-9, _STEP_M)
        tau = (s - line.start_m) / line.length_m
        off = fit.ends_m[i, 0] * (1 - tau) + fit.ends_m[i, 1] * tau
        for share in (0.0, 1.0):
            across = line.at_m + off + line.across_per_width(np.full(len(s), share)) * fit.widths_m[i]
            x = line.points_m(s, across)
            uv, seen = camera.project(x), in_view(camera, x)
            for k in np.flatnonzero(seen[1:] & seen[:-1]):
                if line.name not in fit.free or k % 4 < 2:
                    cv2.line(out, _at(uv[k]), _at(uv[k + 1]), _INK, 1, cv2.LINE_AA, _SHIFT)


def _draw_residuals(out: Image, fit: LineFit, index: int) -> int:
    """A dot at each edge used, and a stroke along the normal; returns how many."""
    own = np.flatnonzero((fit.samples.camera == index) & fit.used)
    for k in own:
        uv = fit.samples.uv_px[k]
        length = np.clip(MAGNIFIED * fit.residual_px[k], -_LONGEST_PX, _LONGEST_PX)
        cv2.line(out, _at(uv), _at(uv + length * fit.samples.normal[k]), _BLUE, 1, cv2.LINE_AA, _SHIFT)
        cv2.circle(out, _at(uv), round(1.5 * 2**_SHIFT), _BLUE, -1, cv2.LINE_AA, _SHIFT)
    return len(own)


def _draw_passed_over(out: Image, found: FoundLines, index: int) -> int:
    """A cross where a line was looked for and not found; a diamond at an edge that its neighbours contradict."""
    at = list(found.blur_px).index(index) if index in found.blur_px else None
    count = 0
    if at is not None:
        missed = found.sites[at].middle_px[~found.found[at]]
        for uv in missed:
            cv2.drawMarker(out, _whole(uv), _ORANGE, cv2.MARKER_TILTED_CROSS, 8, 2, cv2.LINE_AA)
        count += len(missed)
    fit = found.fit
    for k in np.flatnonzero((fit.samples.camera == index) & ~fit.used):
        cv2.drawMarker(out, _whole(fit.samples.uv_px[k]), _PURPLE, cv2.MARKER_DIAMOND, 9, 2, cv2.LINE_AA)
        count += 1
    return count


def _draw_key(strip: Image, name: str, used: int, passed: int) -> None:
    y = 24
    cv2.line(strip, (12, y - 5), (40, y - 5), _INK, 1, cv2.LINE_AA)
    _write(strip, "edge of paint as fitted (dashed: has no say)", 48, y)
    cv2.circle(strip, (470, y - 5), 3, _BLUE, -1, cv2.LINE_AA)
    cv2.line(strip, (470, y - 5), (470, y - 19), _BLUE, 1, cv2.LINE_AA)
    _write(strip, f"edge found, its residual {MAGNIFIED:.0f} times longer", 484, y)
    y = 50
    cv2.drawMarker(strip, (26, y - 5), _ORANGE, cv2.MARKER_TILTED_CROSS, 8, 2, cv2.LINE_AA)
    _write(strip, "looked for, not found (hidden, worn)", 48, y)
    cv2.drawMarker(strip, (470, y - 5), _PURPLE, cv2.MARKER_DIAMOND, 9, 2, cv2.LINE_AA)
    _write(strip, "found, contradicted by the others", 484, y)
    _write(strip, f"{name}: {used} used, {passed} not", 850, y)


def _write(strip: Image, text: str, x: int, y: int) -> None:
    cv2.putText(strip, text, (x, y), cv2.FONT_HERSHEY_SIMPLEX, _LETTER, _INK, 1, cv2.LINE_AA)


_SHIFT = 4  # fixed-point bits of a drawn pixel


def _at(uv: Array) -> tuple[int, int]:
    return round(float(uv[0]) * 2**_SHIFT), round(float(uv[1]) * 2**_SHIFT)


def _whole(uv: Array) -> tuple[int, int]:
    return round(float(uv[0])), round(float(uv[1]))
