"""The ball of one session: chosen over all cameras before points rest on it, fitted once the hand is known."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from calibration import CalibratedRig
from recon.flight import (
    BALL_KINDS,
    USUAL_KIND,
    BallPath,
    FoundBall,
    HandPath,
    ball_checks,
    find_ball,
    fit_ball,
    sightings_of,
)
from recon.flight.checks import GRAVITY
from recon.motion import TAPES_INSIDE_M, TAPES_UNSURE_M
from recon.records import BallCandidates, BallFlight, Check, Clocks, Motion, Points3D, Tracks2D, other_side
from recon.records.checks import FAILED
from recon.session import Session

_REACH_M = 1.2  # from the wrist: the longest racket the rules allow, 0.74 m, and what is not known of the wrist
_QUICK_M_S = 4.0  # no hand that hits is slower; one that carries or tosses a ball is
_FALLS_M_S2 = 1.0  # u of the fitted gravity: a toss of half a second tells it ten times better
_LEAST_LENGTHS = 10  # instants with both ends of the racket: some of fewer may all be gross errors
_ABOUT_S = 0.3  # before and after what is known of the serve's ball: carried, and flown out of the picture


@dataclass(frozen=True, slots=True, eq=False)
class ChosenBall:
    """Which patches are the serve's ball, and the tracks with it in place of the patch each camera liked best.

    found: the ball among the sightings that the fit rests on, other patches left out where the ball is known
    """

    tracks: Tracks2D
    found: FoundBall


def choose_ball(
    session: Session,
    rig: CalibratedRig,
    tracks: Tracks2D,
    clocks: Clocks,
    candidates: Mapping[str, BallCandidates],
) -> ChosenBall:
    """The ball whose flight all cameras agree on; the tracks as they are where there is none."""
    seen = sightings_of(rig.cameras, tracks, clocks, candidates)
    found = find_ball(seen, BALL_KINDS[session.file.serve.ball or USUAL_KIND])
    if not len(found.rows):
        return ChosenBall(tracks, found)
    known = _spans(found)
    own = np.zeros(len(seen), bool)
    own[found.rows] = True
    first_frame, last_frame = np.array(known)[seen.camera].T
    inside = (first_frame <= seen.frame) & (seen.frame <= last_frame)
    first, last = seen.t_s[found.rows][[0, -1]] + (-_ABOUT_S, _ABOUT_S)
    kept = (own | ~inside) & (seen.t_s > first) & (seen.t_s < last)
    return ChosenBall(_with_ball(tracks, found, known), found.among(kept))


def measured_ball(
    session: Session,
    rig: CalibratedRig,
    chosen: ChosenBall,
    clocks: Clocks,
    points: Points3D,
    motion: Motion,
    hitting: str,
) -> tuple[BallPath, tuple[Check, ...]]:
    """The ball's path with its release from ball and hand together, and what it says of scale and rate.

    points: of the racket as the pixels have them, before a told length holds them; hitting: the hand that hits,
    right or left.
    """
    hand = HandPath(motion.t_s, motion.path(f"{other_side(hitting)}_wrist"))
    path = fit_ball(chosen.found, clocks, rig.covariance, hand)
    stranger = _stranger(path.flight, hitting, motion)
    if stranger:
        return BallPath(None, stranger), ()
    return path, ball_checks(path, chosen.found, _racket_length(session, points))


def told_of_ball(chosen: ChosenBall, path: BallPath) -> tuple[str, ...]:
    """Sentences about other throws, and why there is no ball where there is none."""
    if path.flight is not None:
        return chosen.found.told
    return (
        *chosen.found.told,
        f"without the ball: {path.why}; hands and racket tell release and contact, less surely, and what only "
        "a ball tells is not measured",
    )


def _racket_length(session: Session, points: Points3D) -> tuple[float, float, float] | None:
    """The racket's length as its tapes lie apart, its u, and the one told; None where one is missing."""
    told = session.file.serve.racket_length_m
    tip, butt = points.index("racket_tip"), points.index("racket_butt")
    apart = np.linalg.norm(points.xyz_m[:, tip] - points.xyz_m[:, butt], axis=1)
    apart = apart[~np.isnan(apart)]
    if told is None or len(apart) < _LEAST_LENGTHS:
        return None
    middle = float(np.median(apart))
    spread = 1.4826 * float(np.median(np.abs(apart - middle))) / np.sqrt(len(apart))
    return middle + TAPES_INSIDE_M, float(np.hypot(spread, TAPES_UNSURE_M)), told


