"""Two drag arcs joined where the racket met the ball, fitted to the pixels of all cameras at their true times.

The parameters are place and velocity at an epoch, gravity and drag, and for the struck part the time of contact
and the velocity after it. Gravity and drag come with what is known of them beforehand. Large errors are played
down as a Student distribution with four degrees of freedom has them (iterated weights: Lange KL, Little RJA,
Taylor JMG (1989), J Am Stat Assoc 84:881-896).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calibration.checks import Array
from calibration.errors import NotMeasurable
from calibration.geometry.camera import N_CAMERA
from recon.flight.sightings import Sightings
from recon.records.arc import arc

N_TOSS, N_ALL = 8, 12
FALL, DRAG, CONTACT, STRUCK = 6, 7, 8, slice(9, 12)
GRAVITY_M_S2, U_GRAVITY_M_S2 = 9.81, 0.015
"""Between the equator and the poles, and up to 2000 m, it is 9.77 to 9.83 m/s² (normal gravity formula)."""

_NU = 4.0
_SETTLED = 1e-6  # squared length of the last step, in its own sigmas
_ASTRAY_M_S, _ASTRAY_S = 100.0, 0.5
_NUDGE = np.array([1e-3, 1e-3, 1e-3, 1e-2, 1e-4])  # m/s, m/s², 1/m: for derivatives by differences


@dataclass(frozen=True, kw_only=True, slots=True)
class Prior:
    """What is known of gravity (m/s²) and drag (1/m) before the ball is looked at, each with its u.

    u_fall None: gravity is free.
    """

    drag: float
    u_drag: float
    fall: float = GRAVITY_M_S2
    u_fall: float | None = U_GRAVITY_M_S2

    def information(self, n: int) -> Array:
        """(n, n) of the parameters."""
        out = np.zeros((n, n))
        out[FALL, FALL] = 0.0 if self.u_fall is None else self.u_fall**-2
        out[DRAG, DRAG] = self.u_drag**-2
        return out


@dataclass(frozen=True, slots=True, eq=False)
class Arcs:
    """Parameters (8,) of a toss, or (12,) with the strike, from the epoch t0_s on."""

    t0_s: float
    values: Array

    @property
    def struck(self) -> bool:
        """Whether the strike is among them."""
        return len(self.values) == N_ALL

    @property
    def contact_s(self) -> float:
        """Rig time of contact; infinite where there is none."""
        return float(self.values[CONTACT]) if self.struck else np.inf

    def at(self, t_s: Array) -> tuple[Array, Array]:
        """Positions and velocities (N, 3)."""
        v = self.values
        x, rate = arc(v[:3], v[3:6], v[FALL], v[DRAG], t_s - self.t0_s)
        after = t_s > self.contact_s
        if after.any():
            met = arc(v[:3], v[3:6], v[FALL], v[DRAG], np.array([self.contact_s - self.t0_s]))[0][0]
            x[after], rate[after] = arc(met, v[STRUCK], v[FALL], v[DRAG], t_s[after] - self.contact_s)
        return x, rate

    def by_values(self, t_s: Array) -> tuple[Array, Array, Array]:
        """Positions, velocities (N, 3) and the positions' derivative by the parameters (N, 3, n)."""
        v = self.values
        by = np.zeros((len(t_s), 3, len(v)))
        x, rate, by[..., :N_TOSS] = _sensitivity(v[:3], v[3:6], v[FALL], v[DRAG], t_s - self.t0_s)
        after = t_s > self.contact_s
        if not after.any():
            return x, rate, by
        met, before, by_met = _sensitivity(
            v[:3], v[3:6], v[FALL], v[DRAG], np.array([self.contact_s - self.t0_s])
        )
        x[after], rate[after], own = _sensitivity(
            met[0], v[STRUCK], v[FALL], v[DRAG], t_s[after] - self.contact_s
        )
        by[after] = 0.0
        by[after, :, :N_TOSS] = by_met
        by[after, :, FALL : DRAG + 1] += own[..., FALL : DRAG + 1]
        by[after, :, CONTACT] = before - rate[after]
        by[after, :, STRUCK] = own[..., 3:6]
        return x, rate, by


