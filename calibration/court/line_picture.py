"""A picture of what was found: lines as fitted, places used and passed over, residuals magnified."""

from __future__ import annotations

import cv2
import numpy as np

from calibration.checks import Array
from calibration.court.line_fit import LineFit
from calibration.court.lines import FoundLines
from calibration.court.paint import in_view
from calibration.court.ruled_lines import RULED_LINES, Picture
from calibration.geometry.camera import Camera

MAGNIFIED = 50.0
"""How many times longer than the residual its stroke is drawn."""

_BLUE, _ORANGE, _PURPLE = (178, 114, 0), (0, 159, 230), (167, 121, 204)  # Okabe-Ito, BGR
_INK = (30, 30, 30)
_STEP_M = 0.1
_KEY_WIDTH_PX, _STRIP_PX, _LETTER = 1280, 64, 0.55  # the key is drawn so wide, then fitted to the picture
_LONGEST_PX = 40.0


def line_picture(camera: Camera, image_bgr: Picture, found: FoundLines, index: int) -> Picture:
    """(H + W / 20, W, 3) BGR: the camera's court picture, paled, with the fit drawn in and a key below it.

    camera stands in the court; index is its number in the rig.
    """
    w = image_bgr.shape[1]
    out = (0.55 * np.asarray(image_bgr, dtype=float) + 0.45 * 255).astype(np.uint8)
    _draw_edges(out, camera, found.fit)
    used = _draw_residuals(out, found.fit, index)
    passed = _draw_passed_over(out, found, index)
    key = np.full((_STRIP_PX, _KEY_WIDTH_PX, 3), 255, dtype=np.uint8)
    _draw_key(key, camera.name, used, passed)
    size = (w, round(_STRIP_PX * w / _KEY_WIDTH_PX))
    fitted = cv2.resize(key, size, interpolation=cv2.INTER_AREA)
    return np.concatenate([out, np.asarray(fitted, dtype=np.uint8)])


def _draw_edges(out: Picture, camera: Camera, fit: LineFit) -> None:
    """Both edges of each measured line, its own width and laying error included; dashed where left out."""
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


def _draw_residuals(out: Picture, fit: LineFit, index: int) -> int:
    """A dot at each edge used, and a stroke along the normal; returns how many."""
    own = np.flatnonzero((fit.samples.camera == index) & fit.used)
    for k in own:
        uv = fit.samples.uv_px[k]
        length = np.clip(MAGNIFIED * fit.residual_px[k], -_LONGEST_PX, _LONGEST_PX)
        cv2.line(out, _at(uv), _at(uv + length * fit.samples.normal[k]), _BLUE, 1, cv2.LINE_AA, _SHIFT)
        cv2.circle(out, _at(uv), round(1.5 * 2**_SHIFT), _BLUE, -1, cv2.LINE_AA, _SHIFT)
    return len(own)


def _draw_passed_over(out: Picture, found: FoundLines, index: int) -> int:
    """A cross where a line was looked for, not found; a diamond at an edge that its neighbours contradict."""
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


def _draw_key(strip: Picture, name: str, used: int, passed: int) -> None:
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


def _write(strip: Picture, text: str, x: int, y: int) -> None:
    cv2.putText(strip, text, (x, y), cv2.FONT_HERSHEY_SIMPLEX, _LETTER, _INK, 1, cv2.LINE_AA)


_SHIFT = 4  # fixed-point bits of a drawn pixel


def _at(uv: Array) -> tuple[int, int]:
    return round(float(uv[0]) * 2**_SHIFT), round(float(uv[1]) * 2**_SHIFT)


def _whole(uv: Array) -> tuple[int, int]:
    return round(float(uv[0])), round(float(uv[1]))
