"""A user's own 2D keypoints: tidy CSV with columns camera, time_s, keypoint, u_px, v_px, sigma_px."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calibration.errors import BadInput
from calibration.geometry import Camera
from recon.keypoints.assemble import without_unseen_edges
from recon.records import SOUGHT, CameraTracks, Tracks2D

COLUMNS = ("camera", "time_s", "keypoint", "u_px", "v_px", "sigma_px")
_ROWS_AT_ONCE = 200_000
_ONE_FRAME_S = 1e-4  # no camera is that fast: times closer than this are one frame's, written in two ways


def read_own_keypoints(path: Path, cameras: Sequence[Camera], unused: Sequence[str] = ()) -> Tracks2D:
    """Read and check a keypoint file; points it leaves out are simply not seen.

    cameras are those to read, unused those that the rig has besides: their rows are passed over. time_s is
    each camera's own time, first frame 0 or not; sigma_px is the standard uncertainty per axis. Rows may stand
    in any order.
    Raises BadInput naming the row and what is wrong: a missing column, an unknown camera or keypoint, a
    value that is no number, a repeated row, a sigma that is not positive, points of one frame with times that
    differ by less than frames do, a camera without any row.
    """
    names = [c.name for c in cameras]
    table = pd.concat([pd.DataFrame(columns=COLUMNS).astype({"time_s": float}), *own_rows(path, names, unused)])
    twice = table.duplicated(["camera", "time_s", "keypoint"]).to_numpy()
    if twice.any():
        raise BadInput(f"{path}: {_row(table, twice)}: camera, time_s and keypoint stand in an earlier row too")
    for name in names:
        if not (table["camera"] == name).any():
            raise BadInput(
                f"{path}: no row for camera {name!r}; the rig has {', '.join(names)}: "
                f"name those that saw the serve under `cameras` in session.toml"
            )
    seen = tuple(own_tracks(path, table, camera) for camera in cameras)
    return without_unseen_edges(Tracks2D(SOUGHT, seen, f"own keypoints: {path.name}"))


def own_rows(path: Path, names: Sequence[str], unused: Sequence[str]) -> Iterator[pd.DataFrame]:
    """The file's rows in pieces, each row checked by itself, without those of cameras that are not used.

    Memory does not grow with the file. Raises BadInput as `read_own_keypoints` does for a single row.
    """
    if not path.is_file():
        raise BadInput(f"{path}: no such keypoint file")
    text = {"camera": str, "keypoint": str}
    try:
        with pd.read_csv(path, dtype=text, skipinitialspace=True, chunksize=_ROWS_AT_ONCE) as reader:
            for table in reader:
                _check_rows(path, table, [*names, *unused])
                yield table.loc[table["camera"].isin(names), list(COLUMNS)]
    except (pd.errors.ParserError, pd.errors.EmptyDataError, UnicodeDecodeError) as error:
        raise BadInput(f"{path}: want a CSV table: {error}") from error


def _check_rows(path: Path, table: pd.DataFrame, cameras: list[str]) -> None:
    lacking = [c for c in COLUMNS if c not in table.columns]
    if lacking:
        raise BadInput(f"{path}: want columns {', '.join(COLUMNS)}; {', '.join(lacking)} missing")
    for column, allowed in (("camera", cameras), ("keypoint", list(SOUGHT))):
        foreign = ~table[column].isin(allowed).to_numpy()
        if foreign.any():
            got = table[column].iloc[int(foreign.argmax())]
            raise BadInput(
                f"{path}: {_row(table, foreign)}: unknown {column} {got!r}; want one of {', '.join(allowed)}"
            )
    for column in ("time_s", "u_px", "v_px", "sigma_px"):
        numbers = pd.to_numeric(table[column], errors="coerce")
        bad = ~np.isfinite(numbers.to_numpy(dtype=float))
        if bad.any():
            got = table[column].iloc[int(bad.argmax())]
            raise BadInput(
                f"{path}: {_row(table, bad)}: {column}: want a number, got {got!r}; leave unseen points out"
            )
        table[column] = numbers
    small = (table["sigma_px"] <= 0).to_numpy()
    if small.any():
        got = table["sigma_px"].iloc[int(small.argmax())]
        raise BadInput(f"{path}: {_row(table, small)}: sigma_px: want > 0, got {got}")


def _row(table: pd.DataFrame, wrong: NDArray[np.bool_]) -> str:
    """The line of the first wrong row, as an editor counts them; the index counts rows of the whole file."""
    return f"row {int(table.index[int(wrong.argmax())]) + 2}"


def own_tracks(path: Path, rows: pd.DataFrame, camera: Camera) -> CameraTracks:
    """One camera's tracks from checked rows. Raises BadInput for times that are hardly apart."""
    rows = rows[rows["camera"] == camera.name]
    times = np.unique(rows["time_s"].to_numpy(dtype=float))
    close = np.diff(times) < _ONE_FRAME_S
    if close.any():
        k = int(close.argmax())
        raise BadInput(
            f"{path}: camera {camera.name}: want one time_s for all points of a frame, got "
            f"{times[k]} and {times[k + 1]}"
        )
    uv = np.full((len(times), len(SOUGHT), 2), np.nan)
    sigma = np.full(uv.shape[:2], np.nan)
    t = np.searchsorted(times, rows["time_s"].to_numpy(dtype=float))
    p = rows["keypoint"].map({name: k for k, name in enumerate(SOUGHT)}).to_numpy(dtype=int)
    uv[t, p] = rows[["u_px", "v_px"]].to_numpy(dtype=float)
    sigma[t, p] = rows["sigma_px"].to_numpy(dtype=float)
    return CameraTracks(camera.name, camera.size_px, times, uv, sigma)
