"""Long films of the demo's INVENTED serve: its rendered clip again and again, the player at rest between."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
import xarray as xr

from calibration import save_rig
from calibration.checks import Array
from calibration.footage import Image, frames
from calibration.geometry import Camera
from demo_rigs.description import ServeEntry, load_academy
from tests.support.example_rig import example_rig

RENDERED_FPS = 120
CONTACT_S = 2.05  # in scene time, of clean_right (its truth)


@dataclass(frozen=True)
class LongFilm:
    """What is filmed: serves whose scene times begin at begins_s of one common time, until stop_s.

    starts_s  camera -> about when its film begins; it does at the nearest picture of the rendered clip
    swings    indices of serves whose ball is painted over with the empty scene: practice swings
    """

    begins_s: tuple[float, ...]
    stop_s: float
    starts_s: Mapping[str, float]
    fps: int = 60
    size_px: tuple[int, int] = (640, 360)
    swings: tuple[int, ...] = ()

    @property
    def entry(self) -> ServeEntry:
        """The demo's serve that is shown."""
        return load_academy().serve("clean_right")

    def start_s(self, camera: str) -> float:
        """When a camera's film begins: on the clip's own pictures, so that none is shown at a wrong time."""
        own = self.entry.starts_s[camera]
        return own + round((self.starts_s[camera] - own) * RENDERED_FPS) / RENDERED_FPS

    def offset_s(self, camera: str, reference: str) -> float:
        """By how much rig time, the reference's, is ahead of a camera's."""
        return self.start_s(camera) - self.start_s(reference)

    def cameras(self) -> tuple[Camera, ...]:
        """The true cameras, for pictures of this size."""
        return tuple(_resized(c, self.size_px) for n, c in load_academy().cameras.items() if n in self.starts_s)


def _resized(camera: Camera, size_px: tuple[int, int]) -> Camera:
    x, y = np.array(size_px) / np.array(camera.size_px)
    K = np.diag([x, y, 1.0]) @ camera.K_px
    K[:2, 2] += (np.array([x, y]) - 1) / 2
    return replace(camera, size_px=size_px, K_px=K)


def write_film(film: LongFilm, camera: str, clip: Path, path: Path, truth: Path | None = None) -> None:
    """One camera's film from its rendered clip. truth: the renderer's folder; wanted where there are swings."""
    shown: list[Image] = [
        np.asarray(cv2.resize(f.image_bgr, film.size_px, interpolation=cv2.INTER_AREA), dtype=np.uint8)
        for f in frames(clip)
    ]
    own = film.entry.starts_s[camera]
    count = len(shown)
    if film.swings and truth is not None:
        shown += _without_ball(shown, _ball_px(film, camera, truth, count))
    times = np.arange(film.start_s(camera), film.stop_s, 1 / film.fps)
    # of the serve whose clip is running, else the first picture of the next or the last
    which = [_picture(t, own, film, count) for t in times]
    _encode(path, shown, which, film.fps)


def _picture(t_s: float, clip_starts_s: float, film: LongFilm, count: int) -> int:
    for number, begin in enumerate(film.begins_s):
        k = round((t_s - begin - clip_starts_s) * RENDERED_FPS)
        if 0 <= k < count:
            return k + (count if number in film.swings else 0)
    return 0


def _ball_px(film: LongFilm, camera: str, truth: Path, count: int) -> Array:
    """(count, 2) where each of the clip's pictures shows the ball, of this film's size."""
    own = next(c for c in film.cameras() if c.name == camera)
    times = film.entry.starts_s[camera] + np.arange(count) / RENDERED_FPS
    with xr.open_dataset(truth / f"{film.entry.name}.nc") as data:
        ball = data["xyz_m"].sel(keypoint="ball").interp(time=times)
        return own.project(ball.to_numpy())


def _without_ball(shown: list[Image], ball_px: Array) -> list[Image]:
    """The same pictures, what is around the ball taken from the median of some: the scene behind it."""
    scene = np.median(np.stack(shown[:: max(1, len(shown) // 9)]), axis=0).astype(np.uint8)
    out = []
    for picture, (u, v) in zip(shown, ball_px, strict=True):
        bare = picture.copy()
        if np.isfinite(u) and np.isfinite(v):
            here = np.s_[
                max(round(v) - 7, 0) : max(round(v) + 8, 0), max(round(u) - 7, 0) : max(round(u) + 8, 0)
            ]
            bare[here] = scene[here]
        out.append(bare)
    return out


def _encode(path: Path, shown: list[Image], which: Sequence[int], fps: int) -> None:
    with av.open(str(path), "w") as out:
        stream = out.add_stream(
            "libx264", rate=fps, options={"crf": "18", "preset": "ultrafast", "g": str(fps)}
        )
        stream.height, stream.width = shown[0].shape[:2]
        stream.pix_fmt, stream.time_base = "yuv420p", Fraction(1, fps)
        for k in which:
            out.mux(stream.encode(av.VideoFrame.from_ndarray(np.asarray(shown[k]), format="bgr24")))
        out.mux(stream.encode(None))


def write_session(
    folder: Path, film: LongFilm, clips: Mapping[str, Path], more: str = "", truth: Path | None = None
) -> Path:
    """A session folder with films, session.toml and a rig of the true cameras; more: further lines of it."""
    folder.mkdir(parents=True, exist_ok=True)
    save_rig(folder / "rig.json", example_rig(film.cameras()))
    for name, clip in clips.items():
        write_film(film, name, clip, folder / f"{name}.mp4", truth)
    videos = "".join(f'{name} = "{name}.mp4"\n' for name in clips)
    text = f'rig = "rig.json"\nathlete = "Ada (invented)"\nhandedness = "right"\n{more}\n[video]\n{videos}'
    (folder / "session.toml").write_text(text, encoding="utf-8")
    return folder


def true_contacts_s(film: LongFilm, reference: str) -> Array:
    """Of every serve, by the reference camera's clock."""
    return np.array(film.begins_s) + CONTACT_S - film.start_s(reference)
