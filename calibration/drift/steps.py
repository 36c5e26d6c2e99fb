"""Checking and mending a rig on disk: the registered rig, the pictures kept with it, the history."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np

from calibration.calibrated_rig import CalibratedRig
from calibration.court.clicks import Click
from calibration.court.model import court_point
from calibration.court.registration import CourtOptions
from calibration.drift.check import CameraCheck, DriftOptions, Picture, check_camera
from calibration.drift.mend import mended_rig
from calibration.drift.shifts import Shifts
from calibration.errors import BadInput
from calibration.files import save_rig
from calibration.footage import Video, begins_s, frames, picture, probe
from calibration.geometry.camera import N_CAMERA
from calibration.history import Calibration, calibration_of, keep_calibration
from calibration.median import median_picture
from calibration.own import load_any_rig
from calibration.views import Progress, silent

_MEDIAN_S, _MEDIAN_FRAMES = 1.0, 9  # a player who warms up leaves most of the background free within a second
_PAINT_OF_CLICKS = 1000  # numbers of painted points stand apart from those of painted lines


@dataclass(frozen=True, slots=True, eq=False)
class RigCheck:
    """A rig, the kept calibration that it is (None if it was never kept), and one answer per camera looked
    at.
    """

    rig: CalibratedRig
    calibration: Calibration | None
    cameras: tuple[CameraCheck, ...]

    @property
    def moved(self) -> tuple[CameraCheck, ...]:
        """The cameras that have moved."""
        return tuple(c for c in self.cameras if c.moved)


def still_picture(source: Path | str | Video) -> Picture:
    """A picture without what moves: of a video the median of some frames of its first second, else the picture.

    Raises BadInput where it cannot be read.
    """
    begins = begins_s(source)
    rate = probe(source).nominal_fps or 0.0  # pictures have none
    every = max(1, int(np.ceil(_MEDIAN_S * rate)) // _MEDIAN_FRAMES)
    chosen = [f.image_bgr for f in frames(source, begins, begins + _MEDIAN_S, every=every)]
    if len(chosen) >= 3:
        return median_picture(chosen)
    return chosen[0] if chosen else picture(source.path if isinstance(source, Video) else source)


def reference_pictures(calibration: Calibration | None) -> dict[str, Picture]:
    """Camera → the picture kept with the calibration; without those that are gone."""
    kept = calibration.pictures if calibration is not None else {}
    return {camera: picture(path) for camera, path in kept.items() if path.is_file()}


def check_rig(
    rig_path: Path,
    pictures: Mapping[str, Picture],
    options: DriftOptions | None = None,
    clicks: Sequence[Click] = (),
    progress: Progress = silent,
) -> RigCheck:
    """Whether the cameras still stand as the rig file says, from one new picture (H, W, 3) BGR of each.

    clicks: court points clicked in the new pictures, for a camera that moved so far that hardly anything is
    found again. Raises BadInput where the rig is not in the court, or names no such camera.
    """
    rig = load_any_rig(rig_path)
    if rig.frame != "court":
        raise BadInput(f"{rig_path}: want a rig in the court frame; run `courtplumb court` on its folder")
    calibration = calibration_of(rig_path)
    references = reference_pictures(calibration)
    found = []
    for number, (name, new) in enumerate(pictures.items()):
        progress("looking at cameras", number, len(pictures))
        camera, i = rig.camera(name), rig.names.index(name)
        block = slice(N_CAMERA * i, N_CAMERA * (i + 1))
        clicked = _click_shifts(rig, [c for c in clicks if c.camera == name])
        found.append(
            check_camera(camera, rig.covariance[block, block], new, references.get(name), options, clicked)
        )
    progress("looking at cameras", len(pictures), len(pictures))
    return RigCheck(rig, calibration, tuple(found))


def mend_rig(
    rig_path: Path, check: RigCheck, pictures: Mapping[str, Picture], date_utc: str | None
) -> RigCheck:
    """Registers the moved cameras anew and makes the result the current calibration; the old one is kept.

    The new pictures of the moved cameras become their reference. Raises BadInput where nothing has moved, where
    the rig was written by hand, or where it is an old calibration out of the history.
    """
    if not check.moved:
        raise BadInput(f"{rig_path}: no camera has moved; there is nothing to mend")
    if rig_path.suffix == ".toml" or rig_path.parent.name != "derived":
        raise BadInput(f"{rig_path}: only the current calibration of a rig folder can be mended")
    old = keep_calibration(rig_path, date_utc, "found in use; how it was made was not recorded", {})
    coded = {c.camera: _png(pictures[c.camera]) for c in check.moved}
    made_from = {"from": old.sha256} | {name: hashlib.sha256(data).hexdigest() for name, data in coded.items()}
    rig = mended_rig(check.rig, check.moved, made_from)
    save_rig(rig_path, rig)
    names = ", ".join(coded)
    new = keep_calibration(rig_path, date_utc, f"mended {names}", {**old.pictures, **coded})
    return RigCheck(rig, new, check.cameras)


def _png(image: Picture) -> bytes:
    _, data = cv2.imencode(".png", image)
    return bytes(data)


def _click_shifts(rig: CalibratedRig, clicks: Sequence[Click]) -> tuple[Shifts, ...]:
    """Two measured positions, along u and along v, per click."""
    if not clicks:
        return ()
    camera = rig.camera(clicks[0].camera)
    x = np.repeat(np.array([court_point(c.point).xyz_m for c in clicks]), 2, axis=0)
    count = len(x)
    return (
        Shifts(
            "clicks", camera.project(x), np.tile(np.eye(2), (len(clicks), 1)),
            np.concatenate([c.uv_px for c in clicks]), np.full(count, CourtOptions().click_u_px),
            np.full(count, np.nan), np.zeros(count), x, np.repeat(np.arange(len(clicks)) + _PAINT_OF_CLICKS, 2),
        ),
    )  # fmt: skip
