"""The serve's ball from its sightings: which flight it is, its arcs, its release, and what else was thrown."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from calibration.checks import Array
from calibration.errors import NotMeasurable
from recon.flight.arcs import CONTACT, DRAG, FALL, GRAVITY_M_S2, N_TOSS, STRUCK, Arcs, Fit, Prior, fit_arcs
from recon.flight.kinds import BALL_KINDS, USUAL_KIND, BallKind
from recon.flight.release import HandPath, Release, clean_from_s, find_release
from recon.flight.search import Flight, SearchOptions, find_flights
from recon.flight.sightings import Chosen, Index, Sightings
from recon.flight.strike import Strike, find_strike
from recon.records import BALL_PARAMETERS, BallFlight, Clocks

_WRONG_FALL_M_S2, _WRONG_SIGMAS = 0.1, 3.0  # beyond both, the path falls as it was seen to
_LOST_S = 1.0  # above a picture, a ball is away for no longer: it rises 1.2 m beyond
_TOSSED_RISE_M = 0.3  # what rises less was dropped or bounced
_AS_HIGH_M = 0.5  # tosses of one player differ by less (common practice); a bounced ball rises less by more
_N = len(BALL_PARAMETERS)
_RELEASE, _CONTACT = BALL_PARAMETERS.index("release_s"), BALL_PARAMETERS.index("contact_s")


@dataclass(frozen=True, slots=True, eq=False)
class FoundBall:
    """Which sightings are the serve's ball, before its hand and the errors of cameras and clocks are looked at.

    seen, kind    all sightings, and what ball was looked for
    toss, struck  rows of `seen` that are the ball before and after contact; empty where there is none
    why           the reason where there is none
    told          sentences about other throws
    free, whole   the toss's arc alone, and with the strike where one was seen; None where there is no ball
    """

    seen: Sightings
    kind: BallKind
    toss: Index = field(default_factory=lambda: np.array([], dtype=np.intp))
    struck: Index = field(default_factory=lambda: np.array([], dtype=np.intp))
    why: str = ""
    told: tuple[str, ...] = ()
    free: Arcs | None = None
    whole: Arcs | None = None

    @property
    def rows(self) -> Index:
        """Of the ball, toss and strike, in order of time."""
        return np.sort(np.concatenate([self.toss, self.struck]))

    def among(self, kept: Chosen) -> FoundBall:
        """The same ball among fewer sightings; all of its own have to be kept."""
        number = np.cumsum(kept) - 1
        return replace(self, seen=self.seen.where(kept), toss=number[self.toss], struck=number[self.struck])


@dataclass(frozen=True, slots=True, eq=False)
class BallPath:
    """The ball's flight and the fit of both arcs to its sightings; None where there is none, and why."""

    flight: BallFlight | None
    why: str = ""
    fit: Fit | None = None


@dataclass(frozen=True, slots=True, eq=False)
class _Thrown:
    flight: Flight
    strike: Strike | None


def find_ball(
    seen: Sightings, kind: BallKind = BALL_KINDS[USUAL_KIND], options: SearchOptions | None = None
) -> FoundBall:
    """The toss that the racket broke, or the likeliest where none was seen broken."""
    options, prior = options or SearchOptions(), _prior(kind)
    thrown = [_Thrown(f, find_strike(seen, f, prior, options)) for f in find_flights(seen, prior, options)]
    if not thrown:
        return FoundBall(seen, kind, why=_why_none(seen))
    serve = _serve_of(thrown, seen)
    told = _other_throws(thrown, serve, seen)
    flight, strike = serve.flight, serve.strike
    if strike is None:
        return FoundBall(seen, kind, toss=flight.members, told=told, free=flight.arcs, whole=flight.arcs)
    return FoundBall(seen, kind, strike.toss, strike.struck, "", told, flight.arcs, strike.fit.arcs)


