"""A film of a taped racket and a ball held still before a grey court, INVENTED: patches of known colour."""

from __future__ import annotations

import colorsys
from collections.abc import Mapping
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.uint8]

FPS = 10
GREY = 105
SHOWN_S = (3.0, 5.0)
"""When the racket is in the picture."""


def bgr_of(hue_deg: float, saturation: float = 0.9, value: float = 0.9) -> Image:
    """(3,) BGR of a hue on the colour circle."""
    red, green, blue = colorsys.hsv_to_rgb(hue_deg / 360, saturation, value)
    return np.round(255 * np.array([blue, green, red])).astype(np.uint8)


def court(
    size_px: tuple[int, int], hues_deg: Mapping[str, float], places: Mapping[str, tuple[int, int]]
) -> Image:
    """Grey ground, and on it a disc of each part's colour 8 px in radius at its place."""
    picture = np.full((size_px[1], size_px[0], 3), GREY, np.uint8)
    for part, hue in hues_deg.items():
        cv2.circle(picture, places[part], 8, bgr_of(hue).tolist(), -1)
    return picture


def film_tape(path: Path, shown: Image, length_s: float = 6.0) -> None:
    """A film of bare ground that shows a picture from SHOWN_S's begin to its end."""
    bare = np.full_like(shown, GREY)
    with av.open(str(path), mode="w") as out:
        # whole colours for every pixel: what comes out is what was drawn
        stream = out.add_stream("libx264", rate=FPS, options={"preset": "ultrafast", "crf": "12"})
        stream.height, stream.width = shown.shape[:2]
        stream.pix_fmt = "yuv444p"
        stream.codec_context.time_base = Fraction(1, FPS)
        for k in range(round(length_s * FPS)):
            there = SHOWN_S[0] <= k / FPS < SHOWN_S[1]
            frame = av.VideoFrame.from_ndarray(shown if there else bare, format="bgr24")
            frame.pts = k
            for packet in stream.encode(frame):
                out.mux(packet)
        for packet in stream.encode():
            out.mux(packet)
