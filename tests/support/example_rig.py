"""The calibrated rig of the invented example, and a rig folder with court pictures to click in."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import cv2
import numpy as np

from calibration import (
    LENS_PARAMETERS,
    OUTLINES_M,
    CalibratedRig,
    Camera,
    ClickResidual,
    CourtCheck,
    LensCalibration,
    Provenance,
    save_lens,
    save_rig,
)
from calibration.geometry.camera import N_LENS, PARAMETERS
from tests.support.rig_toml import rig_toml

_U = dict.fromkeys(PARAMETERS, 0.002) | {"fx_px": 2.0, "fy_px": 2.0, "cx_px": 1.5, "cy_px": 1.5}


def example_rig(cameras: tuple[Camera, ...]) -> CalibratedRig:
    """Invented cameras with an invented covariance and court check."""
    u = np.tile([_U[name] for name in PARAMETERS], len(cameras))
    clicks = tuple(ClickResidual(c.name, "baseline_centre", 0.4, 0.6, 0.9, True) for c in cameras)
    return CalibratedRig(
        "invented example", "court", cameras, np.diag(u**2), Provenance("invented"),
        camera_rms_px=(0.3,) * len(cameras), held_out_px=0.35, board_views=20,
        court=CourtCheck(clicks, 0.4, 0.004, 1.001, 0.002),
    )  # fmt: skip


def save_example_rig(folder: Path, cameras: tuple[Camera, ...]) -> None:
    """Write folder/derived/calibrated_rig.json."""
    path = folder / "derived" / "calibrated_rig.json"
    path.parent.mkdir(parents=True, exist_ok=True)
    save_rig(path, example_rig(cameras))


def save_example_rig_folder(folder: Path, cameras: tuple[Camera, ...]) -> None:
    """Write rig.toml and a drawn court picture per camera: all that a clicking page needs, no footage."""
    (folder / "court").mkdir(parents=True, exist_ok=True)
    files = {}
    for camera in cameras:
        name = camera.name
        cv2.imwrite(str(folder / "court" / f"{name}.png"), _court_picture(camera))
        files[name] = f'lens_footage = "lens/{name}.mp4"\ncourt_picture = "court/{name}.png"'
    (folder / "rig.toml").write_text(rig_toml(files), encoding="utf-8")


def save_lens_only_rig_folder(folder: Path, cameras: tuple[Camera, ...]) -> None:
    """The same without a board: each camera has a kept lens with invented covariance, nothing is shared."""
    save_example_rig_folder(folder, cameras)
    path = folder / "rig.toml"
    text = path.read_text(encoding="utf-8")
    for camera in cameras:
        u = np.array([_U[name] for name in LENS_PARAMETERS]) * camera.used_parameters()[:N_LENS]
        rms = np.full(20, 0.2)
        lens = LensCalibration(
            camera.name, camera.size_px, camera.K_px, camera.distortion, np.diag(u**2), 0.2, rms, 20, 0.9,
            model=camera.model,
        )  # fmt: skip
        save_lens(folder / "lens" / f"{camera.name}.json", lens)
        text = text.replace(f'lens_footage = "lens/{camera.name}.mp4"', f'lens = "lens/{camera.name}.json"')
    path.write_text(text, encoding="utf-8")


def _court_picture(camera: Camera) -> np.ndarray:
    w, h = camera.size_px
    image = np.full((h, w, 3), (168, 140, 104), dtype=np.uint8)
    for line in OUTLINES_M:
        ends = np.array(line)
        fine = np.concatenate([np.linspace(a, b, 60) for a, b in pairwise(ends)])
        uv = camera.project(fine)
        for a, b in pairwise(uv):
            if np.isfinite([*a, *b]).all() and np.abs([*a, *b]).max() < 20_000:
                ends_px = [tuple(round(x * 16) for x in p) for p in (a, b)]
                cv2.line(image, ends_px[0], ends_px[1], (240, 240, 240), 2, cv2.LINE_AA, shift=4)
    return image
