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
    HandPath,
    Sightings,
    ball_checks,
    fit_ball,
    sightings_of,
)
from recon.flight.checks import GRAVITY
from recon.records import BallCandidates, BallFlight, Check, Clocks, Motion, Tracks2D
from recon.records.checks import FAILED
from recon.session import Session

_REACH_M = 1.2  # from the wrist: the longest racket the rules allow, 0.74 m, and what is not known of the wrist
_FALLS_M_S2 = 1.0  # u of the fitted gravity: a toss of half a second tells it ten times better
_ABOUT_S = 0.3  # before and after what is known of the serve's ball: carried, and flown out of the picture


@dataclass(frozen=True, slots=True, eq=False)
class ChosenBall:
    """Which patches are the serve's ball, and the tracks with it in place of the patch each camera liked best.

    seen: the sightings that the fit rests on, other patches left out where the ball is known
    """

    tracks: Tracks2D
    seen: Sightings
    told: tuple[str, ...]


def choose_ball(
    session: Session,
    rig: CalibratedRig,
    tracks: Tracks2D,
    clocks: Clocks,
    candidates: Mapping[str, BallCandidates],
) -> ChosenBall:
    """The ball whose flight all cameras agree on; the tracks as they are where there is none."""
    seen = sightings_of(rig.cameras, tracks, clocks, candidates)
    path = fit_ball(seen, clocks, BALL_KINDS[session.file.serve.ball or USUAL_KIND])
    if path.rows is None:
        return ChosenBall(tracks, seen, path.told)
    known = _spans(path, seen)
    own = np.zeros(len(seen), bool)
    own[path.rows] = True
    inside = np.array([known[c][0] <= f <= known[c][1] for c, f in zip(seen.camera, seen.frame, strict=True)])
    first, last = seen.t_s[path.rows].min() - _ABOUT_S, seen.t_s[path.rows].max() + _ABOUT_S
    kept = (own | ~inside) & (seen.t_s > first) & (seen.t_s < last)
    return ChosenBall(_with_ball(tracks, seen, path, known), seen.where(kept), path.told)


def measured_ball(
    session: Session, rig: CalibratedRig, chosen: ChosenBall, clocks: Clocks, motion: Motion
) -> tuple[BallPath, tuple[Check, ...]]:
    """The ball's path with its release from ball and hand together, and what it says of scale and rate."""
    kind = BALL_KINDS[session.file.serve.ball or USUAL_KIND]
    wrist = "left_wrist" if session.file.handedness == "right" else "right_wrist"
    hand = HandPath(motion.t_s, motion.path(wrist))
    path = fit_ball(chosen.seen, clocks, kind, rig.covariance, hand)
    stranger = _stranger(path.flight, session.file.handedness, motion)
    if stranger:
        return BallPath(None, stranger, path.told), ()
    return path, ball_checks(path, chosen.seen, kind)


def _stranger(flight: BallFlight | None, handedness: str, motion: Motion) -> str:
    """Why a flight cannot be of this serve's ball: nothing tells that it fell, or it was met out of the
    racket's reach; empty where it can."""
    if flight is not None and flight.u_gravity_m_s2 > _FALLS_M_S2:
        return "something flew, but too briefly or too faintly to tell that it fell as a tossed ball does"
    if flight is None or flight.contact_s is None:
        return ""
    wrist = motion.path(f"{handedness}_wrist")[motion.nearest(flight.contact_s)]
    away = float(np.linalg.norm(flight.at(flight.contact_s) - wrist))
    if not away > _REACH_M:  # a wrist that was not seen then tells nothing
        return ""
    return (
        f"something flew freely, and broke off {away:.1f} m from the hitting hand: farther than a racket "
        "reaches, so that is not taken for the serve's ball"
    )


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


def _spans(path: BallPath, seen: Sightings) -> list[tuple[int, int]]:
    """Per camera the frames from the ball's first to its last; (0, -1) where it never saw it."""
    rows = path.rows if path.rows is not None else np.array([], int)
    out = []
    for c in range(len(seen.cameras)):
        frames = seen.frame[rows][seen.camera[rows] == c]
        out.append((int(frames.min()), int(frames.max())) if len(frames) else (0, -1))
    return out


def _with_ball(tracks: Tracks2D, seen: Sightings, path: BallPath, spans: list[tuple[int, int]]) -> Tracks2D:
    p, changed = tracks.index("ball"), []
    for camera in tracks.cameras:
        c = [k.name for k in seen.cameras].index(camera.camera)
        uv, sigma = camera.uv_px.copy(), camera.sigma_px.copy()
        between = slice(spans[c][0], spans[c][1] + 1)
        uv[between, p], sigma[between, p] = np.nan, np.nan
        for k in () if path.rows is None else path.rows:
            if seen.camera[k] == c:
                uv[seen.frame[k], p], sigma[seen.frame[k], p] = seen.uv_px[k], seen.sigma_px[k]
        changed.append(replace(camera, uv_px=uv, sigma_px=sigma))
    return replace(tracks, cameras=tuple(changed))
