"""Writing pictures and clips under a temporary name first: an interrupted run leaves nothing half done."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from fractions import Fraction
from pathlib import Path

import av
import cv2

from calibration.checks import Array


@contextmanager
def finished(path: Path) -> Iterator[Path]:
    """A temporary path beside `path` that takes its place when the block ends well and vanishes otherwise."""
    path.parent.mkdir(parents=True, exist_ok=True)
    draft = path.with_name(f".{path.stem}.{os.getpid()}.part{path.suffix}")
    try:
        yield draft
        os.replace(draft, path)
    finally:
        draft.unlink(missing_ok=True)


def write_png(path: Path, picture_rgb: Array) -> None:
    """An 8-bit red green blue picture."""
    with finished(path) as draft:
        cv2.imwrite(str(draft), cv2.cvtColor(picture_rgb, cv2.COLOR_RGB2BGR))


class ClipWriter:
    """H.264 in MP4 with real time stamps k / fps, first frame 0. One thread: same pictures, same bytes."""

    def __init__(self, path: Path, size_px: tuple[int, int], fps: int, crf: int) -> None:
        self._container = av.open(str(path), "w")
        stream = self._container.add_stream("libx264", rate=fps)
        stream.width, stream.height = size_px
        stream.pix_fmt = "yuv420p"
        stream.time_base = Fraction(1, fps * 128)
        stream.codec_context.thread_count = 1
        stream.options = {"crf": str(crf), "preset": "superfast", "g": str(fps // 2)}
        self._stream, self._fps, self._index = stream, fps, 0

    def add(self, yuv: Array) -> None:
        """Appends one I420 picture."""
        frame = av.VideoFrame.from_ndarray(yuv, format="yuv420p")
        frame.time_base = Fraction(1, self._fps)
        frame.pts = self._index
        self._index += 1
        for packet in self._stream.encode(frame):
            self._container.mux(packet)

    def close(self) -> None:
        """Writes what is left and the file's index."""
        for packet in self._stream.encode():
            self._container.mux(packet)
        self._container.close()


@contextmanager
def clip(path: Path, size_px: tuple[int, int], fps: int, crf: int) -> Iterator[ClipWriter]:
    """A clip that appears under its name only when it is complete."""
    with finished(path) as draft:
        writer = ClipWriter(draft, size_px, fps, crf)
        try:
            yield writer
        finally:
            writer.close()
