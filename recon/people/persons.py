"""People told apart over cameras and time: single cameras' paths joined where their rays meet on the court."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from calibration.errors import BadInput
from calibration.geometry import Camera
from recon.people.meeting import ONE_PERSON, View, cost, hips_m
from recon.people.paths import Path, link
from recon.people.place import on_level
from recon.people.sightings import FEET, Sighting, middles

_STEP_S = 0.125
_WALK_M, _WALK_M_S = 0.5, 2.5  # how far a person gets while nobody sees them (a brisk walk, and the error)
_FOOT_SHARE = 0.03  # error of a foot's pixel, of the body's height (the detector study's order)
SEVERAL, SINGLE = "several views", "one view"


@dataclass(frozen=True, kw_only=True, slots=True)
class Timing:
    """What is known of the cameras' clocks before anything is measured.

    ahead_s   camera -> how far rig time is ahead of its own; 0 where missing
    reach_s   how wrong that may be: clips are started by hand
    """

    ahead_s: Mapping[str, float] = field(default_factory=dict)
    reach_s: float = 2.0

    def __post_init__(self) -> None:
        if not self.reach_s >= 0:
            raise BadInput(f"people: want reach_s >= 0, got {self.reach_s}")


@dataclass(frozen=True, slots=True, eq=False)
class CourtTrack:
    """Where on the court one person was.

    t_s (K,) rig time; xy_m (K, 2); u_m (K,) standard uncertainty in the worse direction; views (K,) how many
    cameras saw them; status and reason of the whole.
    """

    t_s: Array
    xy_m: Array
    u_m: Array
    views: NDArray[np.int64]
    status: str
    reason: str

    def at(self, t_s: Array) -> Array:
        """(T, 2) places at rig times (T,), the nearest end's outside."""
        return np.stack([np.interp(t_s, self.t_s, self.xy_m[:, k]) for k in range(2)], axis=-1)


@dataclass(frozen=True, slots=True, eq=False)
class Person:
    """One person: paths in every camera that saw them (several where one was interrupted), and the track."""

    paths: tuple[Path, ...]
    track: CourtTrack

    def seen_by(self, camera: str) -> tuple[Sighting, ...]:
        """All sightings of one camera, in order of time."""
        own = (s for path in self.paths if path.camera == camera for s in path.sightings)
        return tuple(sorted(own, key=lambda s: s.t_s))

    @property
    def cameras(self) -> tuple[str, ...]:
        """Names of those that saw them, in order."""
        return tuple(sorted({path.camera for path in self.paths}))


@dataclass(frozen=True, slots=True, eq=False)
class Gathering:
    """Everybody in view. ahead_s: camera -> how far rig time is ahead of its own, as the people tell."""

    people: tuple[Person, ...]
    ahead_s: Mapping[str, float]


def tell_apart(
    cameras: Sequence[Camera],
    pictures: Mapping[str, Sequence[Sequence[Sighting]]],
    timing: Timing | None = None,
) -> Gathering:
    """The people that cameras saw.

    pictures: camera -> looks at moments of its clip, each with all people in it, everybody once.

    Neither the order of cameras nor that of people in a picture matters. Raises BadInput for an unknown one.
    """
    timing = timing or Timing()
    own = {camera.name: camera for camera in cameras}
    strange = sorted(set(pictures) - set(own))
    if strange:
        raise BadInput(f"people: no camera {strange[0]!r}; there are {sorted(own)}")
    paths = {name: _ordered(link(name, pictures[name])) for name in sorted(pictures)}
    ahead = _aligned(own, paths, timing)
    everybody = [path for name in paths for path in paths[name]]
    clusters = _joined(own, everybody, ahead)
    people = [Person(tuple(c), _track(own, c, ahead)) for c in _continued(own, clusters, ahead)]
    people.sort(key=lambda p: (p.track.t_s[0], *p.track.xy_m[0]))
    return Gathering(tuple(people), ahead)


def _ordered(paths: Sequence[Path]) -> list[Path]:
    return sorted(paths, key=lambda p: (p.sightings[0].t_s, *p.sightings[0].hips_px))


def _meets(own: Mapping[str, Camera], one: Path, other: Path, later_s: float) -> tuple[float, int]:
    """Median cost of two paths of different cameras being one person's, and over how many looks.

    later_s: added to the other's times they are on the first one's clock.
    """
    times = np.concatenate([one.t_s, other.t_s + later_s])
    a, there = one.at(times)
    b, here = other.at(times - later_s)
    both = there & here
    if not both.any():
        return 0.0, 0
    each = cost(View.through(own[one.camera], a[both]), View.through(own[other.camera], b[both]))
    return float(np.median(each)), int(both.sum())


def _aligned(own: Mapping[str, Camera], paths: Mapping[str, list[Path]], timing: Timing) -> dict[str, float]:
    """How far rig time, the clock of the camera that saw most, is ahead of each camera's."""
    ahead = {name: timing.ahead_s.get(name, 0.0) for name in paths}
    seen = {name: sum(len(p.sightings) for p in paths[name]) for name in paths}
    first = min(paths, key=lambda name: (-seen[name], name), default=None)
    steps = int(np.floor(timing.reach_s / _STEP_S + 1e-9))
    tried = sorted((_STEP_S * k for k in range(-steps, steps + 1)), key=lambda s: (abs(s), s))
    for name in paths:
        if first is None or name == first or not paths[name]:
            continue
        start = ahead[name] - ahead[first]
        gains = [_gain(own, paths[first], paths[name], start + s) for s in tried]
        ahead[name] += tried[int(np.argmax(np.round(gains, 6)))]
    return ahead


