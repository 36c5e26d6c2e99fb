"""Video files opened: their stream, time base and pictures, and in one sentence what is wrong with them."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path

import av

from calibration.errors import BadInput


def opened(path: Path) -> av.container.InputContainer:
    """The file as a container. Raises BadInput where it is missing, empty or unreadable."""
    if not path.exists():
        raise BadInput(f"{path}: no such file")
    if path.stat().st_size == 0:
        raise BadInput(f"{path}: the file is empty")
    try:
        return av.open(str(path), mode="r")
    except (av.FFmpegError, OSError, ValueError) as error:
        raise BadInput(f"{path}: not a readable video ({reason(error)})") from error


def video_stream(container: av.container.InputContainer, path: Path) -> av.VideoStream:
    """The file's first video. Raises BadInput where it holds none."""
    if not container.streams.video:
        raise BadInput(f"{path}: the file holds no video")
    return container.streams.video[0]


def stated_length_s(container: av.container.InputContainer, stream: av.VideoStream) -> float | None:
    """Seconds, as the head says; None where it does not."""
    if stream.duration is not None and stream.time_base is not None:
        return float(stream.duration * stream.time_base)
    return None if container.duration is None else container.duration / av.time_base


def decoded(
    container: av.container.InputContainer, stream: av.VideoStream, path: Path
) -> Iterator[av.VideoFrame]:
    """Pictures from where the container stands. Raises BadInput where they cannot be decoded."""
    count = 0
    try:
        for frame in container.decode(stream):
            yield frame
            count += 1
    except (av.FFmpegError, OSError, ValueError) as error:
        where = f"damaged after {count} frames" if count else "no picture could be read from it"
        raise BadInput(f"{path}: {where} ({reason(error)})") from error


def sought(
    container: av.container.InputContainer, stream: av.VideoStream, path: Path, target: int
) -> Iterator[av.VideoFrame]:
    """Pictures from the key frame at or before `target`, in ticks. Raises BadInput as `decoded` does."""
    container.seek(target, stream=stream, backward=True)
    return decoded(container, stream, path)


def time_base(stream: av.VideoStream, path: Path) -> Fraction:
    """Seconds of one tick of the stream's stamps. Raises BadInput where it has none."""
    if stream.time_base is None:
        raise BadInput(f"{path}: the video carries no time base, so its frames have no time")
    return stream.time_base


def stamp_of(frame: av.VideoFrame, path: Path) -> int:
    """Presentation time in ticks. Raises BadInput where the picture carries none."""
    if frame.pts is None:
        raise BadInput(f"{path}: a frame carries no time stamp")
    return frame.pts


def reason(error: BaseException) -> str:
    """What the library says of its failure."""
    return str(getattr(error, "strerror", None) or error)
