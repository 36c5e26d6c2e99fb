"""The struck ball: few pictures, far apart, on an arc that begins where the toss ends."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from calibration.checks import Array
from calibration.errors import NotMeasurable
from recon.flight.arcs import STRUCK, Arcs, Fit, Prior, fit_arcs
from recon.flight.search import Flight, SearchOptions, on_arc
from recon.flight.sightings import Index, Sightings, rays

_SLOWEST_M_S, _FASTEST_M_S = 8.0, 80.0  # tosses stay below 7; the fastest serves on record reach 73
_TOWARDS_NET = 0.3  # share of the speed: y of the court frame; a serve leaves the racket so, whatever its kind
_LATEST_S = 0.06  # after the toss was last seen: racket and arm may hide the ball before contact
_FIRST_S = 0.06  # after contact: in which a first guess neglects drag and gravity
_FOLLOWED_S = 0.25
_MOST = 45  # patches that are tried in pairs


@dataclass(frozen=True, slots=True, eq=False)
class Strike:
    """Both arcs, fitted together, and the sightings of either part."""

    fit: Fit
    toss: Index
    struck: Index


def find_strike(seen: Sightings, flight: Flight, prior: Prior, options: SearchOptions) -> Strike | None:
    """The strike that broke a flight; None where fewer than three patches in two cameras tell one."""
    _, last = flight.span(seen)
    frame = seen.frame_s()
    later = (seen.t_s > last - 0.5 * frame) & (seen.t_s < last + _LATEST_S + _FIRST_S)
    later[flight.members] = False
    guess = _best_guess(seen, flight, np.flatnonzero(later), last, options)
    if guess is None:
        return None
    return _refined(seen, flight, guess, prior, options)


def _best_guess(
    seen: Sightings, flight: Flight, rows: Index, last_s: float, options: SearchOptions
) -> Array | None:
    """Contact time and velocity (4,) that most patches agree with, from all pairs of them."""
    rows = np.sort(rows[np.argsort(-seen.colour[rows], kind="stable")[:_MOST]])
    if len(rows) < 3:
        return None
    near = seen.where(rows)
    frame = seen.frame_s()
    i, j = np.triu_indices(len(rows), 1)
    apart = (near.camera[i] != near.camera[j]) | (near.frame[i] != near.frame[j])
    i, j = i[apart], j[apart]
    best: tuple[float, Array] | None = None
    for contact in np.arange(last_s - 0.5 * frame, last_s + _LATEST_S, min(frame / 4, 0.002)):
        met = flight.arcs.at(np.array([contact]))[0][0]
        velocity = _velocities(near, i, j, float(contact), met)
        score, k = _agreement(near, velocity, float(contact), met, options)
        if best is None or score > best[0] + 1e-9:
            best = (score, np.concatenate([[contact], velocity[k]]))
    return None if best is None or best[0] < 2.0 else best[1]


def _velocities(near: Sightings, i: Index, j: Index, contact_s: float, met: Array) -> Array:
    """(P, 3) velocities from one place and time through two patches' rays; NaN where no serve goes so."""
    a, b = rays(near)
    since = near.t_s - contact_s
    left = a * since[:, None, None]
    right = b - a @ met
    normal = left[i].swapaxes(1, 2) @ left[i] + left[j].swapaxes(1, 2) @ left[j]
    pull = np.einsum("nak,na->nk", left[i], right[i]) + np.einsum("nak,na->nk", left[j], right[j])
    good = (since[i] > 5e-4) & (since[j] > 5e-4)
    good &= np.linalg.cond(np.where(good[:, None, None], normal, np.eye(3))) < 1e7
    v = np.full((len(i), 3), np.nan)
    v[good] = np.linalg.solve(normal[good], pull[good][..., None])[..., 0]
    speed = np.linalg.norm(v, axis=1)
    v[~((speed > _SLOWEST_M_S) & (speed < _FASTEST_M_S) & (v[:, 1] > _TOWARDS_NET * speed))] = np.nan
    return v


