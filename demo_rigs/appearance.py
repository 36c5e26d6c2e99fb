"""How the athlete looks: clothes as offset parts of the skin mesh, shoes, hair, face, and the racket's mesh."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from calibration.checks import Array
from demo_rigs.body import PARTS, Body
from demo_rigs.description import Athlete, Wear
from demo_rigs.garments import Piece, brim, cap_edge_z, skirt
from demo_rigs.racket_ball import BAND_M, HEAD_CENTRE_M, HEAD_HALF_M, TAPE_M, TIP_HALF_ANGLE, Grip
from demo_rigs.skeleton import SOLE_M

TAPE_COLOURS = {
    "racket_tip": (1.0, 0.05, 0.70),
    "racket_throat": (0.0, 0.85, 1.0),
    "racket_butt": (0.05, 0.95, 0.35),
}
"""Three saturated hues that nothing else that moves has: magenta, cyan, green (orange would be near skin)."""
BALL_COLOUR = (0.80, 0.96, 0.12)
_FRAME, _HANDLE, _STRING = (0.16, 0.16, 0.18), (0.22, 0.22, 0.24), (0.85, 0.85, 0.80)


@dataclass(frozen=True, slots=True, eq=False)
class Dressed:
    """The dressed rest mesh: vertices (V, 3), normals (V, 3), quads (F, 4), colours (F, 3) in [0, 1], weights
    (V, B) of the bones. The body's own vertices come first, in the body's order."""

    vertices_m: Array
    normals: Array
    faces: Array
    colours: Array
    weights: Array


def dress(body: Body, athlete: Athlete) -> Dressed:
    """Clothes, shoes and hair on a body at rest. The body's own vertices stay where truth is read from."""
    v = np.array(body.vertices_m)
    normals = vertex_normals(v, body.faces)
    region = _regions(body, athlete.wear)
    colours = _face_colours(body, athlete, region)
    loose = athlete.wear.loose_m
    thickness = {"shirt": 0.012 + loose, "shorts": 0.016 + loose, "shoes": 0.007, "hair": 0.016, "cap": 0.018}
    for name, t in thickness.items():
        v += normals * (t * _soft(body, region[name]))[:, None]
    v = _shoe_last(v, body, region["shoes"])
    _soles(v, body, region["shoes"])
    dressed = Dressed(v, vertex_normals(v, body.faces), body.faces, colours, body.weights)
    for made in (skirt(body, athlete), brim(body, athlete)):
        if made is not None:
            dressed = _joined(dressed, made)
    return dressed


def shoe_vertices(body: Body, wear: Wear) -> Array:
    """(V,) mask of the body's vertices that are shoe when it is dressed."""
    return _regions(body, wear)["shoes"]


def _joined(worn: Dressed, piece: Piece) -> Dressed:
    """The mesh with another piece of clothing after it."""
    return Dressed(
        np.concatenate([worn.vertices_m, piece.vertices_m]),
        np.concatenate([worn.normals, vertex_normals(piece.vertices_m, piece.faces)]),
        np.concatenate([worn.faces, piece.faces + len(worn.vertices_m)]),
        np.concatenate([worn.colours, np.tile(piece.colour, (len(piece.faces), 1))]),
        np.concatenate([worn.weights, piece.weights]),
    )


def vertex_normals(v: Array, faces: Array) -> Array:
    """Unit normals (V, 3), area weighted."""
    p = v[faces]
    n = np.cross(p[:, 2] - p[:, 0], p[:, 3] - p[:, 1])
    out = np.zeros_like(v)
    for k in range(4):
        np.add.at(out, faces[:, k], n)
    return out / np.maximum(np.linalg.norm(out, axis=1, keepdims=True), 1e-12)