def fit_ball(
    found: FoundBall, clocks: Clocks, covariance: Array | None = None, hand: HandPath | None = None
) -> BallPath:
    """The found ball's release and arcs with their uncertainty.

    covariance (18C, 18C): of the cameras' parameters; with it the check of gravity counts the calibration too.
    """
    if found.free is None or found.whole is None:
        return BallPath(None, found.why)
    try:
        return _as_path(found, found.free, found.whole, clocks, covariance, hand)
    except NotMeasurable as error:
        return BallPath(None, str(error))


def _prior(kind: BallKind) -> Prior:
    return Prior(drag=kind.drag_per_m[0], u_drag=kind.drag_per_m[1])


def _serve_of(thrown: Sequence[_Thrown], seen: Sightings) -> _Thrown:
    """The throw with the strike that was seen best. Without one, of those last seen well above where they came
    from, for a ball that is caught or dropped falls back, the last one that went about as high as any.
    """
    struck = [t for t in thrown if t.strike is not None]
    if struck:
        return max(struck, key=lambda t: 0 if t.strike is None else len(t.strike.struck))
    heights = [_heights_m(t, seen) for t in thrown]
    ended_high = [z[-1] - z[0] > _TOSSED_RISE_M for z in heights]
    open_to = [k for k in range(len(thrown)) if ended_high[k] or not any(ended_high)]
    highest = max(heights[k].max() for k in open_to)
    return thrown[[k for k in open_to if heights[k].max() > highest - _AS_HIGH_M][-1]]


def _heights_m(thrown: _Thrown, seen: Sightings) -> Array:
    """Along a flight, from its first sighting to its last."""
    first, last = thrown.flight.span(seen)
    return np.asarray(thrown.flight.arcs.at(np.linspace(first, last, 50))[0][:, 2])


def _why_none(seen: Sightings) -> str:
    if not len(seen):
        return "no camera saw anything that may be the ball"
    pictures = [len(np.unique(seen.frame[seen.camera == c])) for c in range(len(seen.cameras))]
    two = sorted(pictures)[-2]
    if two < 8:
        return f"the ball was found by two cameras in {two} frames; want at least 8"
    return "no stretch of the ball's path falls as a free flight does"


def _other_throws(thrown: Sequence[_Thrown], serve: _Thrown, seen: Sightings) -> tuple[str, ...]:
    """Sentences about throws before the serve that went up and came down unbroken.

    One that was lost on high, above the picture say, and found again comes in two parts.
    """
    then = serve.flight.span(seen)[0]
    told, last_s, before = [], -np.inf, np.array([])
    for one in (t for t in thrown if t.flight.span(seen)[0] < then):
        first, last = one.flight.span(seen)
        z = _heights_m(one, seen)
        if len(before) and first - last_s < _LOST_S and before[-1] - before[0] > _TOSSED_RISE_M < z[0] - z[-1]:
            z = np.concatenate([before, z])
        before, last_s = z, last
        if z.max() - z[0] > _TOSSED_RISE_M and z.max() - z[-1] > _TOSSED_RISE_M / 2:
            how = "tossed and caught" if z[-1] > 2 * _TOSSED_RISE_M else "tossed and dropped"
            told.append(
                f"the ball was {how} at {last:.1f} s; the serve is measured from the toss at {then:.1f} s"
            )
    return tuple(told)


def _as_path(
    found: FoundBall, toss: Arcs, arcs: Arcs, clocks: Clocks, covariance: Array | None, hand: HandPath | None
) -> BallPath:
    seen, members, prior = found.seen, found.toss, _prior(found.kind)
    clean = members[seen.t_s[members] >= clean_from_s(seen, members)]
    release = find_release(seen, members, fit_arcs(toss, seen.where(clean), prior), hand)
    free = members if release is None else members[seen.t_s[members] >= release.t_s]
    if len(free) < len(clean):
        free = clean
    used = seen.where(np.sort(np.concatenate([free, found.struck])))
    arcs = _from(arcs, float(seen.t_s[free].min()))
    known = {"cameras": covariance, "clocks": _by_camera(clocks, seen)}
    loose = fit_arcs(arcs, used, replace(prior, u_fall=None))
    g, u_g = float(loose.arcs.values[FALL]), float(np.sqrt(loose.covariance(**known)[FALL, FALL]))
    u_g = float(np.hypot(u_g, prior.u_fall or 0.0))
    wrong = abs(g - GRAVITY_M_S2) > max(_WRONG_FALL_M_S2, _WRONG_SIGMAS * u_g)
    fit = loose if wrong else fit_arcs(arcs, used, prior)
    return BallPath(_record(fit, used, len(found.struck), release, clocks, (g, u_g)), "", fit)


