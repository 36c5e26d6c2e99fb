"""Where the cameras of a variation stand, and the calibrated rig that its user would have."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import cache
from typing import Any

import numpy as np

from benchmarks.measure_coverage.variations import RIGS, SEED
from calibration import CalibratedRig, Camera
from calibration.bundle import moved
from calibration.checks import Array
from calibration.geometry.camera import N_CAMERA
from calibration.planning import CalibrationPlan, forecast_covariance
from calibration.provenance import Provenance, program_version
from demo_rigs.cast import load_cast
from demo_rigs.description import camera_from, load_academy

Layout = list[dict[str, Any]]
_ACROSS = {"rear_left": "rear_right", "rear_right": "rear_left"}


@cache
def layouts() -> tuple[Layout, ...]:
    """RIGS places of three cameras: the demo's and the cast's, moved, other lenses, every other mirrored."""
    rng = np.random.default_rng([SEED, 1])
    known: dict[str, Layout] = {"demo": load_academy().raw["camera"]}
    known |= {take.layout: take.scene.raw["layout"] for take in load_cast()}
    named = list(known.values())
    return tuple(
        [_altered(camera, mirrored=k % 2 == 1, rng=rng) for camera in named[k % len(named)]]
        for k in range(RIGS)
    )


def _altered(camera: Mapping[str, Any], *, mirrored: bool, rng: np.random.Generator) -> dict[str, Any]:
    side = np.array([-1.0 if mirrored else 1.0, 1.0, 1.0])
    place = side * (camera["place_m"] + rng.uniform(-1, 1, 3) * (0.35, 0.35, 0.25))
    look_at = side * (camera["look_at_m"] + rng.uniform(-1, 1, 3) * (0.15, 0.15, 0.10))
    factor, distortion = rng.uniform(0.95, 1.05), np.array(camera["distortion"]) * rng.uniform(0.8, 1.2)
    return {
        "name": _ACROSS.get(camera["name"], camera["name"]) if mirrored else camera["name"],
        "place_m": np.round(place, 3).tolist(),
        "look_at_m": np.round(look_at, 3).tolist(),
        "roll_deg": round(float(rng.uniform(-0.8, 0.8)), 2),
        "focal_px": np.round(np.array(camera["focal_px"]) * factor, 1).tolist(),
        "centre_px": np.round(np.array(camera["centre_px"]) + rng.uniform(-6, 6, 2), 1).tolist(),
        "distortion": np.round(distortion, 5).tolist(),
    }


def true_cameras(rig: int, names: Sequence[str], size_px: tuple[int, int]) -> dict[str, Camera]:
    """The named cameras of one of the layouts, in that order."""
    by_name = {c["name"]: c for c in layouts()[rig]}
    return {name: camera_from(by_name[name], size_px) for name in names}


def calibrated(name: str, cameras: Sequence[Camera], seed: int) -> CalibratedRig:
    """The rig as a calibration would have found it: each serve has a calibration, and errors, of its own.

    The covariance is that which the joint fit has for usual footage (CalibrationPlan: 20 views of the board by
    each camera alone, 20 by two and more, corners to 0.2 px, every visible court point clicked to 0.7 px, lines
    painted to 3 mm); the cameras' errors are one draw from it.
    """
    covariance = forecast_covariance(cameras, CalibrationPlan())
    step = np.random.default_rng([seed, 2]).multivariate_normal(
        np.zeros(len(covariance)), covariance, method="eigh"
    )
    found = tuple(moved(c, s) for c, s in zip(cameras, step.reshape(-1, N_CAMERA), strict=True))
    made = Provenance(program_version(), {"source": "invented: errors drawn from a forecast covariance"})
    return CalibratedRig(f"{name} (invented)", "court", found, _symmetric(covariance), made)


def _symmetric(covariance: Array) -> Array:
    return np.asarray((covariance + covariance.T) / 2)