def _sensitivity(x0: Array, v0: Array, fall: float, drag: float, dt: Array) -> tuple[Array, Array, Array]:
    """Positions, velocities (N, 3) of one arc, and the positions' derivative (N, 3, 8)."""
    v, pulls = np.tile(v0, (11, 1)), np.tile([fall, drag], (11, 1))
    for k in range(3):
        v[1 + 2 * k, k] += _NUDGE[k]
        v[2 + 2 * k, k] -= _NUDGE[k]
    for k in range(2):
        pulls[7 + 2 * k, k] += _NUDGE[3 + k]
        pulls[8 + 2 * k, k] -= _NUDGE[3 + k]
    x, rate = arc(np.broadcast_to(x0, (11, 3)), v, pulls[:, 0], pulls[:, 1], dt)
    by = np.zeros((len(dt), 3, N_TOSS))
    by[..., :3] = np.eye(3)
    by[..., 3:] = ((x[1::2] - x[2::2]) / (2 * _NUDGE[:, None, None])).transpose(1, 2, 0)
    return x[0], rate[0], by


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """Fitted arcs and how they answer to errors.

    by_pixels (n, n), by_air (n, 2) to standard normal errors; by_cameras (n, 18C), by_clocks (n, 3C) to errors
    of parameters; z (N,) each sighting's distance in its own sigmas, along both axes together
    """

    arcs: Arcs
    by_pixels: Array
    by_air: Array
    by_cameras: Array
    by_clocks: Array
    z: Array

    def covariance(self, cameras: Array | None = None, clocks: Array | None = None) -> Array:
        """(n, n) from pixels and air, and from cameras and clocks where their covariances are given."""
        out = self.by_pixels @ self.by_pixels.T + self.by_air @ self.by_air.T
        for by, given in ((self.by_cameras, cameras), (self.by_clocks, clocks)):
            if given is not None:
                out = out + by @ given @ by.T
        return np.asarray(out)


def missed_px(arcs: Arcs, seen: Sightings) -> Array:
    """(N, 2) seen minus predicted pixels; NaN where the ball would be behind the camera."""
    x, _ = arcs.at(seen.t_s)
    out = np.empty((len(seen), 2))
    for c, camera in enumerate(seen.cameras):
        own = seen.camera == c
        if own.any():
            out[own] = seen.uv_px[own] - camera.project(x[own])
    return out


def fit_arcs(start: Arcs, seen: Sightings, prior: Prior) -> Fit:
    """Least squares with played-down outliers from a start near by; every sighting takes part.

    Raises NotMeasurable where the sightings do not tell the arcs.
    """
    return _as_fit(settled(start, seen, prior), seen, prior)


def settled(start: Arcs, seen: Sightings, prior: Prior, steps: int = 25) -> Arcs:
    """The arcs alone of `fit_arcs`, after at most so many steps. Raises NotMeasurable likewise."""
    arcs, told = start, prior.information(len(start.values))
    known = np.zeros(len(start.values))
    known[FALL], known[DRAG] = prior.fall, prior.drag
    for _ in range(steps):
        J, r, _, _ = _linear(arcs, seen)
        weight = _weight((r**2).sum(axis=1))
        normal = np.einsum("n,nai,naj->ij", weight, J, J, optimize=True) + told
        pull = np.einsum("n,nai,na->i", weight, J, r, optimize=True) + told @ (known - arcs.values)
        step = _solved(normal, pull)
        arcs = replace(arcs, values=_within(arcs.values + step))
        if _astray(arcs, seen):
            raise NotMeasurable("the pictures of the ball do not lead to a path")
        if step @ normal @ step < _SETTLED:
            break
    return arcs


def _astray(arcs: Arcs, seen: Sightings) -> bool:
    """Whether a fit has left all that a ball does: too fast, or met at no time near the pictures."""
    if not np.linalg.norm(arcs.values[3:6]) < _ASTRAY_M_S:
        return True
    if not arcs.struck:
        return False
    near = seen.t_s.min() - _ASTRAY_S < arcs.contact_s < seen.t_s.max() + _ASTRAY_S
    return not (near and np.linalg.norm(arcs.values[STRUCK]) < 2 * _ASTRAY_M_S)


def _within(values: Array) -> Array:
    """Drag cannot push."""
    values[DRAG] = max(values[DRAG], 0.0)
    return values