def _soft(body: Body, inside: Array) -> Array:
    """1 inside a region, 0 outside, 0.5 on its rim: clothes end with a small step, not with a cliff."""
    total, count = np.zeros(len(inside)), np.zeros(len(inside))
    for k in range(4):
        np.add.at(total, body.faces[:, k], inside[body.faces].mean(axis=1))
        np.add.at(count, body.faces[:, k], 1.0)
    return np.where(inside, 1.0, 0.0) * (total / np.maximum(count, 1)) ** 0.5


def _weight(body: Body, *stems: str) -> Array:
    """Share of each vertex that hangs on bones whose names begin with any of the stems."""
    take = [i for i, b in enumerate(body.bones) if b.startswith(stems)]
    return body.weights[:, take].sum(axis=1)


def _regions(body: Body, wear: Wear) -> dict[str, Array]:
    """Vertex masks of garments, hair and shoes, found from the joints of this very body."""
    v, h = body.vertices_m, body.height_m()
    hip, knee = body.joint("upperleg01.R"), body.joint("lowerleg01.R")
    shoulder, elbow, neck = body.joint("upperarm01.R"), body.joint("lowerarm01.R"), body.joint("neck01")
    arm = (elbow - shoulder) / np.linalg.norm(elbow - shoulder)
    mirrored = np.column_stack([np.abs(v[:, 0]), v[:, 1], v[:, 2]])
    along_arm = (mirrored - shoulder) @ arm / np.linalg.norm(elbow - shoulder)
    arms = _weight(body, "upperarm", "lowerarm", "wrist", "finger", "metacarpal") > 0.5
    head = _weight(body, "head", "neck", "jaw", "special", "oculi", "oris", "levator", "temporalis", "risorius",
                   "orbicularis", "eye", "tongue")  # fmt: skip
    collar = neck[2] + 0.012 * h + 0.25 * (neck[1] - v[:, 1])
    waist = hip[2] + 0.045 * h
    shirt = (v[:, 2] > waist - 0.055 * h) & (v[:, 2] < collar) & (head < 0.6)
    shirt &= ~arms | (along_arm < wear.sleeve)
    legs = _weight(body, "upperleg", "root", "pelvis", "spine05") > 0.5
    hem = hip[2] + wear.leg * (knee[2] - hip[2])
    shorts = (v[:, 2] > hem) & (v[:, 2] < waist) & ~arms & (legs | (v[:, 2] < waist))
    ankle = body.joint("foot.R")[2]
    shoes = (v[:, 2] < ankle + 0.012 * h) & (_weight(body, "foot", "toe", "lowerleg02") > 0.5)
    socks = (v[:, 2] < ankle + 0.045 * h) & (_weight(body, "foot", "toe", "lowerleg") > 0.5) & ~shoes
    eye = body.joint("eye.R")
    top = v[:, 2].max()
    ear_y = body.joint("head")[1]
    forward = np.clip((v[:, 1] - ear_y) / (eye[1] - ear_y), 0, 1)
    line = np.where(forward < 0.12, 0.0, eye[2] + 0.60 * (top - eye[2]) * forward**1.5)
    nape = body.joint("head")[2] - 0.01 * h
    ears = (np.abs(v[:, 0]) > 0.0385 * h) & (v[:, 2] < eye[2] + 0.012 * h)
    hair = (head > 0.6) & (v[:, 2] > np.maximum(line, nape)) & (v[:, 1] < eye[1] + 0.02 * h) & ~ears
    cap = (head > 0.6) & (v[:, 2] > cap_edge_z(body)) if wear.cap else np.zeros(len(v), dtype=bool)
    return {
        "shirt": shirt, "shorts": shorts & ~shirt, "shoes": shoes, "socks": socks, "hair": hair & ~cap,
        "cap": cap,
    }  # fmt: skip


