"""What the ball says about scale, frame rate and the cameras' places, and which cause fits where it disagrees.

A wrong square size stretches all lengths by one factor, and with them the fall and the ball. A wrong frame rate
changes the fall by its square and leaves lengths alone. A camera that was moved makes the rays miss each other.
"""

from __future__ import annotations

import numpy as np

from calibration.checks import Array
from recon.flight.arcs import GRAVITY_M_S2, U_GRAVITY_M_S2, Arcs
from recon.flight.sightings import Sightings
from recon.flight.whole import BallPath, FoundBall
from recon.records import Check
from recon.records.checks import FAILED, PASSED, UNTOLD

GRAVITY, BALL_SIZE, RACKET, RAYS = (
    "gravity",
    "the ball's diameter",
    "the racket's length",
    "the rays to the ball",
)
_LEAST_OFF_M_S2 = 0.15  # smaller disagreements tell of nothing that a person could mend
_EDGE_PX = 0.8  # u of an apparent diameter: where an unsharp, half lit edge is
_RAYS_PX = 2.0  # a lasting disagreement of so many pixels is a camera that stands elsewhere
_LEAST_SIZES = 10
_MOVED_M = 0.3  # where the ball is looked for in a camera that may have been moved
_LENGTHS = "look at the square size of the board, and at the length that the session tells"


def ball_checks(
    path: BallPath, found: FoundBall, racket: tuple[float, float, float] | None = None
) -> tuple[Check, ...]:
    """Gravity, the ball's size, the racket's length and the rays' agreement, each with what fits a failure.

    racket: length between its ends as measured, its u, and the true one, metres; None where one is not known.
    """
    if path.flight is None or path.fit is None:
        untold = Check(GRAVITY, "m/s²", None, None, GRAVITY_M_S2, U_GRAVITY_M_S2, UNTOLD, path.why)
        if racket is None:
            return (untold,)
        return untold, _check(RACKET, "m", racket[:2], (racket[2], 0.0), 0.0, _LENGTHS)
    used, kind, arcs = found.seen.where(found.rows), found.kind, path.fit.arcs
    x = arcs.at(used.t_s)[0]
    g, u_g = path.flight.gravity_m_s2, path.flight.u_gravity_m_s2
    fall = (g / GRAVITY_M_S2, u_g / GRAVITY_M_S2)
    size = _size(used, x)
    off = _lasting_off_px(_near(found.seen, arcs, used))
    lengths = [] if size is None else [_ratio(size, kind.size_m)]
    if racket is not None:
        lengths.append(_ratio(racket[:2], (racket[2], 0.0)))
    cause = _cause(fall, lengths, off)
    out = [_check(GRAVITY, "m/s²", (g, u_g), (GRAVITY_M_S2, 0.0), _LEAST_OFF_M_S2, cause)]
    if size is not None:
        out.append(_check(BALL_SIZE, "m", size, kind.size_m, 0.0, cause))
    if racket is not None:
        out.append(_check(RACKET, "m", racket[:2], (racket[2], 0.0), 0.0, cause))
    if off is not None:
        out.append(_check(RAYS, "px", off, (0.0, 0.0), _RAYS_PX, cause))
    return tuple(out)


def _ratio(got: tuple[float, float], true: tuple[float, float]) -> tuple[float, float]:
    """Measured over true, and u."""
    return got[0] / true[0], float(np.hypot(got[1], true[1])) / true[0]


def _check(
    name: str, unit: str, got: tuple[float, float], expected: tuple[float, float], least: float, cause: str
) -> Check:
    off, u = abs(got[0] - expected[0]), float(np.hypot(got[1], expected[1]))
    failed = off > max(2.5 * u, least)
    why = (cause or "look at the square size of the board and at the frame rate") if failed else ""
    return Check(name, unit, got[0], got[1], *expected, FAILED if failed else PASSED, why)


