"""Pictures from footage that may still be being written: growing files, filling folders, files not yet there.

A growing file is given to the decoder as a stream whose read waits for more bytes, so a half-written packet is
simply not there yet. It works for files whose index is not at the end: MPEG-TS, Matroska, fragmented MP4.
"""

from __future__ import annotations

import contextlib
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import BinaryIO

import av

from calibration.errors import BadInput
from calibration.footage import PICTURE_SUFFIXES, Frame, Image, frames, picture, upright
from calibration.guide.mp4_boxes import Mp4State, mp4_state

POLL_S = 0.1
_LEAST_BYTES = 16  # the kind of a file is told from its first bytes
_BEHIND_S, _CAUGHT_UP_S = 2.0, 0.5  # of footage unread: from the first on only key frames are decoded
_MOST_FAULTS = 20  # damaged packets in a row after which the rest is given up
PLAIN_MP4 = (
    "an MP4 file whose index is written only when recording ends cannot be read before that; "
    "set the recorder to MPEG-TS (.ts), Matroska (.mkv) or fragmented MP4"
)


@dataclass(frozen=True, slots=True, eq=False)
class Arrival:
    """A picture that came in.

    t_s        seconds since the footage's first picture; a folder's picture has its number
    arrival_s  when it came, on the clock handed in
    live       whether the footage is still growing: whoever is late may then skip pictures
    name       a picture file's name without its ending, else ""
    """

    t_s: float
    arrival_s: float
    live: bool
    name: str
    _picture: Callable[[], Image]

    def picture(self) -> Image:
        """(H, W, 3) BGR, upright; converted when asked for, because skipped pictures need not be."""
        return self._picture()


@dataclass(frozen=True, slots=True)
class Patience:
    """How to wait: the clock (seconds, never running back), a sleep, and what ends it all.

    idle_s   a file that has not grown for so long has ended
    stopped  True once the user broke off
    note     takes a sentence for the user
    """

    clock: Callable[[], float] = time.monotonic
    sleep: Callable[[float], None] = time.sleep
    idle_s: float = 10.0
    stopped: Callable[[], bool] = lambda: False
    note: Callable[[str], None] = lambda text: None


def follow(path: Path, patience: Patience) -> Iterator[Arrival]:
    """Pictures of a file or folder, from its first on, until it has not grown for patience.idle_s.

    Waits for it to exist. Damaged and half-written packets are passed over. Raises BadInput where a file is no
    video, or is an MP4 without an index and is not being written any more.
    """
    while not _begun(path):
        if patience.stopped():
            return iter(())
        patience.sleep(POLL_S)
    if path.is_dir():
        return _folder(path, patience)
    if path.suffix.lower() in PICTURE_SUFFIXES:
        return _finished(path, patience)
    return _file(path, patience)


def _begun(path: Path) -> bool:
    return path.exists() and (path.is_dir() or path.stat().st_size >= _LEAST_BYTES)


def _finished(path: Path, patience: Patience) -> Iterator[Arrival]:
    for frame in frames(path):
        if patience.stopped():
            return
        yield _arrival(frame, patience)


def _arrival(frame: Frame, patience: Patience) -> Arrival:
    return Arrival(frame.t_s, patience.clock(), False, frame.name, partial(_as_it_is, frame.image_bgr))


def _as_it_is(image: Image) -> Image:
    return image


def _folder(path: Path, patience: Patience) -> Iterator[Arrival]:
    """Pictures in the order of their names as they appear; one that cannot be read yet is tried again."""
    done: set[str] = set()
    grown = patience.clock()
    while not patience.stopped() and patience.clock() - grown < patience.idle_s:
        new = sorted(p for p in path.iterdir() if p.suffix.lower() in PICTURE_SUFFIXES and p.name not in done)
        for file in new:
            with contextlib.suppress(BadInput):
                image = picture(file)
                number = float(len(done))
                done.add(file.name)
                grown = patience.clock()
                yield Arrival(number, grown, False, file.stem, partial(_as_it_is, image))
        if not new or new[-1].name not in done:
            patience.sleep(POLL_S)


