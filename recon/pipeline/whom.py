"""Whom to follow, asked before any clip is: who is in view of which camera, and which of them is the server."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from calibration.errors import BadInput
from calibration.footage import begins_s
from recon.keypoints import Course, Seen
from recon.people import Gathering, Person, Sighting, Timing, choose_server, tell_apart
from recon.people.persons import feet_m
from recon.people.place import HIPS_SHARE, MAY_BEGIN_M, USUAL_M, away_m, body_boxes
from recon.pipeline.crew import Clip, Crew, Known, find_people
from recon.pipeline.footage import timed
from recon.pipeline.reading import save_arrays
from recon.session import Session

_STEP_S = 0.25
"""A toss keeps the hand up for most of a second (common practice); in so much time a walker goes 0.4 m."""
_CLOCKS_GIVEN_S = 0.125  # how wrong given clocks may be here: half a step of the looks

Looks = Mapping[str, tuple[tuple[Sighting, ...], ...]]


def whom_to_follow(
    session: Session,
    clips: Mapping[str, Clip],
    keys: Mapping[str, str],
    crew: Crew,
    *,
    at_once: bool = True,
) -> tuple[dict[str, Known], str]:
    """camera -> what the server is known by there, and a sentence where more than one person was in view.

    at_once: one look at each clip's first frame may be enough, where that shows nobody else near the server's
    place. Else, or where session.toml names the server by a pixel, all clips are looked through.
    keys: what a clip's looks depend on.
    Raises NotMeasurable where two people may be the server, or the pixel names nobody; BadInput where it is of
    a camera that there is not.
    """
    strange = sorted(set(session.file.server) - set(session.file.video))
    if strange:
        raise BadInput(f"{session.folder / 'session.toml'}: [server]: no camera {strange[0]!r}")
    told = {name: np.array(at) for name, at in session.file.server.items() if name in clips}
    if at_once and not told:
        plain = _plain(clips, _looks(session, clips, keys, crew, None))
        if plain is not None:
            return plain, ""
    cameras = [clip.place.camera for clip in clips.values()]
    looks = _looks(session, clips, keys, crew, _STEP_S)
    gathering = tell_apart(cameras, looks, _timing(session, clips))
    choice = choose_server(gathering, told)
    if choice.server is None:
        return {name: Known() for name in clips}, ""
    known = {
        name: Known(course=_course(session, clip, choice.server, gathering)) for name, clip in clips.items()
    }
    return known, _said(gathering, choice.server, choice.why)


def _plain(clips: Mapping[str, Clip], looks: Looks) -> dict[str, Known] | None:
    """The server in the clips' first frames where nobody else may be meant in any; None where that is open."""
    people = {name: [s for sightings in looks[name] for s in sightings] for name in clips}
    likely = {
        name: [s for s in people[name] if away_m(feet_m(clip.place.camera, s.uv_px)[0]) < MAY_BEGIN_M]
        for name, clip in clips.items()
    }
    plain = {name: Known(before=_seen(own[0]) if own else None) for name, own in likely.items()}
    if _count(clips, people) <= 1:
        return plain
    if any(people[name] and not own for name, own in likely.items()):
        return None
    return plain if _count(clips, likely) == 1 else None


def _count(clips: Mapping[str, Clip], seen: Mapping[str, Sequence[Sighting]]) -> int:
    """How many people these are, were they all seen at one moment."""
    at_once = {n: [[Sighting(0.0, s.uv_px, s.visibility) for s in own]] for n, own in seen.items()}
    cameras = [clip.place.camera for clip in clips.values()]
    return len(tell_apart(cameras, at_once, Timing(reach_s=0.0)).people)


def _seen(sighting: Sighting) -> Seen:
    return Seen(sighting.uv_px, sighting.visibility, np.full(len(sighting.visibility), np.nan))


