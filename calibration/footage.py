"""The one reader of videos and pictures: streaming, real time stamps, rotation tags applied.

A path may be a video file, one picture, or a folder of pictures (png, jpg, in the order of their names). A
`Video` stands in a path's place where a file's stamps are not the times at which its pictures were taken.
Memory does not grow with the length of the footage.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from pathlib import Path

import av
import cv2
import numpy as np
from av.sidedata.sidedata import Type as SideData
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.container import (
    decoded,
    opened,
    reason,
    sought,
    stamp_of,
    stated_length_s,
    time_base,
    video_stream,
)
from calibration.errors import BadInput
from calibration.video_times import AS_STAMPED, VideoTimes

Image = NDArray[np.uint8]

PICTURE_SUFFIXES = frozenset({".png", ".jpg", ".jpeg"})


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """One picture of some footage.

    index      0 for the first frame of the file, counting every frame also when some are skipped
    t_s        presentation time since the first frame of the file, seconds; for pictures it equals `index`,
               because they carry no time
    image_bgr  (H, W, 3) uint8, upright (rotation tag applied)
    name       the picture file's name without its ending; "" for a video's frame
    """

    index: int
    t_s: float
    image_bgr: Image
    name: str = ""


@dataclass(frozen=True, slots=True)
class Video:
    """A video file, and how its stamps relate to the times at which its pictures were taken.

    span_s  the stretch of it that is meant, true seconds since the file's first picture: pictures outside are
            not read; None: all of it
    """

    path: Path
    times: VideoTimes = AS_STAMPED
    span_s: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        if self.span_s is not None and not 0 <= self.span_s[0] < self.span_s[1]:
            raise BadInput(f"{self.path}: want a stretch from 0 s or later to later still, got {self.span_s}")


@dataclass(frozen=True, slots=True)
class FootageInfo:
    """What the head of some footage says about it; nothing here is used as a frame's time.

    Of a video's stretch, count and duration are those of the stretch.

    size_px           (width, height) after rotation
    frame_count_hint  as the container states or guesses it; exact only for pictures
    duration_s        None for pictures, or where the container does not say
    nominal_fps       None for pictures, or where the container does not say
    """

    path: Path
    size_px: tuple[int, int]
    frame_count_hint: int | None
    duration_s: float | None
    nominal_fps: float | None
    is_video: bool


def probe(source: Path | str | Video) -> FootageInfo:
    """Size (after rotation), length and nominal rate of some footage, from its head and first frame.

    Raises BadInput where the file is missing, unreadable or holds no picture.
    """
    path, times, span = _place_of(source)
    if not path.exists():
        raise BadInput(f"{path}: no such file")
    if _is_pictures(path):
        return FootageInfo(path, _first_size_px(path), len(picture_paths(path)), None, None, False)
    head = path.stat()
    told = _probed(path, head.st_size, head.st_mtime_ns)
    if told.duration_s:
        true_s = float(times.true(told.duration_s))
        fps = told.nominal_fps and told.nominal_fps * told.duration_s / true_s
        told = replace(told, duration_s=true_s, nominal_fps=fps)
    if span is None:
        return told
    part_s = max(min(span[1], told.duration_s or np.inf) - span[0], 0.0)
    count = round(part_s * told.nominal_fps) if told.nominal_fps else None
    return replace(told, duration_s=part_s, frame_count_hint=count)


@lru_cache(maxsize=64)  # many steps ask the same few videos, and each answer costs the decoding of a picture
def _probed(path: Path, _size: int, _changed_ns: int) -> FootageInfo:
    """A video at its stamped times."""
    size_px = _first_size_px(path)
    with opened(path) as container:
        stream = video_stream(container, path)
        duration_s = stated_length_s(container, stream)
        rate = stream.average_rate or stream.guessed_rate
        fps = float(rate) if rate else None
        count = stream.frames or (round(duration_s * fps) if duration_s and fps else None)
    return FootageInfo(path, size_px, count, duration_s, fps, True)


def _first_size_px(path: Path) -> tuple[int, int]:
    height, width = next(frames(path)).image_bgr.shape[:2]
    return width, height


def begins_s(source: Path | str | Video) -> float:
    """Where the stretch begins that is meant, true seconds since the file's first picture."""
    return source.span_s[0] if isinstance(source, Video) and source.span_s is not None else 0.0


def _place_of(source: Path | str | Video) -> tuple[Path, VideoTimes, tuple[float, float] | None]:
    if isinstance(source, Video):
        return source.path, source.times, source.span_s
    return Path(source), AS_STAMPED, None


