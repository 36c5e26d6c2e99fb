"""Which patches are a ball in free flight: short tracks in each picture, joined over cameras, grown in time.

A pair of short tracks of two cameras is a seed where one parabola with a fall near 9.81 m/s² explains both.
Each seed is then fitted to the pixels and grown to both sides for as long as patches keep to its arc. What a
hand carries, what lies on the ground and what hangs in a pocket does not fall; a patch that is a ball in one
camera only has no partner.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import combinations

import numpy as np

from calibration.checks import Array
from calibration.errors import BadInput, NotMeasurable
from recon.flight.arcs import DRAG, FALL, GRAVITY_M_S2, N_TOSS, Arcs, Prior, missed_px, settled
from recon.flight.sightings import Chosen, Index, Sightings, rays

_WINDOW_S, _STRIDE_S = 0.16, 0.08
_LEAST_SEED = 5  # sightings of a short track; a parabola in a picture has six unknowns for ten numbers
_GAP_FRAMES = 3
_HIGHEST_M = 12.0


@dataclass(frozen=True, kw_only=True, slots=True)
class SearchOptions:
    """What counts as a ball in flight.

    fall_band_m_s2   a seed falls within this of 9.81: over 0.16 s, 2 px of noise move it by 2
    gate_sigma       a patch belongs to an arc within so many of its sigmas,
    gate_m           or within this: a third of a ball, by which shade and a hidden part move its middle
    reach_s          an arc grows by at most this at a time: two cameras' clocks apart, or some lost pictures
    least_s, least_sightings  shorter ones are no flight: a hand can move so
    least_share      of the pictures between its first and last in each of two cameras
    typical_sigma    median distance of its sightings from the arc: 1.2 where they are as good as they say
    pace_m_s         nothing tossed is faster
    """

    fall_band_m_s2: float = 4.0
    gate_sigma: float = 4.5
    gate_m: float = 0.022
    reach_s: float = 0.1
    least_s: float = 0.25
    least_sightings: int = 12
    least_share: float = 0.5
    typical_sigma: float = 2.5
    pace_m_s: float = 12.0

    def __post_init__(self) -> None:
        limits = (self.fall_band_m_s2, self.gate_sigma, self.gate_m, self.reach_s, self.least_s, self.pace_m_s)
        if min(limits) <= 0 or self.least_sightings < 6:
            raise BadInput(f"ball search: want positive limits and 6 sightings or more, got {self}")


@dataclass(frozen=True, slots=True, eq=False)
class Flight:
    """One free flight: its arc, and which sightings lie on it, in order of time."""

    arcs: Arcs
    members: Index

    def span(self, seen: Sightings) -> tuple[float, float]:
        """First and last rig time."""
        t = seen.t_s[self.members]
        return float(t.min()), float(t.max())


def find_flights(seen: Sightings, prior: Prior, options: SearchOptions | None = None) -> tuple[Flight, ...]:
    """All free flights among the sightings, in order of time; no sighting is in two of them."""
    options = options or SearchOptions()
    loose = replace(prior, u_fall=1.5)  # scale and rate may be a little off: the checks tell that
    taken = np.zeros(len(seen), dtype=bool)
    found = []
    for seed in sorted(_seeds(seen, prior, options), key=lambda s: s.off_px):
        if taken[seed.members].mean() > 0.3:
            continue
        grown = grow(seen, seed.flight(), loose, options, taken)
        if grown is not None and _is_flight(grown, seen, options):
            taken[grown.members] = True
            found.append(grown)
    return tuple(sorted(found, key=lambda f: f.span(seen)[0]))


def _is_flight(flight: Flight, seen: Sightings, options: SearchOptions) -> bool:
    first, last = flight.span(seen)
    own = seen.where(flight.members)
    if last - first < options.least_s or len(own) < options.least_sightings:
        return False
    shares = []
    for c in range(len(seen.cameras)):
        frames = own.frame[own.camera == c]
        shares.append(len(frames) / (np.ptp(frames) + 1) if len(frames) >= 4 else 0.0)
    off = np.linalg.norm(missed_px(flight.arcs, own), axis=1) / own.sigma_px
    return bool(
        sorted(shares)[-2] >= options.least_share
        and np.median(off) < options.typical_sigma
        and abs(flight.arcs.values[FALL] - GRAVITY_M_S2) < 0.75 * options.fall_band_m_s2
    )


def _can_be(arcs: Arcs, t_s: Array, options: SearchOptions) -> bool:
    """Whether a toss can go so: neither too fast, nor below the ground, nor high above any hall."""
    x, rate = arcs.at(np.array([t_s.min(), t_s.max()]))
    return bool(
        np.linalg.norm(rate, axis=1).max() < options.pace_m_s
        and -0.5 < x[:, 2].min() < x[:, 2].max() < _HIGHEST_M
    )


def grow(
    seen: Sightings, flight: Flight, prior: Prior, options: SearchOptions, taken: Chosen | None = None
) -> Flight | None:
    """The flight fitted to its members' pixels and extended while patches keep to it; None where it fails."""
    free = np.ones(len(seen), bool) if taken is None else ~taken
    for _ in range(25):
        try:
            arcs = settled(flight.arcs, seen.where(flight.members), prior, steps=4)
        except NotMeasurable:
            return None
        if not _can_be(arcs, seen.t_s[flight.members], options):
            return None
        first, last = flight.span(seen)
        near = np.flatnonzero(free & (seen.t_s > first - options.reach_s) & (seen.t_s < last + options.reach_s))
        members = near[on_arc(arcs, seen.where(near), options)]
        if len(members) < _LEAST_SEED:
            return None
        changed = len(np.setxor1d(members, flight.members, assume_unique=True))
        if changed <= 0.01 * len(members):
            return Flight(arcs, members)
        flight = Flight(arcs, members)
    return flight


