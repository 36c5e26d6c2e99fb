"""Where the court is, with no hint: straight bright lines of all pictures against the pattern of the rules.

The rig's cameras are placed to each other in metres, so one guess of the ground (its directions x and y and its
depth under the rig) turns every bright line of every camera into a place on the court's x or y axis. These
places must agree with the lines of the rules; the guess that explains most is then tested in the pictures.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from calibration.calibrated_rig import CalibratedRig
from calibration.checks import Array
from calibration.court.bright_lines import bright_lines
from calibration.court.lines import checked_whiteness, not_found, tried
from calibration.court.model import LENGTH_M, NET_Y_M
from calibration.court.ruled_lines import RULED_LINES, Picture, X, Y
from calibration.errors import NotMeasurable
from calibration.geometry.rigid import Rigid

_PARALLEL = (
    0.012  # sine of the angle between a line's plane and a direction it may have: 12 px at 1000 px focal
)
_APART_RAD = 0.02  # directions nearer than this are one
_MOST_DIRECTIONS = 30
_SQUARE = 0.03  # cosine between the court's two directions, as far as found lines tell
_DEPTHS_M = np.geomspace(0.8, 15.0, 200)  # of the ground under the rig's origin: steps of 1.5 %
_MATCH_M = 0.12  # half a depth step moves a line ten metres off by so much
_TESTED = 10  # best guesses that are tested in the pictures
_LEAST_BORNE_OUT = 0.5
_RIVAL = 0.85  # a different placement borne out at least this well, in proportion, makes the matter ambiguous
_SAME_M, _SAME_RAD = 0.5, 0.05
_LEVEL_M = 1.5  # cameras whose middle is nearer to the net than this belong to neither end


@dataclass(frozen=True, slots=True, eq=False)
class _Planes:
    """Bright lines of all cameras in the rig's frame: plane normals, rays, centres (M, 3), weights (M,)."""

    normal: Array
    ray: Array
    centre_m: Array
    weight: Array


def search_court(rig: CalibratedRig, pictures: Mapping[str, Picture]) -> Rigid:
    """rig_from_court, roughly (some pixels off), found without any hint.

    The court looks the same from both ends: the server's baseline is taken to be the one nearer to the cameras.
    Raises NotMeasurable where no placement explains the pictures, two do, or the cameras stand level with the
    net, so that neither end is nearer.
    """
    white = checked_whiteness(rig, pictures)
    planes = _planes(rig, white)
    guesses = sorted(_guesses(planes), key=lambda g: -g[0])
    different: list[Rigid] = []
    for _, place in guesses:
        place = _from_the_near_end(rig, place)
        if all(not _same(place, other) for other in different):
            different.append(place)
        if len(different) == _TESTED:
            break
    tested = sorted((tried(rig, white, place) for place in different), key=lambda t: -t[0])
    if not tested or tested[0][0] < _LEAST_BORNE_OUT:
        best = f"the best guess finds {100 * tested[0][0]:.0f} % of its lines" if tested else "no guess fits"
        raise not_found(
            white,
            f"the court was not recognised in the pictures without a hint ({len(planes.weight)} straight "
            f"bright lines, {best})",
            "; click four court points in one picture",
        )
    rivals = [t for t in tested[1:] if t[0] > _RIVAL * tested[0][0] and not _same(t[1], tested[0][1])]
    if rivals:
        raise NotMeasurable(
            "court lines: two placements of the court explain the pictures about equally well "
            f"({100 * tested[0][0]:.0f} and {100 * rivals[0][0]:.0f} % of the lines found); click four "
            "court points in one picture"
        )
    _want_one_end(rig, tested[0][1])
    return tested[0][1]


def _planes(rig: CalibratedRig, white: Mapping[int, Array]) -> _Planes:
    parts = []
    for i, image in white.items():
        camera = rig.cameras[i]
        found = bright_lines(camera, image)
        R = camera.cam_from_world.R
        centres = np.tile(camera.centre_m(), (len(found.weight), 1))
        parts.append((found.line @ R, found.ray @ R, centres, found.weight))
    return _Planes(*(np.concatenate(p) for p in zip(*parts, strict=True)))


def _guesses(planes: _Planes) -> list[tuple[float, Rigid]]:
    """Score and rig_from_court of placements under which bright lines fall on lines of the court."""
    out = []
    directions = _directions(planes)
    for a, b in combinations(range(len(directions)), 2):
        if abs(directions[a] @ directions[b]) < _SQUARE:
            for first, second in ((a, b), (b, a)):
                turn = _upright(directions[first], directions[second], planes)
                if turn is not None:
                    out += _on_axes(turn, planes)
    return out


