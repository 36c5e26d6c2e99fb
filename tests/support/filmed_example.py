"""Films for the invented example session: nothing but its racket before a wall, drawn where its motion says."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import av
import numpy as np

from calibration import Array, Camera
from recon.result import load_result
from tests.support.drawn_racket import wall, with_racket
from tests.support.example_motion import RATE_HZ


def film_example(folder: Path) -> None:
    """Write the videos that the session names; frame k is taken at k / RATE_HZ of the camera's own clock."""
    result = load_result(folder)
    motion = result.motion
    for camera in result.rig.cameras:
        offset = result.clocks.of(camera.name).offset_s
        t = np.arange(0.0, motion.t_s[-1] - offset, 1 / RATE_HZ) + offset
        butt, tip = (
            np.stack([np.interp(t, motion.t_s, motion.path(f"racket_{end}")[:, d]) for d in range(3)], axis=1)
            for end in ("butt", "tip")
        )
        film_racket(folder / f"{camera.name}.mp4", camera, butt, tip)


def film_racket(path: Path, camera: Camera, butt_m: Array, tip_m: Array, fps: int = round(RATE_HZ)) -> None:
    """A video of a racket whose ends (T, 3) are these, as a camera sees it."""
    behind = wall(camera.size_px)
    ends = zip(camera.project(butt_m), camera.project(tip_m), strict=True)
    with av.open(str(path), mode="w") as out:
        stream = out.add_stream("libx264", rate=fps, options={"preset": "ultrafast", "crf": "18"})
        stream.width, stream.height = camera.size_px
        stream.pix_fmt = "yuv420p"
        stream.codec_context.time_base = Fraction(1, fps)
        for k, (butt_px, tip_px) in enumerate(ends):
            picture = with_racket(behind, butt_px, tip_px, noise=0.0)
            frame = av.VideoFrame.from_ndarray(picture, format="bgr24")
            frame.pts = k
            for packet in stream.encode(frame):
                out.mux(packet)
        for packet in stream.encode():
            out.mux(packet)