def on_arc(arcs: Arcs, seen: Sightings, options: SearchOptions) -> Index:
    """Rows within the gate, the nearest one of each picture."""
    off = np.linalg.norm(missed_px(arcs, seen), axis=1)
    off = np.where(np.isnan(off), np.inf, off)
    inside = np.flatnonzero(off < gate_px(arcs, seen, options))
    order = inside[np.argsort(off[inside], kind="stable")]
    _, first = np.unique(np.stack([seen.camera[order], seen.frame[order]]), axis=1, return_index=True)
    return np.asarray(np.sort(order[first]))


def gate_px(arcs: Arcs, seen: Sightings, options: SearchOptions) -> Array:
    """(N,) how far a patch may be from an arc's picture."""
    x = arcs.at(seen.t_s)[0]
    out = np.empty(len(seen))
    for c, camera in enumerate(seen.cameras):
        own = seen.camera == c
        depth = np.maximum(camera.depth_m(x[own]), 0.1)
        out[own] = options.gate_m * np.sqrt(camera.K_px[0, 0] * camera.K_px[1, 1]) / depth
    return np.maximum(out, options.gate_sigma * seen.sigma_px)


# -- seeds -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Seed:
    members: Index
    t0_s: float
    values: Array
    off_px: float

    def flight(self) -> Flight:
        return Flight(Arcs(self.t0_s, self.values), self.members)


def _seeds(seen: Sightings, prior: Prior, options: SearchOptions) -> list[_Seed]:
    """A parabola for every pair of short tracks of two cameras in every window that one explains."""
    if not len(seen):
        return []
    tracks = [_short_tracks(seen, c, options) for c in range(len(seen.cameras))]
    rows = rays(seen)
    out = []
    for start in np.arange(seen.t_s[0], seen.t_s[-1], _STRIDE_S):
        pieces = [
            [p for track in of if len(p := _within(seen, track, float(start))) >= _LEAST_SEED] for of in tracks
        ]
        for a, b in combinations(range(len(tracks)), 2):
            for one in pieces[a]:
                for other in pieces[b]:
                    seed = _seed(seen, rows, np.concatenate([one, other]), prior, options)
                    if seed is not None:
                        out.append(seed)
    return out


def _within(seen: Sightings, track: Index, start_s: float) -> Index:
    t = seen.t_s[track]
    return track[(t >= start_s) & (t < start_s + _WINDOW_S)]


