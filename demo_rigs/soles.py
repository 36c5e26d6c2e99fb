"""Where the rendered shoes touch the ground: what a foot fault is judged by, to the vertex."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_matrix

from calibration.checks import Array
from demo_rigs.appearance import dress, shoe_vertices
from demo_rigs.description import Athlete
from demo_rigs.motion import MIRROR, Serve

CONTACT_M = 0.004
"""A vertex of the shoe this near to the ground touches it; the flat sole of a standing foot lies at 0."""
_RATE_HZ = 240.0
_CHUNK = 64


@dataclass(frozen=True, slots=True)
class SoleReach:
    """How far the shoes reached on the ground from start to contact, court frame, metres.

    sole_y_m     foremost point of a shoe that touched the ground; t_s: when
    sole_x_m     least and greatest x of a point that touched the ground
    outline_y_m, outline_x_m  the same of any point, sole or upper, of a shoe that touched the ground
    """

    sole_y_m: float
    sole_x_m: tuple[float, float]
    outline_y_m: float
    outline_x_m: tuple[float, float]
    t_s: float


def sole_reach(serve: Serve, athlete: Athlete, start_s: float, stop_s: float) -> SoleReach:
    """The reach of both shoes between two scene times, from the mesh that is filmed."""
    dressed = dress(serve.body, athlete)
    shoes = np.flatnonzero(shoe_vertices(serve.body, athlete.wear))
    rest, weights = dressed.vertices_m[shoes], csr_matrix(dressed.weights[shoes])
    right = rest[:, 0] > 0
    t = np.arange(start_s, stop_s, 1 / _RATE_HZ)
    sole, outline = _Box(), _Box()
    for first in range(0, len(t), _CHUNK):
        for t_s, v in zip(t[first:], _moved(serve, weights, rest, t[first : first + _CHUNK]), strict=False):
            down = v[:, 2] < CONTACT_M
            sole.hold(v[down], float(t_s))
            for foot in (right, ~right):
                if down[foot].any():
                    outline.hold(v[foot], float(t_s))
    return SoleReach(
        sole.high_y, (sole.low_x, sole.high_x), outline.high_y, (outline.low_x, outline.high_x), sole.t_s
    )


class _Box:
    """How far points have reached: x either way, y forward and when."""

    def __init__(self) -> None:
        self.low_x, self.high_x, self.high_y, self.t_s = np.inf, -np.inf, -np.inf, np.nan

    def hold(self, points: Array, t_s: float) -> None:
        if not len(points):
            return
        self.low_x = min(self.low_x, float(points[:, 0].min()))
        self.high_x = max(self.high_x, float(points[:, 0].max()))
        y = float(points[:, 1].max())
        if y > self.high_y:
            self.high_y, self.t_s = y, t_s


def true_sole_clearance(serve: Serve, athlete: Athlete) -> float:
    """How far behind the baseline's rear edge the rendered soles stay on the ground, from start to contact.

    Metres; negative once a sole's foremost touching point lies over the edge. Only touching counts (Rules of
    Tennis, rule 18).
    """
    return -sole_reach(serve, athlete, serve.script.start_s, serve.script.contact_s).sole_y_m


def _moved(serve: Serve, weights: csr_matrix, rest: Array, t_s: Array) -> Array:
    """(T, V, 3) shoe vertices at T instants, in the court frame of the athlete's own handedness."""
    moment = serve.at(t_s)
    out = np.empty((len(t_s), *rest.shape))
    for k in range(len(t_s)):
        packed = np.concatenate([moment.bone_R[k].reshape(-1, 9), moment.bone_t_m[k]], axis=1)
        blend = weights @ packed
        out[k] = np.einsum("vij,vj->vi", blend[:, :9].reshape(-1, 3, 3), rest) + blend[:, 9:]
    return out * MIRROR if moment.mirrored else out