def _stranger(flight: BallFlight | None, handedness: str, motion: Motion) -> str:
    """Why a flight cannot be of this serve's ball: nothing tells that it fell, or at the hit it was, or would
    have been, out of the racket's reach; empty where it can."""
    if flight is not None and flight.u_gravity_m_s2 > _FALLS_M_S2:
        return "something flew, but too briefly or too faintly to tell that it fell as a tossed ball does"
    if flight is None:
        return ""
    hit_s = flight.contact_s if flight.contact_s is not None else _fastest_s(handedness, motion)
    if hit_s is None:
        return ""
    wrist = motion.path(f"{handedness}_wrist")[motion.nearest(hit_s)]
    away = float(np.linalg.norm(flight.at(hit_s) - wrist))
    if not away > _REACH_M:  # a wrist that was not seen then tells nothing
        return ""
    if flight.contact_s is None:
        return (
            f"what flew freely from {flight.t0_s:.1f} s to {flight.t1_s:.1f} s was out of reach at the hit, at "
            f"{hit_s:.1f} s: that was another throw, and the ball that was hit was not seen"
        )
    return (
        f"something flew freely, and broke off {away:.1f} m from the hitting hand: farther than a racket "
        "reaches, so that is not taken for the serve's ball"
    )


def _fastest_s(handedness: str, motion: Motion) -> float | None:
    """When the hitting hand was fastest; None where it was never seen to be quick."""
    velocity = motion.velocity_m_s[:, motion.index(f"{handedness}_wrist")]
    speed = np.nan_to_num(np.linalg.norm(velocity, axis=1))
    k = int(speed.argmax())
    return float(motion.t_s[k]) if speed[k] > _QUICK_M_S else None


def check_flags(checks: Sequence[Check], said: Sequence[str]) -> list[str]:
    """The sentences of those that failed; said: what is told already, where a fall far off has its own."""
    falls = any(flag.startswith("the toss falls") for flag in said)
    return [c.sentence() for c in checks if c.verdict == FAILED and not (falls and c.name == GRAVITY)]


def with_ball_of(tracks: Tracks2D, chosen: Tracks2D) -> Tracks2D:
    """Tracks with another's ball."""
    p, cameras = tracks.index("ball"), []
    for camera in tracks.cameras:
        other = chosen.of(camera.camera)
        uv, sigma = camera.uv_px.copy(), camera.sigma_px.copy()
        uv[:, p], sigma[:, p] = other.uv_px[:, p], other.sigma_px[:, p]
        cameras.append(replace(camera, uv_px=uv, sigma_px=sigma))
    return replace(tracks, cameras=tuple(cameras))


def _spans(found: FoundBall) -> list[tuple[int, int]]:
    """Per camera the frames from the ball's first to its last; (0, -1) where it never saw it."""
    own, out = found.seen.where(found.rows), []
    for c in range(len(own.cameras)):
        frames = own.frame[own.camera == c]
        out.append((int(frames.min()), int(frames.max())) if len(frames) else (0, -1))
    return out


def _with_ball(tracks: Tracks2D, found: FoundBall, spans: list[tuple[int, int]]) -> Tracks2D:
    p, changed, ball = tracks.index("ball"), [], found.seen.where(found.rows)
    for camera in tracks.cameras:
        c = [k.name for k in ball.cameras].index(camera.camera)
        uv, sigma = camera.uv_px.copy(), camera.sigma_px.copy()
        between = slice(spans[c][0], spans[c][1] + 1)
        uv[between, p], sigma[between, p] = np.nan, np.nan
        own = ball.camera == c
        uv[ball.frame[own], p], sigma[ball.frame[own], p] = ball.uv_px[own], ball.sigma_px[own]
        changed.append(replace(camera, uv_px=uv, sigma_px=sigma))
    return replace(tracks, cameras=tuple(changed))