def _shoe_last(v: Array, body: Body, shoes: Array) -> Array:
    """Smooths the toes away: each shoe vertex moves to its neighbours' mean a few times, then outwards."""
    pairs = np.concatenate([body.faces[:, [k, (k + 1) % 4]] for k in range(4)])
    pairs = pairs[pairs[:, 0] != pairs[:, 1]]
    out = v.copy()
    for _ in range(14):
        total, count = np.zeros_like(out), np.zeros(len(out))
        for a, b in ((0, 1), (1, 0)):
            np.add.at(total, pairs[:, a], out[pairs[:, b]])
            np.add.at(count, pairs[:, a], 1.0)
        out[shoes] = (total / np.maximum(count, 1)[:, None])[shoes]
    out[shoes] += 0.009 * vertex_normals(out, body.faces)[shoes]
    return out


def _soles(v: Array, body: Body, shoes: Array) -> None:
    """Pulls the underside of the shoes down by the sole's thickness (in place)."""
    low = shoes & (v[:, 2] < 0.020)
    v[low, 2] = -SOLE_M
    rim = shoes & (v[:, 2] >= 0.020) & (v[:, 2] < 0.034)
    v[rim, 2] -= 0.5 * SOLE_M
    v[shoes, 2] = np.maximum(v[shoes, 2], -SOLE_M)


def _face_colours(body: Body, athlete: Athlete, region: dict[str, Array]) -> Array:
    c = athlete.colours
    skin = np.array(c["skin"])
    out = np.tile(skin, (len(body.faces), 1))
    centre = body.vertices_m[body.faces].mean(axis=1)
    h = body.height_m()
    worn = {"socks": (0.93, 0.93, 0.93), **{k: c[k] for k in ("shorts", "shirt", "shoes", "hair")}}
    worn["cap"] = c.get("cap", c["shirt"])
    votes = np.stack([region[name][body.faces].mean(axis=1) for name in worn], axis=1)
    covered = votes.sum(axis=1) > 0.5  # between two garments a face belongs to one of them, not to the skin
    out[covered] = np.array(list(worn.values()))[votes.argmax(axis=1)][covered]
    sole = region["shoes"][body.faces].all(axis=1) & (centre[:, 2] < 0.014)
    out[sole] = c["sole"]
    _paint_face(out, centre, body, skin, np.array(c["hair"]), h)
    return out


def _paint_face(out: Array, centre: Array, body: Body, skin: Array, hair: Array, h: float) -> None:
    """Brows, eye sockets, lips and eyeballs (in place): enough contrast for a face at eight metres."""
    front = centre[:, 1] > body.joint("eye.R")[1]
    for side in "LR":
        eye = body.joint(f"eye.{side}")
        d = (centre - eye) / h
        brow = (np.abs(d[:, 0]) < 0.0125) & (np.abs(d[:, 2] - 0.0115) < 0.0028) & front
        lid = (np.abs(d[:, 0]) < 0.010) & (np.abs(d[:, 2]) < 0.0055) & front
        out[lid] = 0.62 * skin
        out[brow] = hair * 0.8
        ball = body.part == PARTS.index(f"helper-{side.lower()}-eye")
        forward = d[:, 1] / np.maximum(np.linalg.norm(d, axis=1), 1e-9)
        out[ball] = (0.92, 0.92, 0.92)
        out[ball & (forward > 0.86)] = (0.12, 0.09, 0.07)
    mouth = body.joint("oris05") if "oris05" in body.bones else body.joint("jaw")
    d = (centre - mouth) / h
    lips = (np.abs(d[:, 0]) < 0.0125) & (np.abs(d[:, 2]) < 0.0042) & (d[:, 1] > -0.006) & front
    out[lips] = 0.75 * skin * np.array((1.0, 0.72, 0.70))


