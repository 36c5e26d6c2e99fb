"""Own keypoints of long recordings, read in passes: half an hour is as light on memory as a single serve."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.errors import BadInput
from recon.keypoints.own_file import own_rows

Span = tuple[float, float]
"""A stretch of a camera's own time, seconds: from the first, up to but without the second."""


@dataclass(frozen=True, slots=True, eq=False)
class Glimpse:
    """A few looks a second at one camera's whole recording.

    span_s  its first and last time;  t_s (T,) of the looks, increasing;  uv_px (T, P, 2), NaN where unseen
    """

    span_s: Span
    t_s: Array
    uv_px: Array


def glimpse_own_keypoints(
    path: Path, names: Sequence[str], unused: Sequence[str], points: Sequence[str], looks_hz: float
) -> dict[str, Glimpse]:
    """The first frame in each stretch of 1 / looks_hz, with P of the points; rows may stand in any order.

    Raises BadInput as `read_own_keypoints` does for single rows, and for a camera without any.
    """
    looks = {name: _Looks(len(points)) for name in names}
    for rows in own_rows(path, names, unused):
        for name, own in rows.groupby("camera", sort=False):
            looks[str(name)].add(own, points, looks_hz)
    for name, found in looks.items():
        if not found.times:
            raise BadInput(f"{path}: no row for camera {name!r}; the rig has {', '.join(names)}")
    return {name: found.glimpse() for name, found in looks.items()}


class _Looks:
    """Looks of one camera by the number of their stretch, as rows come in."""

    def __init__(self, points: int) -> None:
        self.points = points
        self.low, self.high = np.inf, -np.inf
        self.times: dict[int, float] = {}
        self.pixels: dict[int, Array] = {}

    def add(self, rows: pd.DataFrame, points: Sequence[str], looks_hz: float) -> None:
        t = rows["time_s"].to_numpy(dtype=float)
        self.low, self.high = min(self.low, float(t.min())), max(self.high, float(t.max()))
        numbers, which = np.unique(np.floor(t * looks_hz + 1e-6).astype(np.int64), return_inverse=True)
        first = np.full(len(numbers), np.inf)
        np.minimum.at(first, which, t)
        for k, at in zip(numbers.tolist(), first.tolist(), strict=True):
            if at < self.times.get(k, np.inf):
                self.times[k] = at
                self.pixels[k] = np.full((self.points, 2), np.nan)
        held = np.array([self.times[k] for k in numbers.tolist()])
        wanted = rows["keypoint"].isin(points).to_numpy() & (t == held[which])
        column = {name: k for k, name in enumerate(points)}
        uv = rows.loc[wanted, ["u_px", "v_px"]].to_numpy(dtype=float)
        for k, name, pixel in zip(numbers[which[wanted]], rows.loc[wanted, "keypoint"], uv, strict=True):
            self.pixels[int(k)][column[name]] = pixel

    def glimpse(self) -> Glimpse:
        order = sorted(self.times)
        uv = np.stack([self.pixels[k] for k in order])
        return Glimpse((self.low, self.high), np.array([self.times[k] for k in order]), uv)


def rows_within(
    path: Path, names: Sequence[str], unused: Sequence[str], stretches: Sequence[Mapping[str, Span]]
) -> Iterator[tuple[int, pd.DataFrame]]:
    """Rows of each stretch, as the file gives them: (which stretch, some of its rows), in one reading.

    stretches: for each, camera -> what of its time belongs to it. Raises BadInput as `own_rows` does.
    """
    by_camera = {name: _limits(stretches, name) for name in names}
    for rows in own_rows(path, names, unused):
        t, camera = rows["time_s"].to_numpy(dtype=float), rows["camera"].to_numpy()
        for name, (low, high) in by_camera.items():
            here = camera == name
            if not here.any():
                continue
            touched = np.flatnonzero((low <= t[here].max()) & (high > t[here].min()))
            for k in touched:
                within = here & (t >= low[k]) & (t < high[k])
                if within.any():
                    yield int(k), rows[within]


def _limits(
    stretches: Sequence[Mapping[str, Span]], name: str
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    spans = np.array([s.get(name, (np.inf, -np.inf)) for s in stretches], dtype=float).reshape(-1, 2)
    return spans[:, 0], spans[:, 1]
