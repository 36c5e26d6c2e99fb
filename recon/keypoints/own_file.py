"""A user's own 2D keypoints: tidy CSV with columns camera, time_s, keypoint, u_px, v_px, sigma_px."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from calibration.errors import BadInput
from calibration.geometry import Camera
from recon.records import KEYPOINTS, CameraTracks, Tracks2D

COLUMNS = ("camera", "time_s", "keypoint", "u_px", "v_px", "sigma_px")


def read_own_keypoints(path: Path, cameras: Sequence[Camera], unused: Sequence[str] = ()) -> Tracks2D:
    """Read and check a keypoint file; points it leaves out are simply not seen.

    cameras are those to read, unused those that the rig has besides: their rows are passed over. time_s is
    each camera's own time, first frame 0 or not; sigma_px is the standard uncertainty per axis.
    Raises BadInput naming the row and what is wrong: a missing column, an unknown camera or keypoint, a
    value that is no number, a repeated row, a sigma that is not positive, a camera without any row.
    """
    if not path.is_file():
        raise BadInput(f"{path}: no such keypoint file")
    try:
        table = pd.read_csv(path, dtype={"camera": str, "keypoint": str}, skipinitialspace=True)
    except (pd.errors.ParserError, pd.errors.EmptyDataError, UnicodeDecodeError) as error:
        raise BadInput(f"{path}: want a CSV table: {error}") from error
    _check(path, table, [c.name for c in cameras], list(unused))
    seen = tuple(_one_camera(table, camera) for camera in cameras)
    return Tracks2D(KEYPOINTS, seen, f"own keypoints: {path.name}")


def _check(path: Path, table: pd.DataFrame, names: list[str], unused: list[str]) -> None:
    lacking = [c for c in COLUMNS if c not in table.columns]
    if lacking:
        raise BadInput(f"{path}: want columns {', '.join(COLUMNS)}; {', '.join(lacking)} missing")
    for column, allowed in (("camera", names + unused), ("keypoint", list(KEYPOINTS))):
        foreign = ~table[column].isin(allowed)
        if foreign.any():
            row = int(np.flatnonzero(foreign)[0])
            got = table[column].iloc[row]
            raise BadInput(f"{path}: row {row + 2}: unknown {column} {got!r}; want one of {', '.join(allowed)}")
    for column in ("time_s", "u_px", "v_px", "sigma_px"):
        numbers = pd.to_numeric(table[column], errors="coerce")
        bad = ~np.isfinite(numbers.to_numpy(dtype=float))
        if bad.any():
            row = int(np.flatnonzero(bad)[0])
            got = table[column].iloc[row]
            raise BadInput(
                f"{path}: row {row + 2}: {column}: want a number, got {got!r}; leave unseen points out"
            )
        table[column] = numbers
    if (table["sigma_px"] <= 0).any():
        row = int(np.flatnonzero(table["sigma_px"] <= 0)[0])
        raise BadInput(f"{path}: row {row + 2}: sigma_px: want > 0, got {table['sigma_px'].iloc[row]}")
    twice = table.duplicated(["camera", "time_s", "keypoint"])
    if twice.any():
        row = int(np.flatnonzero(twice)[0])
        raise BadInput(f"{path}: row {row + 2}: camera, time_s and keypoint stand in an earlier row too")
    for name in names:
        if not (table["camera"] == name).any():
            raise BadInput(f"{path}: no row for camera {name!r}; the rig has {', '.join(names)}")


def _one_camera(table: pd.DataFrame, camera: Camera) -> CameraTracks:
    rows = table[table["camera"] == camera.name]
    times = np.unique(rows["time_s"].to_numpy(dtype=float))
    uv = np.full((len(times), len(KEYPOINTS), 2), np.nan)
    sigma = np.full(uv.shape[:2], np.nan)
    t = np.searchsorted(times, rows["time_s"].to_numpy(dtype=float))
    p = rows["keypoint"].map({name: k for k, name in enumerate(KEYPOINTS)}).to_numpy(dtype=int)
    uv[t, p] = rows[["u_px", "v_px"]].to_numpy(dtype=float)
    sigma[t, p] = rows["sigma_px"].to_numpy(dtype=float)
    return CameraTracks(camera.name, camera.size_px, times, uv, sigma)
