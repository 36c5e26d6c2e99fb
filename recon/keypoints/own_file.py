"""A user's own 2D keypoints: tidy CSV with columns camera, time_s, keypoint, u_px, v_px, sigma_px.

Read in pieces: a file of half an hour of video is as light on memory as one of a single serve.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.errors import BadInput
from calibration.geometry import Camera
from recon.records import KEYPOINTS, CameraTracks, NoiseShape, Tracks2D, usual_noise

COLUMNS = ("camera", "time_s", "keypoint", "u_px", "v_px", "sigma_px")
ROW = "row"
"""In files cut from a long one: the line there."""

_ROWS_AT_ONCE = 200_000
_ONE_FRAME_S = 1e-4  # frames closer than this are one frame, whose points were written with different times


@dataclass(frozen=True, slots=True)
class OwnNoise:
    """What a person says of the error of own keypoints.

    sigma_px   standard uncertainty per axis where the file has no such column, or an empty cell; None: it must
    shape      how it is made up; None: what is usual for the point
    """

    sigma_px: float | None = None
    shape: NoiseShape | None = None


def read_own_keypoints(
    path: Path,
    cameras: Sequence[Camera],
    unused: Sequence[str] = (),
    *,
    noise: Mapping[str, OwnNoise] | None = None,
) -> Tracks2D:
    """Read and check a keypoint file; points it leaves out are simply not seen.

    cameras are those to read, unused those that the rig has besides: their rows are passed over. time_s is
    each camera's own time, first frame 0 or not; sigma_px is the standard uncertainty per axis. Rows may stand
    in any order. noise: per keypoint, where something is said of it.
    Raises BadInput naming the row and what is wrong: a missing column, an unknown camera or keypoint, a
    value that is no number, a repeated row, a sigma that is not positive, a camera without any row.
    """
    noise = noise or {}
    table = pd.concat(list(own_rows(path, [c.name for c in cameras], list(unused), noise)))
    _check_whole(path, table, [c.name for c in cameras])
    shapes = tuple(noise.get(name, OwnNoise()).shape or usual_noise(name) for name in KEYPOINTS)
    seen = tuple(_one_camera(path, table, camera) for camera in cameras)
    return Tracks2D(KEYPOINTS, seen, f"own keypoints: {path.name}", shapes)


def glimpse_own_keypoints(
    path: Path,
    cameras: Sequence[Camera],
    unused: Sequence[str],
    points: Sequence[str],
    looks_hz: float,
    *,
    noise: Mapping[str, OwnNoise] | None = None,
) -> dict[str, tuple[Array, Array, float]]:
    """A few looks a second of the whole file: per camera times (T,), pixels (T, P, 2) and the camera's last time.

    points names the P points; one frame per 1 / looks_hz, the first in each. Raises BadInput as
    `read_own_keypoints` does, but for repeated rows: those are found where the rows are used.
    """
    held = {c.name: _Looks.none(len(points)) for c in cameras}
    ends = dict.fromkeys(held, -np.inf)
    for rows in own_rows(path, list(held), list(unused), noise or {}):
        for name, own in rows.groupby("camera", sort=False):
            ends[str(name)] = max(ends[str(name)], float(own["time_s"].max()))
            held[str(name)] = held[str(name)].with_rows(
                own[own["keypoint"].isin(points)], list(points), looks_hz
            )
    for name, end in ends.items():
        if end == -np.inf:
            raise BadInput(f"{path}: no row for camera {name!r}; the rig has {', '.join(held)}")
    return {name: (looks.t_s, looks.uv_px, ends[name]) for name, looks in held.items()}


@dataclass(frozen=True, slots=True, eq=False)
class _Looks:
    """One frame for each stretch of 1 / looks_hz: the stretches' numbers (N,), times (N,), pixels (N, P, 2)."""

    number: NDArray[np.int64]
    t_s: Array
    uv_px: Array

    @staticmethod
    def none(points: int) -> _Looks:
        return _Looks(np.empty(0, dtype=np.int64), np.empty(0), np.empty((0, points, 2)))

    def with_rows(self, own: pd.DataFrame, points: list[str], looks_hz: float) -> _Looks:
        """With a piece's first frame of each stretch; rows of one frame may be spread over two pieces."""
        t = own["time_s"].to_numpy(dtype=float)
        bins = np.floor(t * looks_hz + 1e-6).astype(np.int64)
        numbers, at = np.unique(bins, return_inverse=True)
        first = np.full(len(numbers), np.inf)
        np.minimum.at(first, at, t)
        uv = np.full((len(numbers), len(points), 2), np.nan)
        of_first = t < first[at] + _ONE_FRAME_S
        column = own["keypoint"].map({name: k for k, name in enumerate(points)}).to_numpy(dtype=int)
        uv[at[of_first], column[of_first]] = own[["u_px", "v_px"]].to_numpy(dtype=float)[of_first]
        return self._joined(_Looks(numbers, first, uv))

    def _joined(self, other: _Looks) -> _Looks:
        number = np.concatenate([self.number, other.number])
        t, uv = np.concatenate([self.t_s, other.t_s]), np.concatenate([self.uv_px, other.uv_px])
        order = np.lexsort((t, number))
        number, t, uv = number[order], t[order], uv[order]
        again = np.flatnonzero(np.diff(number) == 0) + 1
        for k in again:  # the frame before is earlier, or the same frame's other rows
            if t[k] - t[k - 1] < _ONE_FRAME_S:
                uv[k - 1] = np.where(np.isnan(uv[k - 1]), uv[k], uv[k - 1])
        return _Looks(np.delete(number, again), np.delete(t, again), np.delete(uv, again, axis=0))