def _from(arcs: Arcs, t0_s: float) -> Arcs:
    """The same arcs with another epoch."""
    x, v = arcs.at(np.array([t0_s]))
    return Arcs(t0_s, np.concatenate([x[0], v[0], arcs.values[FALL:]]))


def _by_camera(clocks: Clocks, seen: Sightings) -> Array:
    """(3C, 3C) covariance of the clocks in the cameras' order."""
    at = _clock_columns(clocks, seen)
    return clocks.covariance()[np.ix_(at, at)]


def _clock_columns(clocks: Clocks, seen: Sightings) -> Index:
    """(3C,) where offset, drift and readout of each camera stand among all clocks' parameters."""
    names = [c.camera for c in clocks.clocks]
    return np.concatenate([3 * names.index(c.name) + np.arange(3) for c in seen.cameras])


def _record(
    fit: Fit, used: Sightings, struck: int, release: Release | None, clocks: Clocks, fall: tuple[float, float]
) -> BallFlight:
    arcs = fit.arcs
    toss = used.t_s <= arcs.contact_s
    at = np.arange(N_TOSS) if not arcs.struck else np.r_[np.arange(N_TOSS), _CONTACT + np.arange(4)]
    by_clocks = np.zeros((_N, 3 * len(clocks.clocks)))
    columns = _clock_columns(clocks, used)
    by_clocks[np.ix_(at, columns)] = fit.by_clocks
    by_pixels = np.zeros((_N, _N))
    by_pixels[at, : len(at)] = fit.by_pixels
    if release is not None:  # seen by all cameras together, whose clocks' errors shift it by their mean
        by_pixels[_RELEASE, _N - 1] = release.u_s
        by_clocks[_RELEASE, columns[::3]] = -1 / len(used.cameras)
    return BallFlight(
        t0_s=arcs.t0_s,
        t1_s=float(used.t_s[toss].max()),
        position_m=arcs.values[:3],
        velocity_m_s=arcs.values[3:6],
        gravity_m_s2=fall[0],
        u_gravity_m_s2=fall[1],
        rms_m=_distance_m(fit, used, toss),
        fall_m_s2=float(arcs.values[FALL]),
        drag_per_m=float(arcs.values[DRAG]),
        release_s=None if release is None else release.t_s,
        contact_s=float(arcs.values[CONTACT]) if arcs.struck else None,
        struck_velocity_m_s=arcs.values[STRUCK] if arcs.struck else None,
        struck_sightings=struck,
        by_pixels=by_pixels,
        by_air=_spread_rows(fit.by_air, at),
        by_cameras=_spread_rows(fit.by_cameras, at),
        by_clocks=by_clocks,
    )


def _spread_rows(rows: Array, at: Index) -> Array:
    out = np.zeros((_N, rows.shape[1]))
    out[at] = rows
    return out


def _distance_m(fit: Fit, used: Sightings, toss: Chosen) -> float:
    """Root mean square distance across the line of sight of the toss's sightings from its arc."""
    x = fit.arcs.at(used.t_s)[0]
    out = np.empty(len(used))
    for c, camera in enumerate(used.cameras):
        own = used.camera == c
        focal = np.sqrt(camera.K_px[0, 0] * camera.K_px[1, 1])
        out[own] = fit.z[own] * used.sigma_px[own] * camera.depth_m(x[own]) / focal
    return float(np.sqrt((out[toss] ** 2).mean()))
