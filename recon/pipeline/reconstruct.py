"""From the pixels of one serve to its measures: clocks, points, motion, racket, ball, events, each kept."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from importlib.metadata import version
from typing import Any

import numpy as np

from calibration import CalibratedRig
from calibration.errors import NotMeasurable
from calibration.footage_check import FootageFinding
from recon import result as names
from recon import store
from recon.body import Body
from recon.events import detect_events
from recon.flight import slowed_fall
from recon.instants import points_at_instants
from recon.measures import Athlete, measure
from recon.motion import hold_lengths, hold_planted, racket_pose, without_edges
from recon.pipeline.ball import check_flags, choose_ball, measured_ball, told_of_ball, with_ball_of
from recon.pipeline.clock_sources import first_clocks, with_other_sources
from recon.pipeline.footage import told_times
from recon.pipeline.joint_centres import JointMotion, fit_joints
from recon.pipeline.options import PipelineOptions, Progress
from recon.pipeline.racket import with_racket
from recon.pipeline.racket_route import keep_rigid
from recon.pipeline.second_look import Checked
from recon.pipeline.shutters import shutters_of
from recon.quality import hand_flags, other_hand, quality_flags, slow_fall_flags, unseen_flags
from recon.records import BallFlight, Check, Clocks, Events, Motion, Tracks2D, other_side
from recon.session import Session
from recon.swaps import Exchange, repair_swaps
from recon.sync import refine_clocks, spreads, take_flags, why_apart, with_shutters
from recon.uncertainty import Displacements, covariance_of, displacements

_PACKAGES = ("numpy", "scipy", "opencv-contrib-python", "mediapipe", "av")
_STEPS = 3
Notes = dict[str, Any]
"""What a person should know about a run, by heading."""


def reconstruct(
    session: Session,
    rig: CalibratedRig,
    checked: Checked,
    footage: Sequence[FootageFinding],
    options: PipelineOptions,
    progress: Progress,
) -> Notes:
    """Everything after the pixels, kept in the session's folder; what a person should know comes back.

    Raises NotMeasurable where the pixels do not tell.
    """
    progress("reconstructing", 0, _STEPS)
    notes: Notes = {
        "footage": [f.sentence for f in footage],
        "times": told_times(session, rig.names),
        "people": list(checked.told),
        "quality": [f.sentence for f in footage if f.grade == "flagged"],
    }
    synced = _synced(session, rig, checked, notes)
    progress("reconstructing", 1, _STEPS)
    moving = _moving(session, rig, checked, synced, options, notes)
    progress("reconstructing", 2, _STEPS)
    events = _measured(session, moving)
    _judge(session, rig, synced, moving, events, notes)
    if moving.hand != session.file.handedness:
        notes[names.MEASURED_AS] = moving.hand
    notes["quality"] += [*checked.trouble, *synced.trouble]
    notes["packages"] = {name: version(name) for name in _PACKAGES}
    progress("reconstructing", 3, _STEPS)
    return notes


@dataclass(frozen=True, slots=True, eq=False)
class _Synced:
    """Tracks with sides put back and the edges of the racket apart, on one time."""

    tracks: Tracks2D
    edges: Tracks2D | None
    clocks: Clocks
    exchanges: tuple[Exchange, ...]
    trouble: tuple[str, ...]


def _synced(session: Session, rig: CalibratedRig, checked: Checked, notes: Notes) -> _Synced:
    # exchanged sides hardly move the clocks (their points are outvoted), and finding them needs the clocks
    tracks, edges = without_edges(checked.tracks)
    clocks = checked.clocks or _clocks(session, rig, tracks)
    tracks, exchanges = repair_swaps(rig.cameras, tracks, clocks)
    if any(e.undone for e in exchanges):
        clocks = _clocks(session, rig, tracks)
    clocks = with_shutters(clocks, shutters_of(session, tracks))
    clocks = refine_clocks(rig.cameras, tracks, clocks, points_at_instants(rig.cameras, tracks, clocks))
    clocks, told = with_other_sources(session, rig.cameras, tracks, clocks)
    store.save_clocks(session.derived / names.CLOCKS, clocks)
    tracks, unlike_racket = keep_rigid(session, rig.cameras, tracks, clocks, checked.racket)
    notes["clocks"] = list(told.told)
    notes["racket points"] = list(checked.racket.told)
    notes["left out against lengths"] = list(unlike_racket)
    return _Synced(tracks, edges, clocks, tuple(exchanges), tuple(told.trouble))


@dataclass(frozen=True, slots=True, eq=False)
class _Moving:
    """Everything that moved, and how the known sources of error move it.

    hand: that is seen to hit, right or left; other_hand: how that shows where the session says the other one.
    """

    joints: JointMotion
    motion: Motion
    draws: tuple[Displacements, ...]
    flight: BallFlight | None
    checks: tuple[Check, ...]
    hand: str
    other_hand: str


def _moving(
    session: Session,
    rig: CalibratedRig,
    checked: Checked,
    synced: _Synced,
    options: PipelineOptions,
    notes: Notes,
) -> _Moving:
    d, clocks = session.derived, synced.clocks
    ball = choose_ball(session, rig, synced.tracks, clocks, checked.candidates)
    store.save_tracks(d / names.TRACKS, with_ball_of(checked.tracks, ball.tracks))
    joints = fit_joints(session, rig.cameras, ball.tracks, clocks, options)
    support, model = joints.fit.support, joints.model
    store.save_points(d / names.POINTS, joints.fit.points)
    pixels = support.draws(model.draws, model.seed)
    held = hold_lengths(joints.motion, support.covariance(), pixels, model.seed)
    held, planted = hold_planted(held, model.seed)
    racket = with_racket(session, rig.cameras, synced.edges, clocks, held, support, model)
    draws = displacements(
        racket.motion, rig.cameras, rig.covariance, racket.support_px, racket.pixels_m, clocks, racket.model
    )
    motion = replace(racket.motion, cov_m2=covariance_of(draws[:3]))
    store.save_motion(d / names.MOTION, motion)
    everything = np.sum([source.moved_m for source in draws[:3]], axis=0)
    store.save_racket(d / names.RACKET, racket_pose(motion, everything))
    said = session.file.handedness
    seen = other_hand(Body.of(motion, said))
    hand = other_side(said) if seen else said
    path, checks = measured_ball(session, rig, ball, clocks, joints.fit.points, motion, hand)
    store.save_flight(d / names.FLIGHT, path.flight, path.why)
    notes["joint centres"] = joints.told
    notes["left out against lengths"] += [u.sentence() for u in joints.fit.unbelieved]
    notes["left and right exchanged"] = [_told(e) for e in (*synced.exchanges, *joints.fit.exchanges)]
    notes["lengths"] = [length.sentence() for length in held.lengths]
    notes["beyond their range"] = list(held.beyond)
    notes["planted"] = [stood.sentence() for stood in planted]
    notes["racket"] = list(racket.told)
    notes["ball"] = list(told_of_ball(ball, path))
    notes["checks"] = [c.sentence() for c in checks]
    return _Moving(joints, motion, draws, path.flight, tuple(checks), hand, seen)


def _measured(session: Session, moving: _Moving) -> Events:
    """Events and measures, kept; the events with all that makes their times unsure."""
    hand, flight = moving.hand, moving.flight
    found = detect_events(Body.of(moving.motion, hand), flight)
    start = found.of("start")
    taken = measure(
        moving.motion,
        found,
        hand,
        athlete_of(session),
        moving.draws,
        ball=flight,
        detect=lambda body, ball: detect_events(body, ball, start=start),
    )
    store.save_events(session.derived / names.EVENTS, taken.events)
    store.save_measures(session.derived / names.MEASURES, taken.measures)
    return taken.events


def _judge(
    session: Session, rig: CalibratedRig, synced: _Synced, moving: _Moving, events: Events, notes: Notes
) -> None:
    """Signs that the serve should not be relied on as it stands, into the notes."""
    points, flight, tracks = moving.joints.fit.points, moving.flight, synced.tracks
    tip = tracks.index("racket_tip")
    own = session.file.keypoints is not None
    with_tip = not own or any(not np.isnan(c.sigma_px[:, tip]).all() for c in tracks.cameras)
    flags = quality_flags(synced.clocks, points, flight, events, racket=with_tip)
    notes["quality"] += [
        *flags,
        *check_flags(moving.checks, flags),
        *(u.sentence() for u in moving.joints.fit.unheld),
        *unseen_flags(tracks, synced.clocks, events),
        *hand_flags(session.file.handedness, moving.other_hand),
        *slow_fall_flags(points, slowed_fall(points) if flight is None else None),
        *_apart(rig, tracks, synced.clocks),
        *_unclear_sides((*synced.exchanges, *moving.joints.fit.exchanges)),
    ]


def athlete_of(session: Session) -> Athlete:
    """What measures need to know of the person and the serve."""
    file = session.file
    return Athlete(
        height_m=file.height_m,
        side=file.serve.side,
        game=file.game,
        racket_length_m=file.serve.racket_length_m,
    )


def _clocks(session: Session, rig: CalibratedRig, tracks: Tracks2D) -> Clocks:
    """Clocks from the motion, or given; where neither is, the message says what would make the clips agree."""
    try:
        return first_clocks(session, rig.cameras, tracks)
    except NotMeasurable as error:
        why = why_apart(rig.cameras, tracks)
        raise NotMeasurable(f"{error}; {why}" if why else str(error)) from error


def _apart(rig: CalibratedRig, tracks: Tracks2D, clocks: Clocks) -> list[str]:
    """A sentence where the clips do not agree under the clocks that were found, with what would make them."""
    flags = take_flags(spreads(rig.cameras, tracks, clocks))
    why = why_apart(rig.cameras, tracks) if flags else ""
    return [f"{flag}; {why}" if why else flag for flag in flags]


def _unclear_sides(exchanges: tuple[Exchange, ...]) -> list[str]:
    return sorted(
        {
            f"the cameras disagree on left and right of the {_parts(e)} nearly all the time, and which of them "
            "is wrong cannot be told: look at the stills"
            for e in exchanges
            if not e.undone
        }
    )


def _parts(exchange: Exchange) -> str:
    if "eye" in exchange.parts:
        return "face"
    if "wrist" in exchange.parts:
        return "arms"
    return "legs" if {"hip", "ankle"} <= {*exchange.parts} else "knees" if "knee" in exchange.parts else "feet"


def _told(exchange: Exchange) -> str:
    done = "" if exchange.undone else ", left as it was"
    span = f"{exchange.start_s:.2f} s to {exchange.stop_s:.2f} s of rig time"
    return f"{exchange.camera}, {_parts(exchange)}, {span}{done}"
