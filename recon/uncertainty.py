"""How the known sources of error move the points: seeded draws for a Monte Carlo, and their covariance.

Words and method: JCGM 101:2008 (propagation of distributions by Monte Carlo); the points respond linearly to
pixels, cameras and clocks, which is exact to first order.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np

from calibration.checks import Array, checked
from calibration.errors import BadInput
from calibration.geometry.camera import N_CAMERA, Camera
from recon.detector_study import ADULT_M, USUAL_MODE, study_of
from recon.records import Clocks, Motion

JOINT_OFFSET_M: Mapping[str, float] = MappingProxyType(
    {
        part: ADULT_M * offset.left_over()
        for part, offset in study_of(USUAL_MODE).without_view_errors().joints.items()
    }
)
"""Typical distance between a point moved onto its joint centre (recon/joints) and that centre, for an adult,
metres: what the detector study found bodies and poses to differ by."""

UNKNOWN_OFFSET_M: Mapping[str, float] = MappingProxyType(
    {
        "hip": 0.040, "knee": 0.040, "ankle": 0.015, "shoulder": 0.042, "elbow": 0.042, "wrist": 0.042,
        "heel": 0.030, "toe": 0.060, "nose": 0.015, "eye": 0.015, "ear": 0.030, "thumb": 0.030, "index": 0.030,
        "pinky": 0.030,
    }
)  # fmt: skip
"""The same where nobody knows how a point was found, or the correction is switched off.

