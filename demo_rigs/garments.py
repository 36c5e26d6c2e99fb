"""Clothes that hang free of the skin: a skirt and a cap's brim, as simple meshes that follow the bones."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.checks import Array
from demo_rigs.body import Body
from demo_rigs.description import Athlete

_ROUND = 40
_FLARE = 0.20  # a skirt's hem is wider than its waist by this share of its length
_HEM_ON_THIGHS = 0.7
_ARM = ("upperarm", "lowerarm", "wrist", "finger", "metacarpal")


@dataclass(frozen=True, slots=True, eq=False)
class Piece:
    """Vertices (V, 3) at rest, quads (F, 4), one colour (3,), weights (V, B) of the bones."""

    vertices_m: Array
    faces: Array
    colour: Array
    weights: Array


def skirt(body: Body, athlete: Athlete) -> Piece | None:
    """A flared skirt about hips and thighs; its hem follows the thighs more than its waist does."""
    if athlete.wear.skirt_m <= 0:
        return None
    hip = (body.joint("upperleg01.L") + body.joint("upperleg01.R")) / 2
    top = hip[2] + 0.035 * body.height_m()
    share = np.linspace(0.0, 1.0, 9)
    rings = []
    widest = np.zeros(_ROUND)
    for s in share:
        z = top - s * (top - hip[2] + athlete.wear.skirt_m)
        widest = np.maximum(widest, _reach(body, hip[:2], z))
        rings.append(_ring(hip[:2], widest + 0.034 + _FLARE * s * athlete.wear.skirt_m, z))
    v = np.stack(rings).reshape(-1, 3)
    low = _HEM_ON_THIGHS * np.clip((hip[2] + 0.02 - v[:, 2]) / 0.12, 0, 1)
    right = 1 / (1 + np.exp(-(v[:, 0] - hip[0]) / 0.03))
    weights = np.zeros((len(v), len(body.bones)))
    weights[:, body.index("root")] = 1 - low
    weights[:, body.index("upperleg01.R")] = low * right
    weights[:, body.index("upperleg01.L")] = low * (1 - right)
    colour = np.array(athlete.colours.get("skirt", athlete.colours["shorts"]))
    return Piece(v, _quads(len(share)), colour, weights)


def cap_edge_z(body: Body) -> float:
    """Height at rest of a cap's edge: half way from the eyes to the crown."""
    eye, top = body.joint("eye.R")[2], body.vertices_m[:, 2].max()
    return float(eye + 0.5 * (top - eye))


def brim(body: Body, athlete: Athlete) -> Piece | None:
    """The brim in front of a cap, tilted down a little."""
    if not athlete.wear.cap:
        return None
    z = cap_edge_z(body)
    centre = np.array([0.0, float(body.joint("head")[1])])
    angle = np.linspace(np.radians(25), np.radians(155), _ROUND)
    near = _reach(body, centre, z, angle)
    out = np.sin((angle - angle[0]) / (angle[-1] - angle[0]) * np.pi) * 0.075
    rings = [
        np.column_stack([
            centre[0] + (near + s * out) * np.cos(angle), centre[1] + (near + s * out) * np.sin(angle),
            z + 0.004 - 0.022 * s * out / 0.075,
        ])
        for s in (0.0, 0.5, 1.0)
    ]  # fmt: skip
    v = np.stack(rings).reshape(-1, 3)
    weights = np.zeros((len(v), len(body.bones)))
    weights[:, body.index("head")] = 1.0
    colour = np.array(athlete.colours.get("cap", athlete.colours["shirt"]))
    return Piece(v, _quads(3, closed=False), colour, weights)


def _reach(body: Body, centre: Array, z: float, angle: Array | None = None) -> Array:
    """How far the body (without arms) reaches from a vertical line in each direction at a height."""
    arms = [i for i, b in enumerate(body.bones) if b.startswith(_ARM)]
    v = body.vertices_m
    near = v[(np.abs(v[:, 2] - z) < 0.02) & (body.weights[:, arms].sum(axis=1) < 0.3)]
    angle = _angles() if angle is None else angle
    way = np.column_stack([np.cos(angle), np.sin(angle)])
    return np.asarray(((near[:, :2] - centre) @ way.T).max(axis=0))


def _angles() -> Array:
    return np.arange(_ROUND) / _ROUND * 2 * np.pi


def _ring(centre: Array, radius: Array, z: float) -> Array:
    a = _angles()
    return np.column_stack([centre[0] + radius * np.cos(a), centre[1] + radius * np.sin(a), np.full(_ROUND, z)])


def _quads(rings: int, *, closed: bool = True) -> Array:
    i, j = np.meshgrid(np.arange(rings - 1), np.arange(_ROUND if closed else _ROUND - 1), indexing="ij")
    k = (j + 1) % _ROUND
    quads = [(i + 1) * _ROUND + j, (i + 1) * _ROUND + k, i * _ROUND + k, i * _ROUND + j]
    return np.stack(quads, axis=-1).reshape(-1, 4)