def stamps_s(path: Path | str) -> Array:
    """(N,) stamped times of a video's pictures in order of presentation, seconds since the first of them.

    Read from the file's packets, without decoding them. Raises BadInput where the file is missing, unreadable,
    holds no picture, a picture carries no stamp or two carry the same.
    """
    path = Path(path)
    with opened(path) as container:
        stream = video_stream(container, path)
        base = time_base(stream, path)
        found: list[int] = []
        try:
            for packet in container.demux(stream):
                if packet.size == 0 or packet.is_discard:  # the empty last one; what an edit list leaves out
                    continue
                if packet.pts is None:
                    raise BadInput(f"{path}: picture {len(found)} carries no time stamp; {_MEND}")
                found.append(packet.pts)
        except (av.FFmpegError, OSError, ValueError) as error:
            raise BadInput(f"{path}: damaged after {len(found)} pictures ({reason(error)})") from error
    if not found:
        raise BadInput(f"{path}: no picture could be read from it (cut off, or empty)")
    ordered = np.sort(np.array(found, dtype=np.int64))
    same = np.flatnonzero(np.diff(ordered) == 0)
    if len(same):
        k = int(same[0]) + 1
        raise BadInput(_not_later(path, k, float((ordered[k] - ordered[0]) * base)))
    return np.asarray((ordered - ordered[0]) * float(base))


_MEND = "copy the file from the camera as it was recorded, not re-written by another program"


def _not_later(path: Path, index: int, t_s: float) -> str:
    return (
        f"{path}: time stamps must increase; picture {index} is stamped {t_s:.4f} s, no later than the one "
        f"before; {_MEND}"
    )


def stated_recording_fps(path: Path | str) -> float | None:
    """Pictures a second that the file's head says the camera took; None where it does not say.

    Telephones that stamp slow motion at the rate it is to be shown write it there (the key of Android's media
    recorder). Raises BadInput where the file cannot be opened.
    """
    path = Path(path)
    with opened(path) as container:
        said = {**container.metadata, **video_stream(container, path).metadata}.get("com.android.capture.fps")
    try:
        fps = float(said) if said is not None else 0.0
    except ValueError:
        return None
    return fps if fps > 0 else None


def frames(
    source: Path | str | Video, start_s: float | None = None, stop_s: float | None = None, *, every: int = 1
) -> Iterator[Frame]:
    """Frames in order of presentation, one at a time.

    source           a path, or a Video where the stamps are not the true times
    start_s, stop_s  keep start_s <= t_s < stop_s, seconds since the file's first frame (true seconds from the
                     start for videos, picture numbers for pictures); None leaves that end open
    every            keep frames whose index is a multiple of it (the others are decoded but not converted)
    Of a Video's stretch only what lies inside comes out, and indices count from the first picture asked for: to
    find the first one's own place in a long file, all before it would have to be read.
    Raises BadInput where the file is missing, unreadable, damaged on the way, empty, holds no video, or where
    its time stamps do not increase.
    """
    path, times, span = _place_of(source)
    if every < 1:
        raise BadInput(f"{path}: every: want a whole number >= 1, got {every}")
    if not path.exists():
        raise BadInput(f"{path}: no such file")
    if _is_pictures(path):
        return _picture_frames(path, start_s, stop_s, every)
    if span is not None:
        start_s = span[0] if start_s is None else max(start_s, span[0])
        stop_s = span[1] if stop_s is None else min(stop_s, span[1])
    return _video_frames(path, times, (start_s, stop_s), every, whole=span is None)


def picture(path: Path | str) -> Image:
    """One picture (H, W, 3) BGR, its EXIF orientation applied; of a video, its first frame.

    Raises BadInput where it is missing or unreadable.
    """
    path = Path(path)
    if path.suffix.lower() in PICTURE_SUFFIXES:
        return _read_picture(path)
    return next(frames(path)).image_bgr


def picture_paths(path: Path | str) -> tuple[Path, ...]:
    """The pictures of a folder in the order of their names, or the one picture itself. BadInput if none."""
    path = Path(path)
    if path.is_file():
        return (path,)
    found = tuple(sorted(p for p in path.iterdir() if p.suffix.lower() in PICTURE_SUFFIXES and p.is_file()))
    if not found:
        raise BadInput(
            f"{path}: want pictures ({', '.join(sorted(PICTURE_SUFFIXES))}) in this folder, found none"
        )
    return found


def _is_pictures(path: Path) -> bool:
    return path.is_dir() or path.suffix.lower() in PICTURE_SUFFIXES


def _read_picture(path: Path) -> Image:
    if not path.exists():
        raise BadInput(f"{path}: no such file")
    data = np.frombuffer(path.read_bytes(), dtype=np.uint8)
    image = cv2.imdecode(data, cv2.IMREAD_COLOR) if data.size else None
    if image is None:
        raise BadInput(f"{path}: not a readable picture")
    return np.asarray(image, dtype=np.uint8)


def _picture_frames(path: Path, start_s: float | None, stop_s: float | None, every: int) -> Iterator[Frame]:
    first_shape: tuple[int, ...] | None = None
    for index, file in enumerate(picture_paths(path)):
        wanted = (start_s is None or index >= start_s) and (stop_s is None or index < stop_s)
        if not wanted or index % every:
            continue
        image = _read_picture(file)
        first_shape = first_shape or image.shape
        if image.shape != first_shape:
            raise BadInput(
                f"{file}: want {first_shape[1]}x{first_shape[0]} px as the other pictures of this folder, "
                f"got {image.shape[1]}x{image.shape[0]}"
            )
        yield Frame(index, float(index), image, file.stem)