def _size(used: Sightings, x: Array) -> tuple[float, float] | None:
    """The ball's diameter from its pictures and its distance, with u, metres; None where too few tell it."""
    told = np.flatnonzero(~np.isnan(used.diameter_px))
    if len(told) < _LEAST_SIZES:
        return None
    per_px = np.empty(len(used))
    for c, camera in enumerate(used.cameras):
        own = used.camera == c
        away = np.linalg.norm(x[own] - camera.centre_m(), axis=1)
        bearing = camera.depth_m(x[own]) / away  # a ball away from the axis is seen larger along one side
        per_px[own] = away / np.sqrt(camera.K_px[0, 0] * camera.K_px[1, 1]) * bearing
    sizes = used.diameter_px[told] * per_px[told]
    spread = 1.4826 * np.median(np.abs(sizes - np.median(sizes))) / np.sqrt(len(told))
    return float(np.median(sizes)), float(np.hypot(spread, _EDGE_PX * np.median(per_px[told])))


def _near(seen: Sightings, arcs: Arcs, used: Sightings) -> list[Array]:
    """Per camera (n, 2) pixels by which the nearest patch of each picture misses the toss's path.

    Not only patches that were taken for the ball: those of a camera that was moved may all lie beyond the gate.
    """
    stop = min(arcs.contact_s, float(used.t_s.max()))
    seen = seen.where((seen.t_s >= used.t_s.min()) & (seen.t_s < stop))
    x, out = arcs.at(seen.t_s)[0], []
    for c, camera in enumerate(seen.cameras):
        own = seen.camera == c
        off, frame = seen.uv_px[own] - camera.project(x[own]), seen.frame[own]
        away = np.linalg.norm(off, axis=1)
        reach = (
            _MOVED_M * np.sqrt(camera.K_px[0, 0] * camera.K_px[1, 1]) / np.maximum(camera.depth_m(x[own]), 0.1)
        )
        order = np.argsort(away, kind="stable")
        order = order[(away < reach)[order]]
        _, first = np.unique(frame[order], return_index=True)
        out.append(off[order[first]])
    return out


def _lasting_off_px(misses: list[Array]) -> tuple[float, float] | None:
    """The largest lasting distance of one camera's pixels from the path that all share, with its u."""
    out = []
    for off in misses:
        if len(off) >= _LEAST_SIZES:
            middle = np.median(off, axis=0)
            spread = 1.4826 * np.median(np.abs(off - middle), axis=0) * 1.25 / np.sqrt(len(off))
            out.append((float(np.linalg.norm(middle)), float(np.linalg.norm(spread))))
    return max(out) if len(out) >= 2 else None


def _cause(
    fall: tuple[float, float], lengths: list[tuple[float, float]], off: tuple[float, float] | None
) -> str:
    """The cause that fits what disagrees, in words; "" where nothing does. Ratios are measured over true."""
    if off is not None and off[0] > max(_RAYS_PX, 2.5 * off[1]):
        return (
            f"the cameras' rays to the ball miss each other by {off[0]:.1f} px throughout: that fits a camera "
            "that was moved; run `courtplumb check-rig`"
        )
    wrong = abs(fall[0] - 1) > max(2.5 * fall[1], _LEAST_OFF_M_S2 / GRAVITY_M_S2)
    told = min(lengths, key=lambda r: r[1], default=None)
    stretched = told is not None and abs(told[0] - 1) > 2.5 * told[1]
    if not wrong:
        return "lengths are off but the fall is not: look what ball and racket these were" if stretched else ""
    percent, rate = 100 * (fall[0] - 1), 100 * (1 / np.sqrt(fall[0]) - 1)
    square = (
        f"a board whose squares are {abs(percent):.1f} % {'smaller' if percent > 0 else 'larger'} than told"
    )
    film = f"a film of {abs(rate):.1f} % {'more' if rate > 0 else 'fewer'} pictures a second than stamped"
    if told is None:
        return f"that fits {square}, or {film}"
    as_lengths = abs(told[0] - fall[0]) < 2.5 * np.hypot(told[1], fall[1])
    as_true = not stretched
    if as_lengths and not as_true:
        return f"lengths are off by the same factor: that fits {square}"
    if as_true and not as_lengths:
        return f"lengths are right: that fits {film}"
    return f"that fits {square}, or {film}; the lengths are not told well enough to say which"