Hip, knee (30–50 mm) and ankle (1–15 mm): Needham L et al. (2021), Sci Rep 11:20673, multi-camera video against
markers. No published figure was found for the others: shoulder, elbow and wrist take what was measured on a
rendered athlete with known joints (middle of 35–50 mm), heel and toe likewise (27–43 and 42–84 mm in all, shoe
included); the rest are this project's assumption.
"""

JointDraws = Callable[[int, np.random.Generator], Array]
"""draws(count, rng) -> (K, T, P, 3) metres: what is left between points and joint centres."""


@dataclass(frozen=True, kw_only=True, slots=True)
class ErrorModel:
    """What is assumed about the errors, beside what the tracks say of their own noise.

    joint_offset_m   per body part, see JOINT_OFFSET_M and UNKNOWN_OFFSET_M
    joint_draws      in its place where offsets are known to turn with the body's segments
    draws            per source; 80 give a standard uncertainty to 8 %
    seed             of the generator: the same input gives the same numbers
    """

    joint_offset_m: Mapping[str, float] = field(default_factory=lambda: JOINT_OFFSET_M)
    joint_draws: JointDraws | None = None
    draws: int = 80
    seed: int = 20261

    def __post_init__(self) -> None:
        if self.draws < 20:
            raise BadInput(f"error model: want draws >= 20, got {self}")


@dataclass(frozen=True, slots=True, eq=False)
class Displacements:
    """Draws of how one source moves the points: moved_m (K, T, P, 3), NaN where the motion is absent.

    errors (K, n): what moved them, where that moves other things too: of the cameras' parameters (18C) or of
    the clocks (3C), as BallFlight.moved_by takes them.
    """

    source: str
    moved_m: Array
    errors: Array | None = None


def displacements(
    motion: Motion,
    cameras: Sequence[Camera],
    covariance: Array,
    support_px: Array,
    pixels_m: Array,
    clocks: Clocks,
    model: ErrorModel | None = None,
) -> tuple[Displacements, ...]:
    """Draws for the sources pixels, calibration, clocks and joint centres.

    covariance (18C, 18C) of the cameras' parameters; support_px (T, P, C) sigma of each camera that carries a
    sample, NaN where one does not; pixels_m (model.draws, T, P, 3) what the pixels' noise does to the motion,
    as the motion's own fit tells. Cameras, clocks and shutters are off in the same way all the time, so a point
    follows them as the weighted views of one instant do.
    """
    model = model or ErrorModel()
    rng = np.random.default_rng(model.seed)
    response, jacobians = _response(motion, cameras, support_px)
    shape = (model.draws, *motion.xyz_m.shape)
    pixels = checked(pixels_m, shape, "pixels_m", allow_nan=True).copy()
    pixels[:, np.isnan(motion.xyz_m).any(axis=2)] = np.nan

    calibration, clock = np.zeros(shape), np.zeros(shape)
    deltas = rng.standard_normal((model.draws, len(covariance))) @ _root(covariance).T
    wrong = rng.standard_normal((model.draws, 3 * len(clocks.clocks))) @ _root(clocks.covariance()).T
    by_clock = wrong.reshape(model.draws, -1, 3)
    for c, camera in enumerate(cameras):
        uv, by_parameter = camera.project_with_parameter_jacobian(motion.xyz_m)
        own_deltas = deltas[:, N_CAMERA * c : N_CAMERA * (c + 1)]
        moved_by_parameter = response[:, :, c] @ np.nan_to_num(by_parameter)  # (T, P, 3, 18)
        calibration += np.tensordot(own_deltas, moved_by_parameter, axes=(1, 3))
        own = clocks.of(camera.name)
        rows = np.nan_to_num(own.row_share(uv, camera.size_px))
        running = (own.camera_time(motion.t_s) - own.at_s)[:, None]
        offset, drift, readout = by_clock[:, clocks.clocks.index(own)].T[:, :, None, None]
        late = offset + drift * running + readout * rows
        rate = np.einsum("tpij,tpj->tpi", jacobians[:, :, c], np.nan_to_num(motion.velocity_m_s))
        clock += late[..., None] * (response[:, :, c] @ rate[..., None])[..., 0]
    return (
        Displacements("pixels", pixels),
        Displacements("calibration", _bridge(calibration, motion, support_px), deltas),
        Displacements("clocks", _bridge(clock, motion, support_px), wrong),
        Displacements("joint centres", _joint_offsets(motion, model, rng)),
    )


def covariance_of(draws: Sequence[Displacements]) -> Array:
    """(T, P, 3, 3) covariance of independent sources, from their draws."""
    total = 0.0
    for source in draws:
        centred = source.moved_m - source.moved_m.mean(axis=0)
        by_point = centred.transpose(1, 2, 3, 0)
        total = total + by_point @ by_point.swapaxes(2, 3) / (len(centred) - 1)
    return np.asarray(total)


def _response(motion: Motion, cameras: Sequence[Camera], support_px: Array) -> tuple[Array, Array]:
    """How a sample moves per pixel of a camera, (T, P, C, 3, 2) m/px; pixel Jacobians (T, P, C, 2, 3)."""
    jacobians = np.stack([np.nan_to_num(c.project_with_jacobian(motion.xyz_m)[1]) for c in cameras], axis=2)
    weight = np.nan_to_num(1 / support_px**2)
    weighted = weight[..., None, None] * jacobians
    normal = (weighted.swapaxes(3, 4) @ jacobians).sum(axis=2)
    carried = (~np.isnan(support_px)).sum(axis=2) >= 2
    inverse = np.zeros_like(normal)
    inverse[carried] = np.linalg.inv(normal[carried])
    return inverse[:, :, None] @ weighted.swapaxes(3, 4), jacobians


def _bridge(moved: Array, motion: Motion, support_px: Array) -> Array:
    """Carry displacements over samples that no two cameras saw, by linear interpolation in time."""
    carried = (~np.isnan(support_px)).sum(axis=2) >= 2
    t = motion.t_s
    for p in range(moved.shape[2]):
        have, lack = np.flatnonzero(carried[:, p]), np.flatnonzero(~carried[:, p])
        if len(have) and len(lack):
            right = np.clip(np.searchsorted(have, lack), 0, len(have) - 1)
            left = np.clip(right - 1, 0, None)
            a, b = have[left], have[right]
            s = np.clip((t[lack] - t[a]) / np.maximum(t[b] - t[a], 1e-9), 0, 1)[None, :, None]
            moved[:, lack, p] = (1 - s) * moved[:, a, p] + s * moved[:, b, p]
    moved[:, np.isnan(motion.xyz_m).any(axis=2)] = np.nan
    return moved


def _joint_offsets(motion: Motion, model: ErrorModel, rng: np.random.Generator) -> Array:
    """One lasting offset per body point and draw; rackets and ball have none.

    Constant in the court frame, unless the model has draws of its own.
    """
    if model.joint_draws is not None:
        moved = model.joint_draws(model.draws, rng)
        moved[:, np.isnan(motion.xyz_m).any(axis=2)] = np.nan
        return moved
    spread = np.array([model.joint_offset_m.get(name.split("_")[-1], 0.0) for name in motion.keypoints])
    spread = np.where([n.startswith(("racket", "ball")) for n in motion.keypoints], 0.0, spread) / np.sqrt(3)
    offset = rng.standard_normal((model.draws, len(spread), 3)) * spread[:, None]
    moved = np.repeat(offset[:, None], len(motion.t_s), axis=1)
    moved[:, np.isnan(motion.xyz_m).any(axis=2)] = np.nan
    return moved


def _root(covariance: Array) -> Array:
    """Square root of a covariance that may be singular (a gauge leaves directions without spread)."""
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))
