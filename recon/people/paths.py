"""Sightings of one camera linked over time: as far as nobody else could be meant, and no farther."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.errors import BadInput
from recon.people.sightings import Sighting

_UNSEEN_S = 1.1  # longer out of sight, and a path ends
_BRIDGED_S = 0.6  # a place between two sightings farther apart is not told
_HEIGHTS, _HEIGHTS_PER_S = 0.3, 1.2  # how far hips get beyond steady movement, in heights of their own body
_GROWS = 0.45  # of the logarithm of the height: an arm raised is a fifth
_CLEAR = 0.5  # nobody else may be as near as this beyond the nearest, in reaches


@dataclass(frozen=True, slots=True, eq=False)
class Path:
    """One person as one camera saw them: sightings in order of time, at least one."""

    camera: str
    sightings: tuple[Sighting, ...]

    def __post_init__(self) -> None:
        t = self.t_s
        if len(t) == 0 or np.any(np.diff(t) <= 0):
            raise BadInput(f"path in camera {self.camera}: want sightings at increasing times, got {t}")

    @property
    def t_s(self) -> Array:
        """(K,) times of the sightings, the camera's own."""
        return np.array([s.t_s for s in self.sightings])

    def at(self, t_s: Array) -> tuple[Array, NDArray[np.bool_]]:
        """Bodies (T, 27, 2) at the camera's times (T,), linear between sightings, and where that tells them."""
        t = self.t_s
        points = np.array([s.uv_px for s in self.sightings])
        right = np.clip(np.searchsorted(t, t_s), 1, max(len(t) - 1, 1))
        left, right = right - 1, np.minimum(right, len(t) - 1)
        width = np.maximum(t[right] - t[left], 1e-9)
        share = np.clip((t_s - t[left]) / width, 0, 1)
        inside = (t_s >= t[left]) & (t_s <= t[right]) & (t[right] - t[left] <= _BRIDGED_S)
        near = np.min(abs(np.asarray(t_s)[:, None] - t), axis=1) <= 1e-6
        uv = points[left] + share[:, None, None] * (points[right] - points[left])
        return uv, np.asarray(inside | near)

    def overlaps(self, other: Path) -> bool:
        """Whether both are of one camera and of one time: then they are two people."""
        mine, theirs = self.t_s, other.t_s
        return self.camera == other.camera and bool(mine[0] <= theirs[-1] and theirs[0] <= mine[-1])


def link(camera: str, pictures: Sequence[Sequence[Sighting]]) -> tuple[Path, ...]:
    """Paths through one camera's pictures, each with all people seen in it (in any order).

    Where two people come close in the picture their paths end and new ones begin: which is which then is for
    the other cameras to say, where they are apart.
    """
    ended: list[list[Sighting]] = []
    open_: list[list[Sighting]] = []
    for people in sorted((p for p in pictures if p), key=lambda p: p[0].t_s):
        now = people[0].t_s
        ended += [path for path in open_ if now - path[-1].t_s > _UNSEEN_S]
        open_ = [path for path in open_ if now - path[-1].t_s <= _UNSEEN_S]
        reach = np.array([[_reaches(path, s) for s in people] for path in open_]).reshape(-1, len(people))
        taken: set[int] = set()
        going: list[list[Sighting]] = []
        stopped: list[list[Sighting]] = []
        for row, path in enumerate(open_):
            k = _only(reach, row)
            if k is not None:
                going.append([*path, people[k]])
                taken.add(k)
            else:  # out of sight for a moment, or too near to somebody else
                (stopped if reach[row].min() < 1 else going).append(path)
        ended += stopped
        open_ = going + [[s] for k, s in enumerate(people) if k not in taken]
    return tuple(Path(camera, tuple(path)) for path in ended + open_)


def _reaches(path: Sequence[Sighting], then: Sighting) -> float:
    """How far a sighting is from where a path leads, in reaches; below 1 it may be the next."""
    last, gone_s = path[-1], then.t_s - path[-1].t_s
    ahead = np.zeros(2)
    if len(path) > 1:
        before_s = last.t_s - path[-2].t_s
        ahead = (last.hips_px - path[-2].hips_px) * min(gone_s / before_s, 1.0)
    reach_px = (_HEIGHTS + _HEIGHTS_PER_S * gone_s) * last.height_px
    off = min(float(np.linalg.norm(then.hips_px - last.hips_px - way)) for way in (ahead, 0.5 * ahead))
    grown = abs(np.log(max(then.height_px, 1.0) / max(last.height_px, 1.0)))
    return float(max(off / reach_px, grown / _GROWS))


def _only(reach: Array, row: int) -> int | None:
    """The one sighting that goes on a path and on no other; None where that is not clear."""
    k = int(reach[row].argmin())
    best = reach[row, k]
    rivals = np.concatenate([np.delete(reach[row], k), np.delete(reach[:, k], row)])
    return k if best < 1 and not np.any(rivals < min(best + _CLEAR, 1.0)) else None
