"""INVENTED recordings of own keypoints as a user's file: any length, written as it is made."""

from __future__ import annotations

from collections.abc import Mapping
from itertools import pairwise
from pathlib import Path

import numpy as np
import pandas as pd

from calibration import save_rig
from calibration.geometry import Camera
from recon.records import KEYPOINTS
from tests.support.example_rig import example_rig
from tests.support.serve_series import ServeSeries, seen

_PIECE_S = 20.0


def write_recording(
    folder: Path,
    cameras: tuple[Camera, ...],
    series: ServeSeries,
    spans_s: Mapping[str, tuple[float, float]],
    fps: float = 60.0,
) -> Path:
    """A session folder with rig, session.toml and keypoints; spans_s: camera -> rig times at which it ran.

    Every camera's own time begins at 0. Rows stand camera by camera in pieces of 20 s.
    """
    save_rig(folder / "rig.json", example_rig(cameras))
    with (folder / "points.csv").open("w", encoding="utf-8") as out:
        out.write("camera,time_s,keypoint,u_px,v_px,sigma_px\n")
        for k, camera in enumerate(cameras):
            start, stop = spans_s[camera.name]
            edges = np.append(np.arange(0.0, stop - start, _PIECE_S), stop - start)
            for low, high in pairwise(edges):
                shown = seen(camera, series, start, (low, high), fps=fps, seed=k)
                at, p = np.nonzero(~np.isnan(shown.sigma_px))
                rows = {"camera": camera.name, "time_s": shown.t_cam_s[at], "keypoint": np.array(KEYPOINTS)[p]}
                u, v = shown.uv_px[at, p].round(2).T
                pd.DataFrame(rows | {"u_px": u, "v_px": v, "sigma_px": 1.5}).to_csv(
                    out, header=False, index=False
                )
    text = (
        f'rig = "rig.json"\nathlete = "Über \\"A\\""\nhandedness = "{series.handedness}"\n'
        'keypoints = "points.csv"\n'
    )
    (folder / "session.toml").write_text(text, encoding="utf-8")
    return folder
