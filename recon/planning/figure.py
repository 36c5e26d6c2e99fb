"""The stand-in athlete's INVENTED body: closed capsules around the skeleton, for asking what hides what.

Radii are rounded adult sizes of a person of 1.80 m, not measured on anyone; they scale with height. The racket
hides nothing: its strings are seen through.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from calibration.checks import Array
from recon.body import Body
from recon.planning.skeleton import HEIGHT_M

_PARTS: tuple[tuple[str, str, float], ...] = (
    ("left_shoulder", "right_shoulder", 0.085),
    ("left_hip", "right_hip", 0.110),
    ("mid_shoulder", "mid_hip", 0.125),
    ("left_shoulder", "left_hip", 0.085),
    ("right_shoulder", "right_hip", 0.085),
    ("mid_shoulder", "mid_ear", 0.060),
    ("mid_ear", "crown", 0.095),
    *(
        (f"{side}_{a}", f"{side}_{b}", radius)
        for side in ("left", "right")
        for a, b, radius in (
            ("shoulder", "elbow", 0.050),
            ("elbow", "wrist", 0.040),
            ("wrist", "index", 0.035),
            ("hip", "knee", 0.080),
            ("knee", "ankle", 0.055),
            ("ankle", "toe", 0.045),
            ("heel", "toe", 0.040),
        )
    ),
)
"""From, to, radius in metres at HEIGHT_M."""

_ROUND, _CAP = 10, 3  # corners around, rings per rounded end: flat by at most 5 % of the radius

_SKIN_M = 0.03
"""A point this far under the skin of the far side of its own limb still shows: clothes and joint sizes vary."""


def parts_m(body: Body, height_m: float) -> tuple[Array, Array, Array]:
    """Capsules' ends (T, N, 3), (T, N, 3) and radii (N,), metres."""
    mid_ear = body.middle("ear")
    crown = mid_ear + 0.2 * (mid_ear - body.middle("shoulder"))
    extra = {"crown": crown, "mid_ear": mid_ear} | {f"mid_{p}": body.middle(p) for p in ("shoulder", "hip")}
    place = {name: extra[name] if name in extra else body.point(name) for part in _PARTS for name in part[:2]}
    a = np.stack([place[first] for first, _, _ in _PARTS], axis=1)
    b = np.stack([place[second] for _, second, _ in _PARTS], axis=1)
    return a, b, np.array([radius for *_, radius in _PARTS]) * height_m / HEIGHT_M


def depth_under_skin_m(body: Body, height_m: float) -> Array:
    """(P,) how deep inside the body a ray may run to a point and the point still count as plainly seen.

    1.6 radii of the thickest part that ends at the point: past the middle, not through the whole trunk. Points
    on the face and the racket lie outside the capsules.
    """
    thickest: dict[str, float] = {}
    for a, b, radius in _PARTS:
        for name in (a, b):
            thickest[name] = max(thickest.get(name, 0.0), radius)
    return np.array(
        [1.6 * thickest.get(n, 0.0) * height_m / HEIGHT_M + _SKIN_M for n in body.keypoints], dtype=float
    )


def capsule_mesh(a_m: Array, b_m: Array, radius_m: Array) -> tuple[Array, NDArray[np.int32]]:
    """Vertices (V, 3) and triangles (F, 3) of N capsules: closed, anticlockwise seen from outside."""
    axis = b_m - a_m
    length = np.linalg.norm(axis, axis=1, keepdims=True)
    along = np.where(length > 1e-9, axis / np.maximum(length, 1e-9), [0.0, 0.0, 1.0])
    helper = np.where(np.abs(along[:, 2:]) < 0.9, [0.0, 0.0, 1.0], [1.0, 0.0, 0.0])
    u = np.cross(helper, along)
    u /= np.linalg.norm(u, axis=1, keepdims=True)
    v = np.cross(along, u)
    rise = np.deg2rad(np.concatenate([np.linspace(-90, 0, _CAP + 1)[1:], np.linspace(0, 90, _CAP + 1)[:-1]]))
    around = np.arange(_ROUND) * 2 * np.pi / _ROUND
    ring = np.cos(around)[:, None, None] * u + np.sin(around)[:, None, None] * v  # (round, N, 3)
    ends = np.where((np.arange(len(rise)) < _CAP)[:, None, None], a_m, b_m)  # (rings, N, 3)
    r = radius_m[:, None]
    rings = ends[:, None] + r * (
        np.cos(rise)[:, None, None, None] * ring + np.sin(rise)[:, None, None, None] * along
    )
    shell = rings.reshape(-1, *a_m.shape)
    vertices = np.concatenate([shell, (a_m - r * along)[None], (b_m + r * along)[None]]).swapaxes(0, 1)
    triangles = _triangles(len(rise))
    offsets = np.arange(len(a_m))[:, None, None] * vertices.shape[1]
    return vertices.reshape(-1, 3), (triangles[None] + offsets).reshape(-1, 3).astype(np.int32)


def _triangles(rings: int) -> NDArray[np.int64]:
    """Of one capsule: quads between rings, and a fan at each pole."""
    k = np.arange(_ROUND)
    after = (k + 1) % _ROUND
    faces = []
    for ring in range(rings - 1):
        low, high = ring * _ROUND, (ring + 1) * _ROUND
        faces += [
            np.stack([low + k, low + after, high + after], 1),
            np.stack([low + k, high + after, high + k], 1),
        ]
    bottom, top = rings * _ROUND, rings * _ROUND + 1
    last = (rings - 1) * _ROUND
    faces += [np.stack([np.full(_ROUND, bottom), after, k], 1)]
    faces += [np.stack([np.full(_ROUND, top), last + k, last + after], 1)]
    return np.concatenate(faces)