def _solved(normal: Array, pull: Array) -> Array:
    if not (np.diag(normal) > 0).all():  # no picture tells of the struck arc: contact went past all of them
        raise NotMeasurable("the pictures of the ball do not tell its path")
    scale = 1 / np.sqrt(np.diag(normal))
    scaled = normal * scale * scale[:, None]
    if not np.isfinite(scaled).all() or np.linalg.cond(scaled) > 1e13:
        raise NotMeasurable("the pictures of the ball do not tell its path")
    return np.asarray(scale * np.linalg.solve(scaled, scale * pull))


def _weight(z2: Array) -> Array:
    return np.asarray((_NU + 2) / (_NU + z2))


def _linear(arcs: Arcs, seen: Sightings) -> tuple[Array, Array, Array, Array]:
    """In sigmas: J (N, 2, n), residuals r (N, 2), by the cameras' parameters (N, 2, 18), by lateness (N, 2)."""
    x, rate, by = arcs.by_values(seen.t_s)
    J = np.zeros((len(seen), 2, len(arcs.values)))
    r, late = np.zeros((len(seen), 2)), np.zeros((len(seen), 2))
    by_parameter = np.zeros((len(seen), 2, N_CAMERA))
    for c, camera in enumerate(seen.cameras):
        own = seen.camera == c
        if own.any():
            uv, by_point, by_parameter[own] = camera.project_all(x[own])
            J[own], r[own] = by_point @ by[own], seen.uv_px[own] - uv
            late[own] = (by_point @ rate[own, :, None])[..., 0]
    if not np.isfinite(r).all():
        raise NotMeasurable("the fitted ball would be behind a camera")
    sigma = seen.sigma_px
    return (
        J / sigma[:, None, None],
        r / sigma[:, None],
        by_parameter / sigma[:, None, None],
        late / sigma[:, None],
    )


def _as_fit(arcs: Arcs, seen: Sightings, prior: Prior) -> Fit:
    told = prior.information(len(arcs.values))
    J, r, by_parameter, by_lateness = _linear(arcs, seen)
    z2 = (r**2).sum(axis=1)
    normal = np.einsum("nai,naj->ij", J, J, optimize=True) / _spread(z2, len(arcs.values))
    cov = np.linalg.inv(normal + told)
    weight = _weight(z2)
    weight = weight / weight.mean() / _spread(z2, len(arcs.values))  # their sum is that of `normal`
    # with the same weights in both, clocks that are all late move all times by just that
    weighted = np.einsum("n,nai,naj->ij", weight, J, J, optimize=True)
    gain = np.einsum("ij,naj,n->ina", np.linalg.inv(weighted + told), J, weight, optimize=True)
    cameras, clocks = len(seen.cameras), np.zeros((len(cov), 3 * len(seen.cameras)))
    by_cameras = np.zeros((len(cov), N_CAMERA * cameras))
    for c in range(cameras):
        own = seen.camera == c
        by_cameras[:, N_CAMERA * c : N_CAMERA * (c + 1)] = np.einsum(
            "ina,nap->ip", gain[:, own], by_parameter[own]
        )
        clocks[:, 3 * c : 3 * c + 3] = np.einsum(
            "ina,na,nk->ik", gain[:, own], by_lateness[own], seen.late[own]
        )
    values, vectors = np.linalg.eigh(cov @ normal @ cov)
    by_pixels = vectors * np.sqrt(np.maximum(values, 0.0))
    by_air = np.stack([cov[:, DRAG] / prior.u_drag, cov[:, FALL] * np.sqrt(told[FALL, FALL])], axis=1)
    return Fit(arcs, by_pixels, by_air, by_cameras, clocks, np.sqrt(z2))


def _spread(z2: Array, n: int) -> float:
    """By what the variance of the estimate is above that of least squares with true sigmas, at least 1.

    Source: Huber PJ (1981), Robust Statistics, ch. 7: mean of psi² over the square of mean psi'.
    """
    weight = _weight(z2)
    slope = weight - z2 * weight / (_NU + z2)
    freedom = max(1 - n / (2 * len(z2)), 0.2)
    return max(1.0, float((z2 * weight**2).mean() / 2 / max(slope.mean(), 0.1) ** 2 / freedom))