def racket_mesh(grip: Grip, *, tape: bool = True) -> tuple[Array, Array, Array, Array, Array]:
    """Frame, shaft, handle and tapes as quads in the hand's rest frame, and the strings as segments.

    tape: whether there is any; a racket without looks as it did before somebody put it on.
    Returns vertices (V, 3), quads (F, 4), colours (F, 3), string ends (S, 2, 3) and the strings' colour (3,).
    """
    vertices: list[Array] = []
    faces: list[Array] = []
    colours: list[Array] = []
    start = 0

    def tube(path: Array, radius: Array, colour: tuple[float, float, float], flat: float = 1.0) -> None:
        nonlocal start
        ring = _rings(path, np.broadcast_to(radius, len(path)), flat)
        n, m = ring.shape[:2]
        i, j = np.meshgrid(np.arange(n - 1), np.arange(m), indexing="ij")
        k = (j + 1) % m
        quads = np.stack([i * m + j, i * m + k, (i + 1) * m + k, (i + 1) * m + j], axis=-1).reshape(-1, 4)
        vertices.append(ring.reshape(-1, 3))
        faces.append(quads + start)
        colours.append(np.tile(colour, (len(quads), 1)))
        start += n * m

    a = np.linspace(-np.pi, np.pi, 61)
    tube(_arc(a), np.array(0.011), _FRAME)
    if tape:
        taped = np.linspace(-TIP_HALF_ANGLE, TIP_HALF_ANGLE, 13)
        tube(_arc(taped), np.array(0.0165), TAPE_COLOURS["racket_tip"])
    for sign in (-1, 1):  # the two arms of the throat
        s = np.linspace(0, 1, 8)
        path = np.stack([sign * (0.008 + 0.062 * s**1.4), 0 * s, 0.30 + 0.075 * s], axis=1)
        tube(path, np.array(0.0095), _FRAME)
    z = np.linspace(0.19, 0.30, 4)
    tube(np.stack([0 * z, 0 * z, z], axis=1), np.array(0.012), _FRAME)
    z = np.linspace(0.0, 0.19, 6)
    tube(np.stack([0 * z, 0 * z, z], axis=1), np.array(0.0165), _HANDLE)
    for name, radius in (("racket_butt", 0.020), ("racket_throat", 0.0215)) if tape else ():
        z = np.linspace(TAPE_M[name] - BAND_M / 2, TAPE_M[name] + BAND_M / 2, 4)
        tube(np.stack([0 * z, 0 * z, z], axis=1), np.array(radius), TAPE_COLOURS[name])
    v = np.concatenate(vertices)
    v, strings = (grip.points(p[..., 2], p[..., 0], p[..., 1]) for p in (v, _strings()))
    return v, np.concatenate(faces), np.concatenate(colours), strings, np.array(_STRING)


def _arc(a: Array) -> Array:
    """Points of the head's middle line: parameter 0 at the top."""
    across, along = HEAD_HALF_M[0] * np.sin(a), HEAD_HALF_M[1] * np.cos(a)
    return np.stack([across, 0 * a, HEAD_CENTRE_M + along], axis=1)


def _rings(path: Array, radius: Array, flat: float) -> Array:
    """Circles (N, 8, 3) around a path that lies in the racket's plane."""
    tangent = np.gradient(path, axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    normal = np.array([0.0, 1.0, 0.0])
    side = np.cross(tangent, normal)
    phi = np.arange(8) / 8 * 2 * np.pi
    ring = np.cos(phi)[None, :, None] * side[:, None] + flat * np.sin(phi)[None, :, None] * normal
    return path[:, None] + radius[:, None, None] * ring


def _strings() -> Array:
    """Main and cross strings as segments (S, 2, 3) that end on the frame."""
    w, h = HEAD_HALF_M
    out = []
    for x in np.linspace(-0.85, 0.85, 16) * w:
        reach = h * np.sqrt(1 - (x / w) ** 2)
        out.append([[x, 0, HEAD_CENTRE_M - reach], [x, 0, HEAD_CENTRE_M + reach]])
    for y in np.linspace(-0.88, 0.88, 19) * h:
        reach = w * np.sqrt(1 - (y / h) ** 2)
        out.append([[-reach, 0, HEAD_CENTRE_M + y], [reach, 0, HEAD_CENTRE_M + y]])
    return np.array(out)