def _seed(
    seen: Sightings, rows: tuple[Array, Array], members: Index, prior: Prior, options: SearchOptions
) -> _Seed | None:
    """A parabola with its own fall through the rays of some sightings; None where none with a fall does."""
    a, b = (r[members] for r in rows)
    t0 = float(seen.t_s[members].mean())
    dt = (seen.t_s[members] - t0)[:, None]
    design = np.concatenate([a, a * dt[..., None], -0.5 * a[..., 2:] * dt[..., None] ** 2], axis=2)
    flat, right = design.reshape(-1, 7), b.reshape(-1)
    if not np.isfinite(flat).all():
        return None
    solution = np.linalg.lstsq(flat, right, rcond=None)[0]
    if abs(solution[6] - GRAVITY_M_S2) > options.fall_band_m_s2:
        return None
    if np.linalg.norm(solution[3:6]) > options.pace_m_s or not -0.5 < solution[2] < _HIGHEST_M:
        return None
    values = np.zeros(N_TOSS)
    values[:6], values[FALL], values[DRAG] = solution[:6], prior.fall, prior.drag
    off = np.linalg.norm(missed_px(Arcs(t0, values), seen.where(members)), axis=1)
    if not np.median(off / gate_px(Arcs(t0, values), seen.where(members), options)) < 0.7:
        return None
    return _Seed(members, t0, values, float(np.sqrt((off**2).mean())))


def _short_tracks(seen: Sightings, camera: int, options: SearchOptions) -> list[Index]:
    """Patches of one camera joined from picture to picture where they move steadily."""
    own = np.flatnonzero(seen.camera == camera)
    frames, starts = np.unique(seen.frame[own], return_index=True)
    if len(frames) < 2:
        return []
    order = own[np.argsort(seen.frame[own], kind="stable")]
    starts = np.searchsorted(seen.frame[order], frames)
    K = seen.cameras[camera].K_px
    step_s = float(np.median(np.diff(np.unique(seen.t_s[own])))) if len(own) > 1 else seen.frame_s()
    reach = options.pace_m_s / 5 * float(np.sqrt(K[0, 0] * K[1, 1])) * min(step_s, seen.frame_s() * 2)
    running: list[_Running] = []
    done: list[Index] = []
    for frame, patches in zip(frames, np.split(order, starts[1:]), strict=True):
        over = [r for r in running if frame - r.frame > _GAP_FRAMES]
        done += [np.array(r.rows) for r in over if len(r.rows) >= _LEAST_SEED]
        running = [r for r in running if frame - r.frame <= _GAP_FRAMES]
        left = _joined(running, int(frame), patches, seen, reach)
        running += [_Running([int(k)], int(frame), seen.uv_px[k], np.zeros(2)) for k in left]
    return done + [np.array(r.rows) for r in running if len(r.rows) >= _LEAST_SEED]


@dataclass(slots=True)
class _Running:
    """A track under way: its sightings, the last one's frame and place, pixels a frame."""

    rows: list[int]
    frame: int
    uv_px: Array
    pace_px: Array


def _joined(running: list[_Running], frame: int, patches: Index, seen: Sightings, reach_px: float) -> list[int]:
    """Continues each track with the nearest patch to where it leads, the nearest first; the patches left."""
    pairs = []
    for i, track in enumerate(running):
        ahead = frame - track.frame
        off = np.linalg.norm(seen.uv_px[patches] - track.uv_px - ahead * track.pace_px, axis=1)
        young = len(track.rows) < 3
        limit = reach_px * ahead if young else np.maximum(0.35 * reach_px, 6 * seen.sigma_px[patches])
        pairs += [(float(off[j]), i, j) for j in np.flatnonzero(off < limit)]
    used_tracks: set[int] = set()
    used: set[int] = set()
    for _, i, j in sorted(pairs):
        if i in used_tracks or j in used:
            continue
        used_tracks.add(i)
        used.add(int(j))
        track, k = running[i], int(patches[j])
        new = (seen.uv_px[k] - track.uv_px) / (frame - track.frame)
        track.pace_px = new if len(track.rows) == 1 else 0.5 * (track.pace_px + new)
        track.rows.append(k)
        track.frame, track.uv_px = frame, seen.uv_px[k]
    return [int(k) for j, k in enumerate(patches) if j not in used]
