"""A user's own calibration, written by hand as TOML or JSON.

name = "my rig"
frame = "court"                      # or "rig": then the court is registered from clicks
[[camera]]
name = "rear_left"
size_px = [1280, 720]
K_px = [[1000.0, 0.0, 639.5], [0.0, 1000.0, 359.5], [0.0, 0.0, 1.0]]
model = "radial5"                    # or "rational8", "fisheye4"; radial5 if left out
distortion = [0.0, 0.0, 0.0, 0.0, 0.0]      # the model's terms: k1 k2 p1 p2 k3
rotation = [[…], […], […]]           # camera from court (camera: x right, y down, z forward)
# rotvec_rad = [x, y, z]             # instead of rotation
t_m = [0.0, 0.0, 0.0]                # the court's origin seen from the camera
covariance = [[…]]                   # optional: fx fy cx cy, the model's terms, rx ry rz tx ty tz (15 x 15)
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from pydantic import Field, ValidationError, model_validator

from calibration.calibrated_rig import CalibratedRig
from calibration.checks import Array, checked
from calibration.errors import BadInput
from calibration.files import RIG_FORMAT, StrictModel, first_fault, load_rig, read_json
from calibration.folder import read_toml
from calibration.geometry.camera import N_CAMERA, Camera
from calibration.geometry.rigid import Rigid
from calibration.provenance import Provenance, content_hash, program_version

ASSUMED_U = {
    "focal": 0.003, "centre": 0.003, "k1": 0.01, "k2": 0.03, "p": 0.0005, "k3": 0.03, "turn_rad": 0.002,
    "shift_m": 0.01,
}  # fmt: skip
"""Standard uncertainties taken where a hand-written calibration gives none: focal length relative to itself,
centre relative to the picture's width, lens terms, turn (rad) and place (m) of each camera."""
_TERM_KIND = {"p1": "p", "p2": "p", "k4": "k3", "k5": "k3", "k6": "k3"}


class _OwnCamera(StrictModel):
    name: str = Field(min_length=1)
    size_px: tuple[int, int]
    K_px: list[list[float]]
    model: str = "radial5"
    distortion: list[float]
    rotation: list[list[float]] | None = None
    rotvec_rad: list[float] | None = None
    t_m: list[float]
    covariance: list[list[float]] | None = None

    @model_validator(mode="after")
    def _one_rotation(self) -> _OwnCamera:
        if (self.rotation is None) == (self.rotvec_rad is None):
            raise ValueError("want either rotation (3 x 3) or rotvec_rad (3 numbers), got both or neither")
        return self


class _OwnRig(StrictModel):
    name: str = "own calibration"
    frame: str = "court"
    camera: list[_OwnCamera] = Field(min_length=1)


def load_any_rig(path: Path | str) -> CalibratedRig:
    """A calibrated rig from this program's own file, or from a hand-written TOML or JSON file.

    Raises BadInput naming file, key, wanted and got.
    """
    path = Path(path)
    data = read_toml(path) if path.suffix.lower() == ".toml" else read_json(path)
    if data.get("format") == RIG_FORMAT:
        return load_rig(path)
    if "format" in data:
        raise BadInput(f"{path}: format: want {RIG_FORMAT!r}, or no format for a calibration of your own")
    try:
        form = _OwnRig.model_validate(data)
        cameras = tuple(_camera(c, form.frame) for c in form.camera)
        covariance = np.zeros((N_CAMERA * len(cameras),) * 2)
        flags = []
        for i, (own, camera) in enumerate(zip(form.camera, cameras, strict=True)):
            block = slice(N_CAMERA * i, N_CAMERA * (i + 1))
            covariance[block, block] = _covariance(own, camera)
            if own.covariance is None:
                flags.append(f"{own.name}: no covariance given; common uncertainties are assumed")
        provenance = Provenance(
            program_version(), {"source": "own calibration"}, {path.name: content_hash(path)}
        )
        return CalibratedRig(form.name, form.frame, cameras, covariance, provenance, flags=tuple(flags))
    except ValidationError as error:
        raise BadInput(f"{path}: {first_fault(error)}") from error
    except BadInput as error:
        raise BadInput(f"{path}: {error}") from error


def _camera(own: _OwnCamera, frame: str) -> Camera:
    dst = f"cam_{own.name}"
    t_m = checked(own.t_m, (3,), f"camera {own.name}: t_m")
    if own.rotvec_rad is not None:
        pose = Rigid.from_rotvec(
            checked(own.rotvec_rad, (3,), f"camera {own.name}: rotvec_rad"), t_m, dst, frame
        )
    else:
        R = checked(_matrix(own, "rotation"), (3, 3), f"camera {own.name}: rotation")
        pose = Rigid(R, t_m, dst, frame)
    K = checked(_matrix(own, "K_px"), (3, 3), f"camera {own.name}: K_px")
    return Camera(own.name, own.size_px, K, np.array(own.distortion), pose, own.model)


def _matrix(own: _OwnCamera, key: str) -> list[list[float]]:
    rows: list[list[float]] = getattr(own, key)
    if len({len(r) for r in rows}) != 1:
        raise BadInput(f"camera {own.name}: {key}: want rows of equal length")
    return rows


def _covariance(own: _OwnCamera, camera: Camera) -> Array:
    """(18, 18), from a covariance of the parameters that the model has, or from ASSUMED_U."""
    used = np.flatnonzero(camera.used_parameters())
    out = np.zeros((N_CAMERA, N_CAMERA))
    if own.covariance is not None:
        given = checked(_matrix(own, "covariance"), (len(used), len(used)), f"camera {own.name}: covariance")
        out[np.ix_(used, used)] = given
        return out
    a, fx, fy, width = ASSUMED_U, camera.K_px[0, 0], camera.K_px[1, 1], camera.size_px[0]
    u = [a["focal"] * fx, a["focal"] * fy, a["centre"] * width, a["centre"] * width]
    u += [a[_TERM_KIND.get(term, term)] for term in camera.lens_model.terms]
    u += [*[a["turn_rad"]] * 3, *[a["shift_m"]] * 3]
    out[used, used] = np.square(u)
    return out
