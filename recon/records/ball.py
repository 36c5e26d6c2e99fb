"""The tossed ball: its free flight, when it left the hand, when and how the racket struck it."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calibration.checks import Array, checked
from calibration.errors import BadInput
from recon.records.arc import arc

BALL_PARAMETERS = (
    "x_m", "y_m", "z_m", "vx_m_s", "vy_m_s", "vz_m_s", "fall_m_s2", "drag_per_m", "release_s", "contact_s",
    "struck_vx_m_s", "struck_vy_m_s", "struck_vz_m_s",
)  # fmt: skip
"""What a flight is made of, in the order of its draws and responses."""

BALL_SOURCES = ("pixels", "air", "calibration", "clocks")
"""What a flight's errors come from. air: the drag, and the local gravity."""

LEAST_SIGHTINGS = 3
"""Pictures of the struck ball below which its speed is not told: two would agree with any speed."""

_N = len(BALL_PARAMETERS)


@dataclass(frozen=True, slots=True, eq=False)
class BallFlight:
    """Free flight of the tossed ball under gravity and drag, broken by the racket.

    t0_s, t1_s       rig times between which the free flight was seen; t0_s is the epoch of the next two
    position_m (3,), velocity_m_s (3,) at t0_s
    gravity_m_s2, u_gravity_m_s2  fitted beside the path, with drag: a check of scale and frame rate
    rms_m            distance of the seen points from the curve
    fall_m_s2        the gravity that the path itself falls with
    drag_per_m       deceleration over speed squared; 0: no air
    release_s        rig time at which the ball left the hand; None where that was not told
    contact_s        rig time at which the racket met it; None where the break was not seen
    struck_velocity_m_s  (3,) just after contact; absent where contact_s is
    struck_sightings     pictures of the struck ball, over all cameras
    by_pixels (13, 13), by_air (13, 2), by_cameras (13, 18C), by_clocks (13, 3C)  how BALL_PARAMETERS respond to
        standard normal errors (pixels, air) and to errors of the cameras' and clocks' parameters, in the order
        of the cameras and of Clocks.covariance; None: a flight that was not measured, and has no errors
    """

    t0_s: float
    t1_s: float
    position_m: Array
    velocity_m_s: Array
    gravity_m_s2: float
    u_gravity_m_s2: float
    rms_m: float
    fall_m_s2: float = 9.81
    drag_per_m: float = 0.0
    release_s: float | None = None
    contact_s: float | None = None
    struck_velocity_m_s: Array | None = None
    struck_sightings: int = 0
    by_pixels: Array | None = None
    by_air: Array | None = None
    by_cameras: Array | None = None
    by_clocks: Array | None = None

    def __post_init__(self) -> None:
        wanted: dict[str, tuple[int | None, ...]] = {
            "position_m": (3,), "velocity_m_s": (3,), "struck_velocity_m_s": (3,), "by_pixels": (_N, _N),
            "by_air": (_N, 2), "by_cameras": (_N, None), "by_clocks": (_N, None),
        }  # fmt: skip
        for field, shape in wanted.items():
            value = getattr(self, field)
            if value is not None:
                object.__setattr__(self, field, checked(value, shape, f"ball flight: {field}"))
        if not self.t1_s > self.t0_s:
            raise BadInput(f"ball flight: want t1_s > t0_s, got {self.t1_s} <= {self.t0_s}")
        if (self.contact_s is None) != (self.struck_velocity_m_s is None):
            raise BadInput("ball flight: want a contact and the velocity after it together, got one of them")
        if not (self.fall_m_s2 > 0 and self.drag_per_m >= 0):
            raise BadInput(f"ball flight: want fall > 0 and drag >= 0, got {self.fall_m_s2}, {self.drag_per_m}")

    def at(self, t_s: Array | float) -> Array:
        """Positions (..., 3) at rig times (...,), metres; after contact, of the struck ball.

        Meaningful from the release until some tenths of a second after contact: no bounce is modelled.
        """
        return self._state(t_s)[0]

    def velocity_at(self, t_s: Array | float) -> Array:
        """Velocities (..., 3) at rig times (...,), m/s. At contact itself: that of the tossed ball."""
        return self._state(t_s)[1]

    def apex(self) -> tuple[float, Array]:
        """Rig time and place (3,) of the toss's highest point, were no racket in its way."""
        t = self.t0_s + float(self.velocity_m_s[2]) / self.fall_m_s2
        for _ in range(4):  # Newton: the drag changes the rise by a few per cent
            v = self._toss(np.array([t]))[1]
            pull = self.fall_m_s2 + self.drag_per_m * float(np.linalg.norm(v[0])) * float(v[0, 2])
            t += float(v[0, 2]) / pull
        return t, np.asarray(self._toss(np.array([t]))[0][0])

    def struck_speed_m_s(self) -> float | None:
        """Speed just after contact; None where the struck ball was seen too seldom to tell one."""
        if self.struck_velocity_m_s is None or self.struck_sightings < LEAST_SIGHTINGS:
            return None
        return float(np.linalg.norm(self.struck_velocity_m_s))

    def parameters(self) -> Array:
        """(13,) values of BALL_PARAMETERS, NaN where absent."""
        struck = np.full(3, np.nan) if self.struck_velocity_m_s is None else self.struck_velocity_m_s
        times = [np.nan if t is None else t for t in (self.release_s, self.contact_s)]
        return np.concatenate(
            [self.position_m, self.velocity_m_s, [self.fall_m_s2, self.drag_per_m], times, struck]
        )

    def moved(self, by: Array) -> BallFlight:
        """The flight with its parameters displaced by (13,); what is absent stays absent."""
        p = self.parameters() + checked(by, (_N,), "ball flight: by")
        known = self.contact_s is not None
        return replace(
            self,
            position_m=p[:3],
            velocity_m_s=p[3:6],
            fall_m_s2=float(p[6]),
            drag_per_m=max(float(p[7]), 0.0),
            release_s=None if self.release_s is None else float(p[8]),
            contact_s=float(p[9]) if known else None,
            struck_velocity_m_s=p[10:] if known else None,
        )

    def response(self, source: str) -> Array | None:
        """(13, n) of one of BALL_SOURCES: displacement of the parameters = response @ errors (n,)."""
        ways = dict(
            zip(BALL_SOURCES, (self.by_pixels, self.by_air, self.by_cameras, self.by_clocks), strict=True)
        )
        if source not in ways:
            raise BadInput(f"ball flight: want a source of {', '.join(BALL_SOURCES)}, got {source!r}")
        return ways[source]

    def moved_by(self, source: str, errors: Array) -> tuple[BallFlight, ...]:
        """The flight K times, each displaced by one row of errors (K, n): for the errors of cameras or clocks
        that also displace the body."""
        response = self.response(source)
        if response is None:
            return (self,) * len(errors)
        return tuple(self.moved(response @ e) for e in checked(errors, (None, response.shape[1]), source))

    def draws(
        self, source: str, count: int, rng: np.random.Generator, covariance: Array | None = None
    ) -> tuple[BallFlight, ...]:
        """The flight displaced by `count` random errors of one source.

        covariance (n, n): of the errors of cameras (18C) or clocks (3C); pixels and air need none.
        """
        response = self.response(source)
        if response is None:
            return (self,) * count
        n = response.shape[1]
        if covariance is None and source in ("calibration", "clocks"):
            raise BadInput(f"ball flight: draws from {source} want the covariance of their errors")
        root = np.eye(n) if covariance is None else _root(checked(covariance, (n, n), source))
        return self.moved_by(source, rng.standard_normal((count, n)) @ root.T)

    def covariance(self, source: str, covariance: Array | None = None) -> Array:
        """(13, 13) of the parameters from one source; zero where a parameter or the response is absent."""
        response = self.response(source)
        if response is None:
            return np.zeros((_N, _N))
        middle = np.eye(response.shape[1]) if covariance is None else covariance
        return np.asarray(response @ middle @ response.T)

    def _toss(self, t_s: Array) -> tuple[Array, Array]:
        return arc(self.position_m, self.velocity_m_s, self.fall_m_s2, self.drag_per_m, t_s - self.t0_s)

    def _state(self, t_s: Array | float) -> tuple[Array, Array]:
        t = np.asarray(t_s, dtype=float)
        flat = t.reshape(-1)
        x, v = self._toss(flat)
        if (
            self.contact_s is not None
            and self.struck_velocity_m_s is not None
            and (flat > self.contact_s).any()
        ):
            after = flat > self.contact_s
            met = self._toss(np.array([self.contact_s]))[0][0]
            x[after], v[after] = arc(
                met, self.struck_velocity_m_s, self.fall_m_s2, self.drag_per_m, flat[after] - self.contact_s
            )
        return x.reshape(*t.shape, 3), v.reshape(*t.shape, 3)


def _root(covariance: Array) -> Array:
    """Square root of a covariance that may be singular."""
    values, vectors = np.linalg.eigh((covariance + covariance.T) / 2)
    return np.asarray(vectors * np.sqrt(np.maximum(values, 0.0)))
