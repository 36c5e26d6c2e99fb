"""Invented scenes without a court: what a standing camera sees from day to day, and sessions made of it."""

from __future__ import annotations

from pathlib import Path

import cv2
import numpy as np

from calibration.calibrated_rig import CalibratedRig
from calibration.files import save_rig
from calibration.footage import Image
from calibration.geometry import Camera, Rigid
from calibration.geometry.camera import N_CAMERA
from calibration.provenance import Provenance
from tests.support.board_pictures import write_video

SIZE = (640, 360)
K = np.array([[560.0, 0, 322], [0, 560.0, 178], [0, 0, 1]])
RIGHT_WAY = np.array([[1.0, 0, 0], [0, 0, -1], [0, 1, 0]])


def scene(seed: int) -> Image:
    """Invented walls: patches, posts and grain of many sizes."""
    rng = np.random.default_rng(seed)
    picture = np.zeros((SIZE[1], SIZE[0]))
    for sigma in (2.0, 5.0, 14.0):
        picture += sigma * cv2.GaussianBlur(rng.normal(size=picture.shape), (0, 0), sigma)
    for _ in range(60):
        x, y, w, h = rng.integers(0, [SIZE[0], SIZE[1], 60, 40])
        picture[y : y + h, x : x + w] += rng.normal(0, 0.6)
    grey = cv2.normalize(picture, None, 20, 235, cv2.NORM_MINMAX)
    return np.repeat(grey[..., None], 3, axis=2).astype(np.uint8)


def later(picture: Image, seed: int) -> Image:
    """The same scene on another day: grain, other light, somebody in front of it."""
    rng = np.random.default_rng(seed)
    out = 0.8 * picture.astype(float) + 15 + rng.normal(0, 3, picture.shape)
    out[120:330, 280:350] = rng.integers(40, 200)
    return np.clip(out, 0, 255).astype(np.uint8)


def camera(name: str) -> Camera:
    pose = Rigid(RIGHT_WAY, np.array([0.0, 1.5, 7.0]), f"cam_{name}", "court")
    return Camera(name, SIZE, K, np.zeros(5), pose)


def seen(picture: Image, matrix: list[list[float]]) -> Image:
    """The picture under an affine map of pixels, edges filled by mirroring."""
    return cv2.warpAffine(picture, np.array(matrix), SIZE, borderMode=cv2.BORDER_REFLECT)


def save_scene_rig(root: Path, court: dict[str, Image]) -> CalibratedRig:
    """A calibrated rig folder whose court pictures are scenes."""
    (root / "court").mkdir(parents=True)
    text = 'name = "invented"\n[board]\ncolumns = 9\nrows = 6\nsquare_mm = 100.0\n'
    for name, picture in court.items():
        cv2.imwrite(str(root / "court" / f"{name}.png"), picture)
        text += f'[[camera]]\nname = "{name}"\nlens = "lens.json"\ncourt_picture = "court/{name}.png"\n'
    (root / "rig.toml").write_text(text)
    cameras = tuple(camera(name) for name in court)
    covariance = np.zeros((N_CAMERA * len(cameras),) * 2)
    rig = CalibratedRig("r", "court", cameras, covariance, Provenance("test"))
    save_rig(root / "derived" / "calibrated_rig.json", rig)
    return rig


def save_clip(path: Path, picture: Image) -> None:
    """A second of the scene on another day."""
    write_video(path, [later(picture, i) for i in range(12)], fps=12)
