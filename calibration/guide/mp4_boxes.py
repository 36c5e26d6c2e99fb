"""Whether an MP4 file can be read while it is being written: where its index is. ISO/IEC 14496-12, 4.2."""

from __future__ import annotations

from collections.abc import Iterator
from enum import Enum
from pathlib import Path
from typing import BinaryIO

_FIRST_BOXES = {b"ftyp", b"styp", b"moov", b"mdat", b"free", b"skip", b"wide", b"pnot"}


class Mp4State(Enum):
    """Where the index (the box "moov") stands."""

    OTHER = "not an MP4 file"
    INDEX_FIRST = "readable while it grows: fragments, or an index in front"
    INDEX_LAST = "finished: the index follows the pictures"
    NO_INDEX = "no index yet"


def mp4_state(path: Path) -> Mp4State:
    """Looks at the heads of the file's outermost boxes only. An MP4 cut within its first head is NO_INDEX."""
    with path.open("rb") as data:
        head = data.read(8)
        if len(head) < 8 or head[4:8] not in _FIRST_BOXES:
            return Mp4State.OTHER
        size = path.stat().st_size
        pictures_came = False
        for kind, end in _boxes(data, size):
            if kind == b"moov" and end <= size:
                return Mp4State.INDEX_LAST if pictures_came else Mp4State.INDEX_FIRST
            pictures_came = pictures_came or kind == b"mdat"
    return Mp4State.NO_INDEX


def _boxes(data: BinaryIO, size: int) -> Iterator[tuple[bytes, int]]:
    """(kind, end) of each outermost box whose head is there."""
    at = 0
    while at + 8 <= size:
        data.seek(at)
        head = data.read(16)
        length, kind = int.from_bytes(head[:4], "big"), head[4:8]
        if length == 1:  # the length follows in 64 bits
            length = int.from_bytes(head[8:16], "big")
        if length == 0:  # up to the file's end, wherever that will be
            length = max(8, size - at)
        if length < 8:
            return
        at += length
        yield kind, at
