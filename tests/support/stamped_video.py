"""Tiny videos with any stamps, codecs and heads, encoded here."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from pathlib import Path

import av
import numpy as np

TICKS = 90_000
"""Of the time base, a second: divisible by every usual frame rate."""


def stamped_video(
    path: Path,
    stamps: Sequence[int],
    *,
    codec: str = "libx264",
    pixels: str = "yuv420p",
    options: Mapping[str, str] | None = None,
    head: Mapping[str, str] | None = None,
) -> Path:
    """A video of 64x48 pictures at these ticks; picture k is as bright as `brightness(k)`."""
    base = Fraction(1, TICKS)
    with av.open(str(path), mode="w", options={"movflags": "use_metadata_tags"} if head else {}) as out:
        out.metadata.update(head or {})
        stream = out.add_stream(codec, rate=30, options=dict(options or {}))
        stream.width, stream.height, stream.pix_fmt = 64, 48, pixels
        stream.time_base = stream.codec_context.time_base = base
        for k, stamp in enumerate(stamps):
            grey = av.VideoFrame.from_ndarray(np.full((48, 64), brightness(k), np.uint8), format="gray")
            frame = grey.reformat(format=pixels)
            frame.pts, frame.time_base = int(stamp), base
            for packet in stream.encode(frame):
                out.mux(packet)
        for packet in stream.encode():
            out.mux(packet)
    return path


def brightness(k: int) -> int:
    """Of picture k: neighbours differ by far more than any codec's error."""
    return 30 + 37 * k % 190
