"""A video looked through cheaply: a few small pictures a second, the others not even decoded where possible.

Pictures that no other one is built on are passed over, and edges of coding blocks are not smoothed. That leaves
two thirds of the processor time (demo's clips: H.264, 720 lines, 120 a second), and pictures good enough to
glance at. Times are those of `calibration.footage.frames`.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import av

from calibration.container import decoded, opened, sought, stamp_of, time_base, video_stream
from calibration.errors import BadInput
from calibration.footage import Frame, Video, begins_s, upright


def small_size(size_px: tuple[int, int], longest_px: int) -> tuple[int, int]:
    """Width and height, even, the longer one longest_px or just below; never larger than given.

    Raises BadInput for a longest_px below 16.
    """
    if longest_px < 16:
        raise BadInput(f"small pictures: want a longer side of 16 pixels or more, got {longest_px}")
    share = min(longest_px / max(size_px), 1.0)
    width, height = (max(2, int(side * share) // 2 * 2) for side in size_px)
    return width, height


def skim(video: Video, looks_hz: float, longest_px: int) -> Iterator[Frame]:
    """Of each stretch of 1 / looks_hz the first picture that is cheap to have, made small; index counts looks.

    Raises BadInput where the file is missing, unreadable, or damaged on the way, and for looks_hz <= 0.
    """
    if looks_hz <= 0:
        raise BadInput(f"{video.path}: want more than 0 looks a second, got {looks_hz}")
    with opened(video.path) as container:
        stream = video_stream(container, video.path)
        stream.codec_context.skip_frame = "NONREF"
        stream.codec_context.options = {"skip_loop_filter": "all"}  # heeded before the first picture only
        zero = _first_stamp(container, stream, video.path)
        tick_s, start_s = time_base(stream, video.path), begins_s(video)
        target = zero + int(float(video.times.stamped(start_s)) / tick_s)
        stop_s = None if video.span_s is None else video.span_s[1]
        count, taken = 0, -1
        for frame in sought(container, stream, video.path, target):
            t_s = float(video.times.true(float((stamp_of(frame, video.path) - zero) * tick_s)))
            if stop_s is not None and t_s >= stop_s:
                return
            place = int(t_s * looks_hz + 1e-6)
            if t_s < start_s or place <= taken:
                continue
            width, height = small_size((frame.width, frame.height), longest_px)
            small = frame.reformat(width=width, height=height)
            yield Frame(count, t_s, upright(small, video.path))
            count, taken = count + 1, place


def _first_stamp(container: av.container.InputContainer, stream: av.VideoStream, path: Path) -> int:
    """The stamp of the file's first picture, which all times count from."""
    first = next(decoded(container, stream, path), None)
    if first is None:
        raise BadInput(f"{path}: no picture could be read from it (cut off, or empty)")
    return stamp_of(first, path)
