"""Signs, without any truth at hand, that a measured serve should not be relied on as it stands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.errors import BadInput
from recon.body import Body
from recon.records import BODY, BallFlight, Clocks, Events, Points3D, PointStatus, Tracks2D, other_side

_LIMBS = tuple(
    f"{side}_{part}" for side in ("left", "right") for part in ("shoulder", "elbow", "hip", "knee", "ankle")
)
_GRAVITY_M_S2 = 9.81
_RATES = (24.0, 25.0, 30.0, 48.0, 50.0, 60.0, 90.0, 100.0, 120.0, 240.0, 480.0)
"""Pictures a second that cameras offer (common practice)."""


@dataclass(frozen=True, kw_only=True, slots=True)
class QualityOptions:
    """Where the gate stands.

    gravity_m_s2   a toss fitted with gravity farther than this from 9.81 means a wrong scale or frame rate
                   (3 %: references for fitted tosses, drag included)
    clock_s        a racket tip at 40 m/s moves 8 cm in 2 ms; rows at the edge are half a readout off
    contradicted   share of limb samples whose views contradict each other; the demo serves show 1 %
    tip_seen       share of samples from trophy to contact with the tip in two views
    """

    gravity_m_s2: float = 0.3
    clock_s: float = 0.002
    contradicted: float = 0.10
    tip_seen: float = 0.5

    def __post_init__(self) -> None:
        if min(self.gravity_m_s2, self.clock_s, self.contradicted, self.tip_seen) <= 0:
            raise BadInput(f"quality: want positive limits, got {self}")


def quality_flags(
    clocks: Clocks,
    points: Points3D,
    flight: BallFlight | None,
    events: Events,
    options: QualityOptions | None = None,
    *,
    racket: bool = True,
) -> tuple[str, ...]:
    """Plain sentences, one per sign of trouble, each with what to look at; empty where there is none.

    racket: whether a racket was looked for at all; own body keypoints may come without one.
    """
    options = options or QualityOptions()
    flags = []
    if flight is not None:
        off = flight.gravity_m_s2 - _GRAVITY_M_S2
        if abs(off) > max(options.gravity_m_s2, 4 * flight.u_gravity_m_s2):
            flags.append(
                f"the toss falls with {flight.gravity_m_s2:.2f} m/s² instead of {_GRAVITY_M_S2}: "
                f"{_why_it_falls_so(flight, 1 / float(np.median(np.diff(points.t_s))))}"
            )
    flags += [
        f"the clock of camera {c.camera} is known to {1e3 * c.u_s:.1f} ms only: "
        "fast points, the racket above all, are blurred by it"
        for c in clocks.clocks
        if c.u_s > options.clock_s
    ]
    flags += [
        f"how fast camera {c.camera} reads its rows is known to {1e3 * c.u_readout_s:.1f} ms only: fast points "
        "far from the middle of the picture are placed wrongly by it; say it ([shutter] in session.toml), or "
        "film with more pictures a second"
        for c in clocks.clocks
        if c.u_readout_s / 2 > options.clock_s
    ]
    limbs = [points.index(name) for name in _LIMBS]
    judged = points.status[:, limbs][points.status[:, limbs] != PointStatus.TOO_FEW_VIEWS]
    against = float(np.mean(judged == PointStatus.OUTLIER)) if len(judged) else 0.0
    if against > options.contradicted:
        flags.append(
            f"the cameras contradict each other in {against:.0%} of the limbs' samples: "
            "look whether a camera was moved, or a video belongs to another serve"
        )
    return (*flags, *(_tip_flag(points, events, options) if racket else ()))


def _why_it_falls_so(flight: BallFlight, fps: float) -> str:
    """What would explain a wrong fall: a film stamped s times too slow shows gravity s² times too small.

    A wrong square size changes lengths, and gravity with them, by its own factor; that is a few per cent where
    a board was measured at all, so a pair of usual frame rates is named only where one fits closely.
    """
    stamped_slow = np.sqrt(_GRAVITY_M_S2 / max(flight.gravity_m_s2, 1e-3))
    u = stamped_slow * flight.u_gravity_m_s2 / (2 * max(flight.gravity_m_s2, 1e-3))
    true = [rate for rate in _RATES if abs(rate / fps - stamped_slow) < max(2 * u, 0.02 * stamped_slow)]
    best = min(true, key=lambda rate: abs(rate / fps - stamped_slow), default=None)
    if best is None or abs(best / fps - 1) < 0.05:
        return "look at the videos' frame rate and the board's square size"
    return (
        f"that fits a film of {best:g} pictures a second stamped as {fps:.0f}; give all videos their true "
        "rate ([video_rate] in session.toml), or film without slow motion"
    )


def slow_fall_flags(points: Points3D, slowed: float | None) -> tuple[str, ...]:
    """A sentence where the ball falls freely only once all times are divided by `slowed`, if by anything."""
    if slowed is None:
        return ()
    fps = 1 / float(np.median(np.diff(points.t_s)))
    way = f"{slowed:g} times too slowly" if slowed > 1 else f"{1 / slowed:g} times too fast"
    return (
        f"the toss falls {way}: that fits a film of {slowed * fps:.0f} pictures a second stamped as {fps:.0f}; "
        "give all videos their true rate ([video_rate] in session.toml), or film without slow motion",
    )


_NEARER, _FASTER = 2.0, 1.5
"""How much nearer to the racket, or faster, the other hand must be before the session is doubted: in 17
rendered serves of invented players the racket's hand was 2.4 times as near, and 2.6 times as fast, or more."""
_FASTEST_S = 0.08  # a hand is as fast as it is for so long: a single instant may be a gross error


