"""Everybody in a picture, and a few looks around a clip: who is there before anybody is followed."""

from __future__ import annotations

from pathlib import Path

from calibration.errors import BadInput
from calibration.footage import Video, frames, probe
from recon.keypoints.course import PERSON_SHARE
from recon.keypoints.pose import Image, Pose, PoseReader, Window, search_windows
from recon.keypoints.server import one_each

_LOOKS_TO_SETTLE = 2
_SEARCH_EVERY = 4  # looks; in those between, people are sought where they were


def everybody(reader: PoseReader, image: Image) -> list[Pose]:
    """All people found in any search window, everybody once, read again in windows of their own."""
    reader.forget()
    people = one_each(
        pose
        for window in search_windows(image.shape[1], image.shape[0])
        if (pose := reader.read(image, window)) is not None
    )
    if len(people) > 1:
        people = one_each(settled for p in people if (settled := _settled(reader, image, p)) is not None)
    return people


def look_around(
    reader: PoseReader, video: Path | Video, step_s: float | None
) -> list[tuple[float, list[Pose]]]:
    """Everybody in pictures step_s apart, in the first one only where that is None: (camera's time, people).

    A person who comes into view is found within four looks.
    Raises BadInput for a video that cannot be read, or a step that is not positive.
    """
    if step_s is not None and not step_s > 0:
        raise BadInput(f"look around: want a step > 0, got {step_s}")
    every = 1 if step_s is None else max(1, round(step_s * (probe(video).nominal_fps or 1 / step_s)))
    looks: list[tuple[float, list[Pose]]] = []
    known: list[Pose] = []
    for number, frame in enumerate(frames(video, every=every)):
        people = _where_they_were(reader, frame.image_bgr, known)
        if number % _SEARCH_EVERY == 0 or len(people) < len(known):
            people = one_each([*people, *everybody(reader, frame.image_bgr)])
        looks.append((frame.t_s, people))
        known = people
        if step_s is None:
            break
    return looks


def _where_they_were(reader: PoseReader, image: Image, known: list[Pose]) -> list[Pose]:
    found = (reader.read(image, window_of(p)) for p in known)
    return one_each(p for p in found if p is not None)


def window_of(pose: Pose) -> Window:
    """The crop around a person."""
    return Window(0, 0, 0).around(pose.uv_px, PERSON_SHARE)


def _settled(reader: PoseReader, image: Image, pose: Pose) -> Pose | None:
    """The person whom a pose leads to, looked at in windows of their own; None where it leads to nobody.

    A search window that cuts a player off gives a body crumpled into what it shows, a second person to all
    appearance. On the demo's serve all of those led to the player, or to nobody, in two looks.
    """
    for _ in range(_LOOKS_TO_SETTLE):
        found = reader.read(image, window_of(pose))
        if found is None:
            return None
        pose = found
    return pose
