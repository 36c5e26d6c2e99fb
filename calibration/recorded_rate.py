"""The true times of a video file: from its stamps, its head or its owner's word, or one clear refusal."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from calibration.errors import BadInput
from calibration.footage import Video, stamps_s, stated_recording_fps
from calibration.video_times import Stretch, slowed_by, stretches_of, times_recorded_at

AsStamped = Literal["as stamped"]
AS_IT_SAYS: AsStamped = "as stamped"

_OTHER_RATE = 1.9  # a camera in poor light halves its rate, slow motion divides it by two and more
_SAME_RATE = 0.05
_LOST_SHARE = 0.01


@dataclass(frozen=True, slots=True)
class TimedVideo:
    """A video with its true times, and sentences about how they were found, where that is worth telling."""

    video: Video
    notes: tuple[str, ...] = ()


def timed_video(path: Path, recorded_fps: float | AsStamped | None = None, key: str = "") -> TimedVideo:
    """A video file with the times at which its pictures were taken.

    recorded_fps   the rate at which every picture of the file was taken; "as stamped" where its stamps are
                   true; None: its stamps, or its own head where that says more were taken a second
    key            how a person writes that down, for messages: "[video_rate] rear_left"
    Raises BadInput where the file cannot be read, where its rate changes inside it and nobody says why, and for
    a recorded_fps that its stamps rule out.
    """
    stamps = stamps_s(path)
    if len(stamps) < 2:
        return TimedVideo(Video(path))
    stretches = stretches_of(stamps)
    notes = _lost_pictures(path, stretches)
    said, says = recorded_fps, key or "its owner"
    if said is None:
        _want_one_rate(path, stretches, key)
        said, says = _by_its_head(path, stretches), "its head"
    if not isinstance(said, float | int):
        return TimedVideo(Video(path), notes)
    _want_not_faster(path, stretches, said, key)
    if all(abs(slowed_by(s, said) - 1) <= _SAME_RATE for s in stretches):
        return TimedVideo(Video(path), notes)
    video = Video(path, times_recorded_at(stretches, said))
    return TimedVideo(video, (*notes, _told(path, stretches, said, says)))


def _by_its_head(path: Path, stretches: tuple[Stretch, ...]) -> float | None:
    """The rate that the head states, where it makes slow motion of the stamps."""
    stated = stated_recording_fps(path)
    slow = stated is not None and len(stretches) == 1 and slowed_by(stretches[0], stated) > 1 + _SAME_RATE
    return stated if slow else None


def _want_not_faster(path: Path, stretches: tuple[Stretch, ...], recorded_fps: float, key: str) -> None:
    for s in stretches:
        if slowed_by(s, recorded_fps) < 1 - _SAME_RATE:
            raise BadInput(
                f"{path}: {key}: want the rate at which its pictures were taken, got {recorded_fps:g} a second "
                f"where {s.fps:.4g} a second are stamped ({s.start_s:.2f} s to {s.stop_s:.2f} s): a file holds "
                "no more pictures than were taken, unless it repeats some; copy the original from the camera"
            )


def _told(path: Path, stretches: tuple[Stretch, ...], recorded_fps: float, says: str) -> str:
    factors = sorted({round(slowed_by(s, recorded_fps), 2) for s in stretches})
    return (
        f"{path.name}: {says} says that {recorded_fps:g} pictures a second were taken; stamped times are "
        f"divided by {' or '.join(f'{f:g}' for f in factors)}"
    )


def _lost_pictures(path: Path, stretches: tuple[Stretch, ...]) -> tuple[str, ...]:
    lost = sum(s.lost for s in stretches)
    held = stretches[-1].last + 1
    if lost <= _LOST_SHARE * held:
        return ()
    return (f"{path.name}: the camera lost {lost} of {held + lost} pictures; the others' times stand",)


def _want_one_rate(path: Path, stretches: tuple[Stretch, ...], key: str) -> None:
    fast, slow = max(stretches, key=lambda s: s.fps), min(stretches, key=lambda s: s.fps)
    if fast.fps < _OTHER_RATE * slow.fps:
        return
    raise BadInput(
        f"{path}: want one frame rate, got {_where(fast)} and {_where(slow)}. Where that is slow motion, say "
        f"at what rate it was all recorded: {key} = {_usual(fast.fps)}; where the camera itself changed it "
        f'(in poor light some do), say {key} = "{AS_IT_SAYS}"; or copy the original from the camera'
    )


def _where(s: Stretch) -> str:
    return f"{s.fps:.4g} pictures a second from {s.start_s:.2f} s to {s.stop_s:.2f} s"


def _usual(fps: float) -> int:
    return round(fps / 10) * 10 or round(fps)