def _timing(session: Session, clips: Mapping[str, Clip]) -> Timing:
    given = {name: clock.offset_s for name, clock in session.file.clock.items() if name in clips}
    if len(given) < len(clips) - 1:  # stretches of one serve begin at about one moment
        return Timing(ahead_s={name: -begins_s(timed(session, name).video) for name in clips})
    return Timing(ahead_s=given, reach_s=_CLOCKS_GIVEN_S)


def _looks(
    session: Session,
    clips: Mapping[str, Clip],
    keys: Mapping[str, str],
    crew: Crew,
    step_s: float | None,
) -> Looks:
    """The looks of all clips at true times, kept in the session's cache."""
    label = "first" if step_s is None else f"{step_s:g}"
    kept = {n: session.derived / "cache" / f"{n}-{keys[n]}-people-{label}.npz" for n in clips}
    asked = {}
    for name, clip in clips.items():
        if not kept[name].is_file():
            step = None if step_s is None else _stamped_step(session, name, step_s)
            asked[name] = crew.submit(find_people, clip, step)
    for name, future in asked.items():
        found = [
            Sighting(t, pose.uv_px, np.clip(pose.visibility, 0, 1))
            for t, people in future.result()
            for pose in people
        ]
        _save(kept[name], found)
    return {name: _load(session, name, kept[name]) for name in clips}


def _stamped_step(session: Session, camera: str, step_s: float) -> float:
    """The step on the file's own stamps: of slow motion they lie farther apart than the pictures did."""
    stamped = timed(session, camera).video.times.stamped(np.array([0.0, step_s]))
    return float(stamped[1] - stamped[0])


def _save(path: Path, found: Sequence[Sighting]) -> None:
    t, uv = np.array([s.t_s for s in found]), np.array([s.uv_px for s in found])
    save_arrays(path, {"t_s": t, "uv_px": uv, "visibility": np.array([s.visibility for s in found])})


def _load(session: Session, camera: str, path: Path) -> tuple[tuple[Sighting, ...], ...]:
    with np.load(path) as data:
        stamped, uv, visibility = data["t_s"], data["uv_px"], data["visibility"]
    true = timed(session, camera).video.times.true(stamped) if len(stamped) else stamped
    return tuple(
        tuple(Sighting(float(t), uv[k], visibility[k]) for k in np.flatnonzero(true == t))
        for t in np.unique(true)
    )


def _course(session: Session, clip: Clip, server: Person, gathering: Gathering) -> Course | None:
    """The server in one camera: as sighted there, and where not, as the others place them on the court."""
    camera = clip.place.camera
    own = server.seen_by(camera.name)
    if not own:  # nor is its clock told by who is seen: it is left to itself, and to the second look
        return None
    rows = {s.t_s: np.array([*_middle(s), _extent(s)]) for s in own}
    track = server.track
    hips = np.column_stack([track.xy_m, np.full(len(track.t_s), HIPS_SHARE * USUAL_M)])
    for t, box in zip(
        track.t_s - gathering.ahead_s[camera.name], body_boxes(camera, hips, USUAL_M), strict=True
    ):
        unseen = not rows or min(abs(t - s) for s in rows) > _STEP_S / 2
        if unseen and np.isfinite(box).all():
            rows[float(t)] = box
    if not rows:
        return None
    times = np.array(sorted(rows))
    stamped = timed(session, camera.name).video.times.stamped(times)
    return Course(stamped, np.array([rows[t] for t in times]))


def _middle(sighting: Sighting) -> tuple[float, float]:
    low, high = sighting.uv_px.min(axis=0), sighting.uv_px.max(axis=0)
    return float((low + high)[0] / 2), float((low + high)[1] / 2)


def _extent(sighting: Sighting) -> float:
    return float(np.ptp(sighting.uv_px, axis=0).max())


def _said(gathering: Gathering, server: Person, why: str) -> str:
    """A sentence, where others were in view."""
    others = len(gathering.people) - 1
    if others < 1:
        return ""
    x, y = np.median(server.track.xy_m, axis=0)
    place = f"x {x:.1f} m, y {y:.1f} m"
    return f"{others + 1} people in view; the server, at {place} ({server.track.reason}): {why}"