def _directions(planes: _Planes) -> list[Array]:
    """Directions that many bright lines may have, the best supported first."""
    pairs = list(combinations(range(len(planes.weight)), 2))
    if not pairs:
        return []
    i, j = np.array(pairs).T
    d = np.cross(planes.normal[i], planes.normal[j])
    length = np.linalg.norm(d, axis=1)
    d = d[length > 0.02] / length[length > 0.02, None]
    votes = (np.abs(d @ planes.normal.T) < _PARALLEL) @ planes.weight
    out: list[Array] = []
    for k in np.argsort(-votes, kind="stable"):
        if all(abs(d[k] @ other) < np.cos(_APART_RAD) for other in out):
            out.append(d[k])
        if len(out) == _MOST_DIRECTIONS:
            break
    return out


def _upright(x: Array, y: Array, planes: _Planes) -> Array | None:
    """rig_from_court rotation with the axes x and y (either sign), z away from what the cameras look at."""
    y = y - (y @ x) * x
    y = y / np.linalg.norm(y)
    z = np.cross(x, y)
    on = (np.abs(planes.normal @ x) < _PARALLEL) | (np.abs(planes.normal @ y) < _PARALLEL)
    down = -float(planes.weight[on] @ (planes.ray[on] @ z))
    if down < 0:
        y, z = -y, -z
    if abs(down) < 0.02 * planes.weight[on].sum():
        return None
    return np.stack([x, y, z], axis=1)


def _on_axes(turn: Array, planes: _Planes) -> list[tuple[float, Rigid]]:
    """The best placement at each of a few depths, for one rotation."""
    n, c = planes.normal @ turn, planes.centre_m @ turn
    drop = _DEPTHS_M[:, None] + c[:, 2]  # (H, M) height of each line's camera over the ground
    # a line that runs along one axis lies on the ground at one place of the other: n · (p - c) = 0, z = -depth
    best = [_along(X, n, c, drop, planes.weight), _along(Y, n, c, drop, planes.weight)]
    score = best[0][0] + best[1][0]
    out = []
    for k in np.argsort(-score, kind="stable")[:3]:
        if min(best[0][0][k], best[1][0][k]) <= 0:
            continue
        origin = np.array([best[1][1][k], best[0][1][k], -_DEPTHS_M[k]])
        out.append((float(score[k]), Rigid(turn, turn @ origin, "rig", "court")))
    return out


def _along(axis: int, n: Array, c: Array, drop: Array, weight: Array) -> tuple[Array, Array]:
    """For lines along one axis: per depth (H,), the best score and where the court's origin then is."""
    across = 1 - axis
    own = (np.abs(n[:, axis]) < _PARALLEL) & (np.abs(n[:, across]) > 1e-3)
    marks = np.array([r.at_m + r.inward * r.width_m / 2 for r in RULED_LINES if r.along == axis])
    if not own.any():
        return np.zeros(len(drop)), np.zeros(len(drop))
    place = c[own, across] + n[own, 2] / n[own, across] * drop[:, own]  # (H, m)
    place = np.where(drop[:, own] > 0.2, place, np.nan)
    trial = (place[:, :, None] - marks).reshape(len(drop), -1)  # (H, T) the origin, if a line is that mark
    miss = np.abs(place[:, None, :, None] - trial[:, :, None, None] - marks)
    hit = np.where(miss < _MATCH_M, weight[own][None, None, :, None], 0.0)
    # each line of the court counts once per bright line on it, but with falling weight: many cameras agreeing
    # on one line tell less than several lines found
    score = np.sqrt(np.nan_to_num(hit.sum(axis=2))).sum(axis=2)
    score = np.where(np.isfinite(trial), score, 0.0)
    at = score.argmax(axis=1)
    rows = np.arange(len(drop))
    return score[rows, at], np.nan_to_num(trial[rows, at])


def _from_the_near_end(rig: CalibratedRig, place: Rigid) -> Rigid:
    """The same placement, or that after half a turn about the court's middle: the cameras at y < net."""
    if _middle_y_m(rig, place) <= NET_Y_M:
        return place
    turned = place.R @ np.diag([-1.0, -1.0, 1.0])
    return Rigid(turned, place.apply(np.array([0.0, LENGTH_M, 0.0])), "rig", "court")


def _middle_y_m(rig: CalibratedRig, place: Rigid) -> float:
    """Mean y of the cameras."""
    return float(np.mean([place.inverse().apply(c.centre_m())[1] for c in rig.cameras]))


def _want_one_end(rig: CalibratedRig, place: Rigid) -> None:
    if abs(_middle_y_m(rig, place) - NET_Y_M) < _LEVEL_M:
        raise NotMeasurable(
            "court lines: the court is found, but the cameras stand level with the net, and a court looks the "
            "same from both ends; click four court points in one picture, to say which baseline is the server's"
        )


def _same(a: Rigid, b: Rigid) -> bool:
    turn = Rigid(a.R @ b.R.T, np.zeros(3), "a", "b").rotvec_rad()
    middle = np.array([0.0, NET_Y_M / 2, 0.0])
    apart = float(np.linalg.norm(a.apply(middle) - b.apply(middle)))
    return float(np.linalg.norm(turn)) < _SAME_RAD and apart < _SAME_M
