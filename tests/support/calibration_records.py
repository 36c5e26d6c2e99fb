"""Random but valid calibration records, for file tests."""

from __future__ import annotations

import numpy as np

from calibration.calibrated_rig import CalibratedRig, ClickResidual, CourtCheck, LineCheck, LineDistance
from calibration.checks import Array
from calibration.geometry import Camera, Rigid
from calibration.geometry.camera import N_CAMERA, N_LENS
from calibration.lens import LensCalibration
from calibration.provenance import Provenance


def _covariance(n: int, rng: np.random.Generator) -> Array:
    a = rng.normal(size=(n, n)) * rng.uniform(1e-4, 1, n)
    c = a @ a.T
    return (c + c.T) / 2


def example_camera(name: str, world: str, rng: np.random.Generator) -> Camera:
    """A valid camera with random parameters."""
    K = np.array(
        [[rng.uniform(500, 2000), 0, rng.uniform(0, 1280)], [0, rng.uniform(500, 2000), 360], [0, 0, 1]]
    )
    pose = Rigid.from_rotvec(rng.uniform(-2, 2, 3), rng.normal(size=3), f"cam_{name}", world)
    return Camera(name, (1280, 720), K, rng.normal(0, 0.1, 5), pose)


def example_rig(rng: np.random.Generator, frame: str = "court") -> CalibratedRig:
    """A valid rig with random contents."""
    cameras = tuple(example_camera(n, frame, rng) for n in ("a", "b"))
    click = ClickResidual("a", "baseline_centre", *rng.uniform(0, 2, 3).tolist(), True)
    lines = tuple(
        LineCheck(name, 40, 3, *rng.uniform(0, 1, 3).tolist(), off, u, off is not None)
        for name, off, u in (("baseline", float(rng.normal()), float(rng.uniform())), ("net", None, None))
    )
    distance = LineDistance("baseline", "service line", *rng.uniform(0, 7, 3).tolist())
    court = CourtCheck(
        (click,), float(rng.uniform()), float(rng.uniform()), float(rng.uniform()), None, lines=lines,
        distances=(distance,),
    )  # fmt: skip
    made = Provenance("0/1", {"square_m": float(rng.uniform())}, {"rig": "00ff"})
    return CalibratedRig(
        "invented ü", frame, cameras, _covariance(2 * N_CAMERA, rng), made, (0.1, float(rng.uniform())),
        float(rng.uniform()), int(rng.integers(99)), ("a flag",), court if frame == "court" else None,
    )  # fmt: skip


def example_lens(rng: np.random.Generator) -> LensCalibration:
    """A valid lens with random contents."""
    camera = example_camera("a", "rig", rng)
    return LensCalibration(
        "a", camera.size_px, camera.K_px, camera.distortion, _covariance(N_LENS, rng), float(rng.uniform()),
        rng.uniform(size=int(rng.integers(1, 9))), 12, 0.7, ("a flag",), Provenance("0/1", {"rows": 6.0}, {}),
    )  # fmt: skip