def own_rows(
    path: Path, names: Sequence[str], unused: Sequence[str], noise: Mapping[str, OwnNoise]
) -> Iterator[pd.DataFrame]:
    """The file's rows in pieces, checked one by one, those of cameras that are not used left out.

    The column ROW says in which line of the file a person finds a row. Raises BadInput as `read_own_keypoints`
    does for a single row.
    """
    if not path.is_file():
        raise BadInput(f"{path}: no such keypoint file")
    try:
        with pd.read_csv(
            path, dtype={"camera": str, "keypoint": str}, skipinitialspace=True, chunksize=_ROWS_AT_ONCE
        ) as reader:
            for table in reader:
                if ROW not in table:
                    table[ROW] = table.index + 2
                _check(path, table, list(names), list(unused), noise)
                yield table[table["camera"].isin(names)]
    except (pd.errors.ParserError, pd.errors.EmptyDataError, UnicodeDecodeError) as error:
        raise BadInput(f"{path}: want a CSV table: {error}") from error


def _check(
    path: Path, table: pd.DataFrame, names: list[str], unused: list[str], noise: Mapping[str, OwnNoise]
) -> None:
    _fill_sigma(table, noise)
    lacking = [c for c in COLUMNS if c not in table.columns]
    if lacking:
        raise BadInput(f"{path}: want columns {', '.join(COLUMNS)}; {', '.join(lacking)} missing")
    for column, allowed in (("camera", names + unused), ("keypoint", list(KEYPOINTS))):
        foreign = (~table[column].isin(allowed)).to_numpy()
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


def _fill_sigma(table: pd.DataFrame, noise: Mapping[str, OwnNoise]) -> None:
    """sigma_px of rows that have none, from what the session says of their points."""
    said = {name: own.sigma_px for name, own in noise.items() if own.sigma_px is not None}
    if not said or "keypoint" not in table.columns:
        return
    stated = table["keypoint"].map(said)
    table["sigma_px"] = (
        table["sigma_px"].where(table["sigma_px"].notna(), stated) if "sigma_px" in table else stated
    )


def _row(table: pd.DataFrame, wrong: NDArray[np.bool_]) -> str:
    """The line of the first wrong row, as an editor counts them."""
    return f"row {int(table[ROW].iloc[int(np.argmax(wrong))])}"


def _check_whole(path: Path, table: pd.DataFrame, names: list[str]) -> None:
    twice = table.duplicated(["camera", "time_s", "keypoint"]).to_numpy()
    if twice.any():
        raise BadInput(f"{path}: {_row(table, twice)}: camera, time_s and keypoint stand in an earlier row too")
    for name in names:
        if not (table["camera"] == name).any():
            raise BadInput(f"{path}: no row for camera {name!r}; the rig has {', '.join(names)}")


def _one_camera(path: Path, table: pd.DataFrame, camera: Camera) -> CameraTracks:
    rows = table[table["camera"] == camera.name]
    times = np.unique(rows["time_s"].to_numpy(dtype=float))
    close = np.diff(times) < _ONE_FRAME_S
    if close.any():
        one, other = times[int(close.argmax())], times[int(close.argmax()) + 1]
        raise BadInput(
            f"{path}: camera {camera.name}: want one time_s for all points of a frame, got {one} and {other}"
        )
    uv = np.full((len(times), len(KEYPOINTS), 2), np.nan)
    sigma = np.full(uv.shape[:2], np.nan)
    t = np.searchsorted(times, rows["time_s"].to_numpy(dtype=float))
    p = rows["keypoint"].map({name: k for k, name in enumerate(KEYPOINTS)}).to_numpy(dtype=int)
    uv[t, p] = rows[["u_px", "v_px"]].to_numpy(dtype=float)
    sigma[t, p] = rows["sigma_px"].to_numpy(dtype=float)
    return CameraTracks(camera.name, camera.size_px, times, uv, sigma)