def _video_frames(
    path: Path, times: VideoTimes, limits_s: tuple[float | None, float | None], every: int, *, whole: bool
) -> Iterator[Frame]:
    start_s, stop_s = limits_s
    with opened(path) as container:
        stream = video_stream(container, path)
        stream.thread_type = "AUTO"
        pictures = decoded(container, stream, path)
        first = next(pictures, None)
        if first is None:
            raise BadInput(f"{path}: no picture could be read from it (cut off, or empty)")
        zero, tick_s = stamp_of(first, path), time_base(stream, path)
        count, before = 0, 0
        pictures = itertools.chain((first,), pictures)
        if start_s is not None and start_s > 0:
            target = zero + int(float(times.stamped(start_s)) / tick_s)
            pictures = sought(container, stream, path, target)
            if whole:
                pictures, count = _counted(container, stream, path, target, zero)
        last: int | None = None
        for index, frame in enumerate(pictures, start=count):
            stamp = stamp_of(frame, path)
            if last is not None and stamp <= last:
                raise BadInput(_not_later(path, index, float((stamp - zero) * tick_s)))
            last = stamp
            t_s = float(times.true(float((stamp - zero) * tick_s)))
            if stop_s is not None and t_s >= stop_s:
                return
            if start_s is not None and t_s < start_s:
                before = index + 1
                continue
            own = index if whole else index - before
            if own % every == 0:
                yield Frame(own, t_s, upright(frame, path))


def _counted(
    container: av.container.InputContainer, stream: av.VideoStream, path: Path, target: int, zero: int
) -> tuple[Iterator[av.VideoFrame], int]:
    """Decoding from a key frame at or before `target`, and the index of the first frame that comes out.

    The index is counted from the packets' time stamps, without decoding them.
    """
    first = next(sought(container, stream, path, target), None)
    if first is None:
        return iter(()), 0
    start = stamp_of(first, path)
    container.seek(zero, stream=stream, backward=True)
    index = sum(
        1 for p in container.demux(stream) if p.pts is not None and zero <= p.pts < start and not p.is_discard
    )
    return sought(container, stream, path, target), index


def upright(frame: av.VideoFrame, path: Path) -> Image:
    """(H, W, 3) BGR of a decoded frame, its rotation tag applied. Raises BadInput for a tag of odd angles."""
    # one thread: the threads would be started anew for every picture, for five times the processor time
    image = np.asarray(frame.reformat(format="bgr24", threads=1).to_ndarray(), dtype=np.uint8)
    turn = _turn(frame, path)
    if turn is None:
        return image
    if turn[0, 0] == 0:  # x' comes from y: swap the axes first
        image = image.swapaxes(0, 1)
    x_sign, y_sign = _signs(turn)
    return np.ascontiguousarray(image[::y_sign, ::x_sign])


def first_side(path: Path | str) -> str:
    """Where the first stored row lies in the upright picture: "top", "bottom", "left" or "right".

    A sensor is read row by row as it stores them (common practice); the rotation tag turns the rows. "top" for
    pictures. Raises BadInput as `frames` does.
    """
    path = Path(path)
    if _is_pictures(path):
        return "top"
    with opened(path) as container:
        first = next(decoded(container, video_stream(container, path), path), None)
        turn = None if first is None else _turn(first, path)
    if turn is None:
        return "top"
    x_sign, y_sign = _signs(turn)
    if turn[0, 0] == 0:
        return "left" if x_sign > 0 else "right"
    return "top" if y_sign > 0 else "bottom"


def _turn(frame: av.VideoFrame, path: Path) -> NDArray[np.int64] | None:
    """The rotation tag as a matrix of -1, 0 and 1; None where there is none."""
    side = frame.side_data.get(SideData.DISPLAYMATRIX)  # type: ignore[call-overload]  # stubs say str
    if side is None:
        return None
    # ISO/IEC 14496-12, 6.2.2: x' = a x + c y, y' = b x + d y (y down), stored row by row as a b u c d v x y w
    m = np.frombuffer(bytes(side), dtype=np.int32).reshape(3, 3)[:2, :2] / 65536.0
    turn = np.rint(m).astype(np.int64)
    if np.abs(m - turn).max() > 1e-3 or abs(round(float(np.linalg.det(turn)))) != 1:
        raise BadInput(f"{path}: want a rotation tag of 0, 90, 180 or 270 degrees, got the matrix {m.tolist()}")
    return turn


def _signs(turn: NDArray[np.int64]) -> tuple[int, int]:
    """Of the upright picture's axes against the stored ones, after these were swapped where the tag says so."""
    if turn[0, 0] == 0:
        return int(turn[1, 0]), int(turn[0, 1])
    return int(turn[0, 0]), int(turn[1, 1])
