"""Small frames for the viewer, and stills of the key instants with the skeleton drawn in."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import cv2
import numpy as np

from calibration.checks import Array
from calibration.footage import frames
from recon import result as names
from recon.keypoints.markers import Image
from recon.pipeline.footage import timed
from recon.pipeline.options import Progress
from recon.records import Clock, Events
from recon.result import Result
from recon.scene.pictures import skeleton_in_picture
from recon.store import save_frame_index, write_whole

_SCALE = 0.5
_EVERY_S = 1 / 60
_MARGIN_S = 0.35
_STILL_SHARE = 0.55
"""Share of a still's height that the player's extent fills."""


def make_pictures(result: Result, progress: Progress) -> None:
    """Write pictures/<camera>/ and stills/ of a measured session.

    Only the stretch from a little before the first event to a little after the last is kept.
    """
    first, last = _stretch(result)
    cameras = [c.camera for c in result.tracks.cameras if c.camera in result.session.file.video]
    for done, camera in enumerate(cameras):
        progress("keeping pictures", done, len(cameras))
        clock = result.clocks.of(camera)
        _one_camera(result, camera, float(clock.camera_time(first)), float(clock.camera_time(last)))
    progress("keeping pictures", len(cameras), len(cameras))


def _stretch(result: Result) -> tuple[float, float]:
    times = [e.t_s for e in result.events.events if e.t_s is not None]
    t = result.motion.t_s
    if not times:
        return float(t[0]), float(t[-1])
    return max(float(t[0]), min(times) - _MARGIN_S), min(float(t[-1]), max(times) + _MARGIN_S)


def _one_camera(result: Result, camera: str, start_s: float, stop_s: float) -> None:
    folder = result.session.derived / names.PICTURES / camera
    folder.mkdir(parents=True, exist_ok=True)
    for old in folder.glob("*.jpg"):
        old.unlink()
    stills = _still_times(result.events, result.clocks.of(camera))
    kept_times: list[float] = []
    kept_names: list[str] = []
    nearest: dict[str, tuple[float, float, Image]] = {}
    for frame in frames(timed(result.session, camera).video, start_s=start_s, stop_s=stop_s):
        if not kept_times or frame.t_s >= kept_times[-1] + _EVERY_S - 1e-3:
            name = f"{len(kept_names):05d}.jpg"
            small = cv2.resize(frame.image_bgr, None, fx=_SCALE, fy=_SCALE, interpolation=cv2.INTER_AREA)
            cv2.imwrite(str(folder / name), small, [cv2.IMWRITE_JPEG_QUALITY, 82])
            kept_times.append(frame.t_s)
            kept_names.append(name)
        for event, t in stills.items():
            away = abs(frame.t_s - t)
            if away < nearest.get(event, (np.inf,))[0]:
                nearest[event] = (away, frame.t_s, frame.image_bgr)
    save_frame_index(folder, camera, kept_times, kept_names, _SCALE)
    for event, (_, t, image) in nearest.items():
        still = draw_still(result, camera, t, image)
        path = result.session.derived / names.STILLS / f"{event}_{camera}.jpg"
        _write_picture(path, still)


def _still_times(events: Events, clock: Clock) -> dict[str, float]:
    return {e.name: float(clock.camera_time(e.t_s)) for e in events.events if e.t_s is not None}


def _write_picture(path: Path, image: Image) -> None:
    done, data = cv2.imencode(".jpg", image, [cv2.IMWRITE_JPEG_QUALITY, 88])
    if done:
        write_whole(path, lambda part: part.write_bytes(data.tobytes()))


def draw_still(result: Result, camera: str, t_cam_s: float, image: Image) -> Image:
    """A portrait cut-out around the player with the reprojected skeleton, lines and pixels at one scale."""
    canvas = image.copy()
    ends: list[Array] = []
    for strokes in skeleton_in_picture(result, camera, t_cam_s):
        colour = _bgr(strokes.colour)
        for a, b in strokes.ends_px:
            cv2.line(canvas, _at(a), _at(b), (255, 255, 255), 4, cv2.LINE_AA, shift=4)
            cv2.line(canvas, _at(a), _at(b), colour, 2, cv2.LINE_AA, shift=4)
        ends.append(strokes.ends_px.reshape(-1, 2))
    return _cut_out(canvas, ends)


def _at(uv: Array) -> tuple[int, int]:
    return round(float(uv[0]) * 16), round(float(uv[1]) * 16)


def _bgr(colour: str) -> tuple[int, int, int]:
    return int(colour[5:7], 16), int(colour[3:5], 16), int(colour[1:3], 16)


def _cut_out(canvas: Image, ends: Sequence[Array]) -> Image:
    points = np.concatenate(ends) if ends else np.empty((0, 2))
    if not len(points):
        return canvas
    low, high = points.min(axis=0), points.max(axis=0)
    height = max(float((high - low)[1]), 160.0) / _STILL_SHARE
    width = 0.75 * height
    centre = (low + high) / 2
    rows, columns = canvas.shape[:2]
    x0, y0 = max(round(centre[0] - width / 2), 0), max(round(centre[1] - height / 2), 0)
    x1, y1 = min(round(centre[0] + width / 2), columns), min(round(centre[1] + height / 2), rows)
    return np.asarray(canvas[y0:y1, x0:x1], dtype=np.uint8)
