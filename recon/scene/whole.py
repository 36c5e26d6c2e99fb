"""The whole drawing of one measured serve: what stands still, and what moves."""

from __future__ import annotations

from recon.result import Result
from recon.scene import body, planes, still, traces
from recon.scene.parts import Part


def still_parts(result: Result) -> tuple[Part, ...]:
    """Everything that does not change with time."""
    hand = result.session.file.handedness
    motion, events = result.motion, result.events
    return (
        *still.court(),
        *still.cameras([c for c in result.rig.cameras if c.name in {t.camera for t in result.tracks.cameras}]),
        *planes.baseline_plane(motion),
        *traces.tip_trace(motion, events, hand),
        *traces.ball_path(motion, events, result.flight),
        *traces.foot_headings(motion, events, hand),
    )


def moving_parts(result: Result, t_s: float) -> tuple[Part, ...]:
    """Everything that changes with time, at one rig time; always the same names in the same order."""
    hand = result.session.file.handedness
    return (
        *body.skeleton(result.motion, hand, t_s),
        body.ball(result.motion, result.flight, t_s),
        *planes.spine_plane_parts(result.motion, hand, t_s),
        *planes.hip_projection(result.motion, hand, t_s),
    )


def key_instant_s(result: Result) -> float:
    """What to show first: the tip's smallest distance, else trophy, contact, or the middle of the clip."""
    for m in result.measures.measures:
        if m.name == "spine_plane_min" and m.t_s is not None:
            return m.t_s
    for e in result.events.events:
        if e.name in ("trophy", "contact") and e.t_s is not None:
            return e.t_s
    t = result.motion.t_s
    return float(t[len(t) // 2])