def _file(path: Path, patience: Patience) -> Iterator[Arrival]:
    state, told, size, grown = mp4_state(path), False, 0, patience.clock()
    while state is Mp4State.NO_INDEX:
        if not told:
            patience.note(f"{path.name}: {PLAIN_MP4}; waiting for it to end")
            told = True
        if path.stat().st_size != size:
            size, grown = path.stat().st_size, patience.clock()
        if patience.stopped():
            return
        if patience.clock() - grown >= patience.idle_s:
            raise BadInput(f"{path}: {PLAIN_MP4}; this one has no index and does not grow any more")
        patience.sleep(POLL_S)
        state = mp4_state(path)
    if state is Mp4State.INDEX_LAST:
        yield from _finished(path, patience)
    else:
        with path.open("rb") as data:
            yield from _growing(_GrowingFile(path, data, patience), path, patience)


class _GrowingFile:
    """A file's bytes as a stream that waits at the end for more; has no seek, so the decoder never jumps."""

    def __init__(self, path: Path, data: BinaryIO, patience: Patience) -> None:
        self._path, self._data, self._patience = path, data, patience
        self._first_size = self._size()
        self.position = 0
        self.grows, self._ended = False, False

    def read(self, size: int) -> bytes:
        """Up to `size` bytes, at least one; none at the end: no growth for idle_s, broken off, or cut short."""
        since = self._patience.clock()
        while not (self._ended or self._patience.stopped()):
            data = self._data.read(size)
            if data:
                self.position += len(data)
                return data
            now = self._size()
            if now < self.position or self._patience.clock() - since >= self._patience.idle_s:
                break
            self._patience.sleep(POLL_S)
        self.grows, self._ended = False, True
        return b""

    def unread(self) -> int:
        """Bytes written but not yet read."""
        size = self._size()
        self.grows = self.grows or size > self._first_size
        return size - self.position

    def _size(self) -> int:
        return self._path.stat().st_size if self._path.exists() else 0


def _growing(data: _GrowingFile, path: Path, patience: Patience) -> Iterator[Arrival]:
    # the head of a file that grows must be understood from its first seconds: 1 MB, 2 s instead of 5
    options = {"probesize": "1000000", "analyzeduration": "2000000"}
    try:
        container = av.open(data, mode="r", options=options)
    except (av.FFmpegError, OSError, ValueError) as error:
        if patience.stopped():
            return
        raise BadInput(f"{path}: not a readable video ({error})") from error
    with container:
        yield from decoded(container, path, patience, data)


def decoded(
    container: av.container.InputContainer, path: Path, patience: Patience, data: _GrowingFile | None = None
) -> Iterator[Arrival]:
    """Pictures of an opened container; of a live one where `data` is None. Damaged packets are passed over."""
    if not container.streams.video:
        raise BadInput(f"{path}: it holds no video")
    stream = container.streams.video[0]
    stream.thread_type = "SLICE"  # decoding whole frames side by side would hold back the newest ones
    zero: float | None = None
    last = -1.0
    for packet in _packets(container, stream):
        if patience.stopped():
            return
        try:
            got = packet.decode()
        except (av.FFmpegError, ValueError):
            continue
        for frame in got:
            if not isinstance(frame, av.VideoFrame) or frame.time is None:
                continue
            zero = frame.time if zero is None else zero
            t_s = frame.time - zero
            if t_s <= last:
                continue
            last = t_s
            live = data is None or data.grows
            yield Arrival(t_s, patience.clock(), live, "", partial(upright, frame, path))
        if data is not None:
            _keep_up(data, stream, last)


def _keep_up(data: _GrowingFile, stream: av.VideoStream, t_s: float) -> None:
    """Decodes key frames only while reading is too far behind writing, so that the view does not lag."""
    unread = data.unread()
    if not data.grows or t_s <= 0:
        return
    behind_s = unread * t_s / max(1, data.position)
    if behind_s > _BEHIND_S:
        stream.codec_context.skip_frame = "NONKEY"
    elif behind_s < _CAUGHT_UP_S:
        stream.codec_context.skip_frame = "DEFAULT"


def _packets(
    container: av.container.InputContainer, stream: av.VideoStream
) -> Iterator[av.Packet[av.VideoStream]]:
    faults = 0
    while faults < _MOST_FAULTS:
        try:
            for packet in container.demux(stream):
                faults = 0
                yield packet
            return
        except (av.FFmpegError, OSError, ValueError):
            faults += 1