def other_hand(body: Body) -> str:
    """How the other hand than the body's is seen to hit: "the racket is in the left hand"; "" where it is not.

    The racket's butt tells, wherever it was seen beside both wrists; without a racket the wrist that is the
    faster at its fastest.
    """
    butt = body.point("racket_butt")
    hands = {role: body.point(f"{role}_wrist") for role in ("hitting", "tossing")}
    away = {role: np.linalg.norm(butt - wrist, axis=1) for role, wrist in hands.items()}
    both = ~np.isnan(away["hitting"] + away["tossing"])
    if both.sum() >= 10:
        other = _NEARER * np.median(away["tossing"][both]) < np.median(away["hitting"][both])
        seen = "the racket is in"
    else:
        speed = {role: _fastest(body, f"{role}_wrist") for role in hands}
        other = speed["tossing"] > _FASTER * speed["hitting"]  # one that was not seen is NaN
        seen = "the faster hand is"
    return f"{seen} the {other_side(body.handedness)} hand" if other else ""


def _fastest(body: Body, name: str) -> float:
    """The speed that a point keeps or exceeds for _FASTEST_S in all, m/s; NaN where it was hardly seen."""
    speed = np.linalg.norm(body.rate(name), axis=1)
    speed = np.sort(speed[~np.isnan(speed)])
    count = max(1, round(_FASTEST_S / body.step_s))
    return float(speed[-count]) if len(speed) >= count else float("nan")


def hand_flags(said: str, seen: str) -> tuple[str, ...]:
    """A sentence where another hand hits than the session says. said: by it; seen: as `other_hand` tells it."""
    if not seen:
        return ()
    true = other_side(said)
    return (
        f"the session says {said}-handed, but {seen}: this serve was measured as {true}-handed; write "
        f'handedness = "{true}" in session.toml, or, where that is wrong, look whom the cameras followed',
    )


_UNSEEN_S = 0.15
"""A player unseen for so long moves too far for a curve to bridge: an arm turns by half a circle in it."""


def unseen_flags(tracks: Tracks2D, clocks: Clocks, events: Events) -> tuple[str, ...]:
    """A sentence per camera that lost the player on the way from start to contact."""
    flags, begin, met = [], events.time("start"), events.time("contact")
    left = "there the others measure alone, less surely"
    if len(tracks.cameras) == 2:
        left = "one camera alone tells no depth, so that nothing is measured there"
    for seen in tracks.cameras:
        t = clocks.of(seen.camera).rig_time(seen.t_cam_s)
        start, stop = t[0] if begin is None else begin, t[-1] if met is None else met
        body = ~np.isnan(seen.uv_px[:, : len(BODY), 0]).all(axis=1)
        known = np.array([start, *t[body & (t > start) & (t < stop)], stop])
        gap = int(np.diff(known).argmax())
        if known[gap + 1] - known[gap] > _UNSEEN_S:
            flags.append(
                f"camera {seen.camera} did not see the player from {known[gap]:.2f} s to "
                f"{known[gap + 1]:.2f} s of rig time: {left}; look what was in the way, or whether it stopped"
            )
    return tuple(flags)


def _tip_flag(points: Points3D, events: Events, options: QualityOptions) -> list[str]:
    start, stop = events.time("trophy"), events.time("contact")
    if start is None or stop is None:
        return []
    window = (points.t_s >= start) & (points.t_s <= stop)
    seen = (
        float(np.mean(points.status[window, points.index("racket_tip")] == PointStatus.OK))
        if window.any()
        else 0.0
    )
    if seen >= options.tip_seen:
        return []
    if not (points.status[:, points.index("racket_tip")] == PointStatus.OK).any():
        return [
            "no two cameras found the racket's tape at any time: the racket is not measured, all else is; "
            "click its tip in a few frames (`courtplumb racket`), or look at the tape and its colours "
            "(`courtplumb tape`)"
        ]
    return [
        f"two cameras saw the racket tip in only {seen:.0%} of the time from trophy to contact: "
        "click it in a few frames (`courtplumb racket`), or look at the tape, its colour in session.toml, and "
        "where the cameras stand"
    ]