def _agreement(
    near: Sightings, velocity: Array, contact_s: float, met: Array, options: SearchOptions
) -> tuple[float, int]:
    """Most agreement of patches with one of the velocities, and which: a sum of closeness times colour.

    Only the best patch of a picture counts, and agreement of one camera alone does not.
    """
    told = np.flatnonzero(~np.isnan(velocity[:, 0]))
    if not len(told):
        return 0.0, 0
    since = near.t_s - contact_s
    x = met + velocity[told][:, None] * since[:, None]
    close = np.zeros((len(told), len(near)))
    for c, camera in enumerate(near.cameras):
        own = np.flatnonzero((near.camera == c) & (since > 0) & (since < _FIRST_S))
        if not len(own):
            continue
        seen = camera.cam_from_world.apply(x[:, own])
        depth = np.maximum(seen[..., 2], 0.1)
        off = np.linalg.norm(seen[..., :2] / depth[..., None] - camera.normalised(near.uv_px[own]), axis=2)
        reach = 2 * options.gate_m + 0.02 * 2500 * since[own] ** 2 / 2  # drag at 50 m/s is left out here
        gate = np.maximum(reach / depth, 4 * near.sigma_px[own] / camera.K_px[0, 0])
        close[:, own] = np.nan_to_num(np.maximum(1 - (off / gate) ** 2, 0.0)) * (0.5 + 0.5 * near.colour[own])
    score, cameras = np.zeros(len(told)), np.zeros(len(told))
    for c in range(len(near.cameras)):
        per_picture = [close[:, (near.camera == c) & (near.frame == f)].max(axis=1)
                       for f in np.unique(near.frame[near.camera == c])]  # fmt: skip
        if per_picture:
            score += np.sum(per_picture, axis=0)
            cameras += np.max(per_picture, axis=0) > 0
    score[cameras < 2] = 0.0
    k = int(score.argmax())
    return float(score[k]), int(told[k])


def _refined(
    seen: Sightings, flight: Flight, guess: Array, prior: Prior, options: SearchOptions
) -> Strike | None:
    """Toss and strike fitted together, with the patches that keep to them; None where they fall apart."""
    arcs = Arcs(flight.arcs.t0_s, np.concatenate([flight.arcs.values, guess]))
    first, _ = flight.span(seen)
    toss, struck, fit = flight.members, np.array([], dtype=np.intp), None
    for reach in (0.03, _FIRST_S, 0.1, _FOLLOWED_S, _FOLLOWED_S, _FOLLOWED_S):
        near = (seen.t_s >= first) & (seen.t_s < arcs.contact_s + reach)
        wide = replace(options, gate_m=options.gate_m * (3.0 if fit is None else 1.0))
        rows = np.flatnonzero(near)
        found = rows[on_arc(arcs, seen.where(rows), wide)]
        after = seen.t_s[found] > arcs.contact_s
        toss = np.intersect1d(found[~after], np.flatnonzero(seen.t_s <= arcs.contact_s))
        struck = found[after]
        if len(struck) < 3 or len(np.unique(seen.camera[struck])) < 2 or len(toss) < 6:
            return None
        try:
            fit = fit_arcs(arcs, seen.where(np.concatenate([toss, struck])), prior)
        except NotMeasurable:
            return None
        arcs = fit.arcs
        speed = float(np.linalg.norm(arcs.values[STRUCK]))
        if not _SLOWEST_M_S < speed < _FASTEST_M_S or arcs.values[STRUCK][1] < _TOWARDS_NET * speed:
            return None
    if fit is None or not _followed(seen.where(struck), arcs.contact_s, options):
        return None
    return Strike(fit, toss, struck)


def _followed(struck: Sightings, contact_s: float, options: SearchOptions) -> bool:
    """Whether two cameras saw it in most pictures from contact on: a few patches agree with anything."""
    shares = []
    for c in range(len(struck.cameras)):
        own = struck.t_s[struck.camera == c]
        shares.append(len(own) / max((own.max() - contact_s) / struck.frame_s(), 1.0) if len(own) else 0.0)
    return bool(sorted(shares)[-2] >= options.least_share)