def _gain(own: Mapping[str, Camera], ones: list[Path], others: list[Path], later_s: float) -> float:
    """How well the paths of two cameras pair up, one shifted in time.

    Two people hardly gain anything, so that all pairs may be added. By the root of how many looks: that clips
    overlap longer must not outweigh that they agree better.
    """
    gain, count = 0.0, 0
    for one in ones:
        for other in others:
            each, looks = _meets(own, one, other, later_s)
            if looks and each < ONE_PERSON:
                gain, count = gain + looks * (ONE_PERSON - each), count + looks
    return float(gain / np.sqrt(max(count, 1)))


def _joined(own: Mapping[str, Camera], paths: Sequence[Path], ahead: Mapping[str, float]) -> list[list[Path]]:
    """Paths put together over cameras, the surest pairs first, never two of one camera and time."""
    edges: dict[tuple[int, int], tuple[float, int]] = {}
    for i, j in combinations(range(len(paths)), 2):
        if paths[i].camera != paths[j].camera:
            later = ahead[paths[j].camera] - ahead[paths[i].camera]
            edges[i, j] = _meets(own, paths[i], paths[j], later)
    clusters = {k: [k] for k in range(len(paths))}
    of = list(range(len(paths)))
    for i, j in sorted(edges, key=lambda e: -edges[e][1] * (ONE_PERSON - edges[e][0])):
        each, looks = edges[i, j]
        a, b = of[i], of[j]
        if a == b or not looks or each >= ONE_PERSON:
            continue
        if any(_contradict(paths, edges, p, q) for p in clusters[a] for q in clusters[b]):
            continue
        clusters[a] += clusters.pop(b)
        for k in clusters[a]:
            of[k] = a
    return [[paths[k] for k in sorted(c)] for c in clusters.values()]


def _contradict(
    paths: Sequence[Path], edges: Mapping[tuple[int, int], tuple[float, int]], i: int, j: int
) -> bool:
    if paths[i].camera == paths[j].camera:
        return paths[i].overlaps(paths[j])
    each, looks = edges[min(i, j), max(i, j)]
    return looks > 0 and each >= ONE_PERSON


def _continued(
    own: Mapping[str, Camera], clusters: list[list[Path]], ahead: Mapping[str, float]
) -> list[list[Path]]:
    """Clusters of one person before and after nobody saw them: joined where a walk leads to no other."""
    while True:
        tracks = [_track(own, c, ahead) for c in clusters]
        far = np.full((len(clusters), len(clusters)), np.inf)
        for i, a in enumerate(tracks):
            for j, b in enumerate(tracks):
                gone = float(b.t_s[0] - a.t_s[-1])
                places = np.concatenate([a.xy_m[-1], b.xy_m[0]])
                alone = not any(p.overlaps(q) for p in clusters[i] for q in clusters[j])
                if gone > 0 and alone and np.isfinite(places).all():
                    apart = float(np.linalg.norm(places[2:] - places[:2]))
                    far[i, j] = apart / (_WALK_M + _WALK_M_S * gone)
        if not (far < 1).any():
            return clusters
        i, j = (int(k) for k in np.unravel_index(int(far.argmin()), far.shape))
        rivals = np.concatenate([np.delete(far[i], j), np.delete(far[:, j], i)])
        if (rivals < 2 * far[i, j]).any():  # which is which nobody can tell
            return clusters
        clusters = [c for k, c in enumerate(clusters) if k not in (i, j)] + [clusters[i] + clusters[j]]


def _track(own: Mapping[str, Camera], paths: Sequence[Path], ahead: Mapping[str, float]) -> CourtTrack:
    """Places on the court from all cameras' paths of one person."""
    times = _merged(np.concatenate([path.t_s + ahead[path.camera] for path in paths]))
    xy, u, count = np.full((len(times), 2), np.nan), np.full(len(times), np.nan), np.zeros(len(times), np.int64)
    told = [(path, *path.at(times - ahead[path.camera])) for path in paths]
    for k in range(len(times)):
        seen = {path.camera: uv[k] for path, uv, there in told if there[k]}
        count[k] = len(seen)
        if len(seen) > 1:
            place, cov = hips_m([View.through(own[name], uv[None]) for name, uv in sorted(seen.items())])
            xy[k], u[k] = place[0, :2], np.sqrt(np.linalg.eigvalsh(cov[0, :2, :2])[-1])
        elif seen:
            ((name, uv),) = seen.items()
            xy[k], u[k] = feet_m(own[name], uv)
    there = ~np.isnan(xy).any(axis=1)
    if not there.any():  # feet above the horizon: nowhere on the court, and so not a server
        xy, u, there = np.full((len(times), 2), np.inf), np.full(len(times), np.inf), ~there
    names = sorted({path.camera for path in paths})
    several = bool((count > 1).any())
    reason = f"seen by {', '.join(names)}" if several else f"place told by the feet in {names[0]} alone"
    status = SEVERAL if several else SINGLE
    return CourtTrack(times[there], xy[there], u[there], count[there], status, reason)


def feet_m(camera: Camera, uv_px: Array) -> tuple[Array, float]:
    """(2,) where the lowest foot of a body (27, 2) stands, and its u; NaN above the horizon."""
    feet = middles(uv_px)[FEET]
    lowest = feet[int(np.argmax(feet[:, 1]))]
    off = np.array([[0, 0], [0, 1], [1, 0]]) * _FOOT_SHARE * np.ptp(uv_px[:, 1])
    at = on_level(camera, lowest - off)[:, :2]
    return at[0], float(np.linalg.norm(at[1:] - at[0], axis=1).max())


def _merged(times: Array) -> Array:
    """Times (K,) in order, those within half a step as one."""
    ordered = np.sort(times)
    new = np.concatenate([[True], np.diff(ordered) > _STEP_S / 2])
    return np.asarray(ordered[new])
