"""From a few meaningful channels (pelvis, trunk, arms, feet) to a rigid motion per bone.

Everything here is written for a right-hander: `hit` is the right arm, `front` the left foot. A left-
hander's motion is computed like this and mirrored as a whole by the caller. All motions are "from rest to
now", in the court frame.

Arm channels, degrees: elevation (0 hanging, 90 level), plane (0 sideways, 90 forward), rotation (external
is positive; at 90 elevation in plane 0 with a bent elbow: 0 forearm forward, 90 forearm up), elbow (0
straight), pronation (0 thumb towards the bend, 90 palm down), flexion (wrist, towards the palm), deviation
(to the thumb). Foot channels: x, y of the big toe's tip and z of the sole, metres; yaw of the line heel →
toe from the baseline; heel: the heel's lift as a turn about the ball of the foot; toes: the toes' own turn
(0 flat); knee_out.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from calibration.checks import Array
from demo_rigs.body import Body
from demo_rigs.kinematics import frame, heading, leaning, part_turn, shortest_turn, turn, two_bones, unit

SOLE_M = 0.02
"""Thickness of a shoe's sole: the bare foot's lowest point is this far above the ground in a flat stance."""
_MIRROR = np.diag([-1.0, 1.0, 1.0])
_SPINE = {"spine05": 0.12, "spine04": 0.32, "spine03": 0.55, "spine02": 0.80, "spine01": 1.0}
_NECK = {"neck01": 0.25, "neck02": 0.5, "neck03": 0.75, "head": 1.0}
_X, _Y, _Z = np.eye(3)

Channels = Mapping[str, Array]
Pivot = tuple[Array, Array]


@dataclass(frozen=True, slots=True, eq=False)
class Posed:
    """Rigid motion of each bone from rest: x → R (T, B, 3, 3) x + t (T, B, 3); leg stretch per side."""

    rotation: Array
    shift_m: Array
    stretch: Mapping[str, Array]


@dataclass(frozen=True, slots=True, eq=False)
class FootRest:
    """A foot at rest: big-toe tip and heel (bare skin), the joint it rolls over, and its own heading."""

    toe: Array
    heel: Array
    ball: Array
    yaw_rad: float


def foot_rest(body: Body, side: str) -> FootRest:
    """Landmarks of one foot; toe is the foremost vertex of the big toe, heel the rearmost low vertex."""
    toe_v, heel_v = foot_vertices(body, side)
    toe, heel = body.vertices_m[toe_v], body.vertices_m[heel_v]
    ball = (body.joint(f"toe1-1.{side}") + body.joint(f"toe4-1.{side}")) / 2
    d = toe - heel
    return FootRest(toe, heel, ball, float(np.arctan2(d[1], d[0])))


def foot_vertices(body: Body, side: str) -> tuple[int, int]:
    """Indices of the toe and the heel vertex."""
    v, sign = body.vertices_m, (1 if side == "R" else -1)
    big = body.weights[:, [body.index(f"toe1-1.{side}"), body.index(f"toe1-2.{side}")]].sum(axis=1) > 0.5
    toe = int(np.argmax(np.where(big, v[:, 1], -np.inf)))
    low = (v[:, 2] < 0.035) & (v[:, 0] * sign > 0)
    return toe, int(np.argmin(np.where(low, v[:, 1], np.inf)))


def leg_length_m(body: Body) -> float:
    """Hip joint to sole along a straight leg."""
    hip, knee, ankle = (body.joint(f"{bone}.R") for bone in ("upperleg01", "lowerleg01", "foot"))
    return float(np.linalg.norm(knee - hip) + np.linalg.norm(ankle - knee) + ankle[2] + SOLE_M)


def pose(body: Body, c: Channels) -> Posed:
    """All bones at T instants. c: channel name → (T,), metres and degrees, as the module's head describes."""
    rotation: dict[str, Array] = {}
    pivot: dict[str, Pivot] = {}  # bone → (rest point, where it is now)
    r = {k: np.radians(v) for k, v in c.items()}
    mid_hip = (body.joint("upperleg01.L") + body.joint("upperleg01.R")) / 2
    pelvis = leaning(r["pelvis_yaw"], r["pelvis_lean_x"], r["pelvis_lean_y"])
    thorax = leaning(r["trunk_yaw"], r["trunk_lean_x"], r["trunk_lean_y"])
    skull = heading(r["head_yaw"]) @ turn(_Y, r["head_roll"]) @ turn(_X, r["head_pitch"])
    rotation["root"] = pelvis
    pivot["root"] = (mid_hip, np.stack([c["pelvis_x"], c["pelvis_y"], c["pelvis_z"]], axis=-1))
    for name, f in _SPINE.items():
        rotation[name] = pelvis @ part_turn(pelvis.swapaxes(1, 2) @ thorax, f)
    for name, f in _NECK.items():
        rotation[name] = thorax @ part_turn(thorax.swapaxes(1, 2) @ skull, f)
    for side, arm in (("R", "hit"), ("L", "toss")):
        rotation.update(
            _arm(body, side, {k[len(arm) + 1 :]: v for k, v in r.items() if k.startswith(arm)}, thorax)
        )
    for n in ("upperarm02", "lowerarm02"):  # twist bones turn about the limb's own line
        for side in "LR":
            pivot[f"{n}.{side}"] = (body.joint(f"{n[:-1]}1.{side}"), np.empty(0))
    stretch = {}
    for side, foot in (("R", "back"), ("L", "front")):
        p = {k[len(foot) + 1 :]: v for k, v in c.items() if k.startswith(foot)}
        stretch[foot] = _leg(body, side, p, pelvis, pivot["root"], rotation, pivot)
    return _chain(body, rotation, pivot, stretch)


def _chain(
    body: Body, rotation: dict[str, Array], pivot: dict[str, Pivot], stretch: Mapping[str, Array]
) -> Posed:
    """Walks the rig from the root; a bone without its own rotation follows its parent rigidly."""
    n = len(rotation["root"])
    R = np.zeros((n, len(body.bones), 3, 3))
    t = np.zeros((n, len(body.bones), 3))
    done: set[int] = set()

    def place(b: int) -> None:
        if b in done:
            return
        name, parent = body.bones[b], body.parent[b]
        if parent >= 0:
            place(parent)
        R[:, b] = rotation.get(name, R[:, parent])
        rest, now = pivot.get(name, (body.head_m[b], np.empty(0)))
        if now.size == 0:
            now = R[:, parent] @ rest + t[:, parent]
        t[:, b] = now - R[:, b] @ rest
        done.add(b)

    for b in range(len(body.bones)):
        place(b)
    return Posed(R, t, stretch)


def _arm(body: Body, side: str, a: Channels, thorax: Array) -> dict[str, Array]:
    """Bone rotations of one arm from its channels in radians; the left arm is done as a mirrored right one."""
    M = _MIRROR if side == "L" else np.eye(3)

    def at(bone: str) -> Array:
        return M @ body.joint(f"{bone}.{side}")

    S, E, W = at("upperarm01"), at("lowerarm01"), at("wrist")
    u0, w0 = unit(E - S), unit(W - E)
    f0 = unit(w0 - (w0 @ u0) * u0)
    hinge0 = np.cross(u0, f0)
    bend0 = np.arccos(np.clip(u0 @ w0, -1, 1))
    hanging = frame(-_Z, _Y) @ frame(u0, f0).T
    chest = M @ thorax @ M
    raised = np.logaddexp(0.0, (a["elevation"] - np.radians(35)) / 0.25) * 0.25
    girdle = chest @ turn(_Z, 0.2 * a["plane"] * np.sin(a["elevation"])) @ turn(_Y, -0.22 * raised)
    swing = turn(np.stack([np.sin(a["plane"]), -np.cos(a["plane"]), 0 * a["plane"]], axis=-1), a["elevation"])
    humerus = chest @ swing @ turn(_Z, -a["rotation"]) @ hanging
    humerus_less = chest @ swing @ turn(_Z, -0.4 * a["rotation"]) @ hanging
    fore = humerus @ turn(hinge0, a["elbow"] - bend0)
    out = {"clavicle": girdle, "shoulder01": girdle, "upperarm01": humerus_less, "upperarm02": humerus}
    rho0, x0 = unit(at("finger2-1") - at("finger5-1")), unit(at("finger3-1") - W)
    d0 = np.cross(hinge0, w0)
    across = unit(rho0 - (rho0 @ w0) * w0)
    twist0 = np.arctan2(
        across @ np.cross(w0, d0), across @ d0
    )  # rest angle of the thumb side about the forearm
    twist = -a["pronation"] - twist0
    out["lowerarm01"] = fore @ turn(w0, 0.3 * twist)
    out["lowerarm02"] = fore @ turn(w0, 0.75 * twist)
    straight = shortest_turn(x0[None], w0[None])[0]
    rho = straight @ rho0
    hand = fore @ turn(w0, twist) @ turn(rho, a["flexion"]) @ turn(np.cross(w0, rho), a["deviation"]) @ straight
    out["wrist"] = hand
    out.update(_fingers(hand, rho0, x0, a["grip"]))
    return {f"{bone}.{side}": M @ rotation @ M for bone, rotation in out.items()}


def _fingers(hand: Array, rho0: Array, x0: Array, grip: Array) -> dict[str, Array]:
    """Fingers curled about the handle: grip is the bend of each finger joint, radians."""
    out = {}
    for finger in "2345":
        for k in (1, 2, 3):
            out[f"finger{finger}-{k}"] = hand @ turn(rho0, k * grip)
    thumb = unit(0.8 * x0 + 0.3 * rho0)
    for k in (1, 2, 3):
        out[f"finger1-{k}"] = hand @ turn(thumb, 0.5 * grip) @ turn(np.cross(rho0, x0), (k - 1) * 0.3 * grip)
    return out


def _leg(
    body: Body, side: str, p: Channels, pelvis: Array, root_pivot: Pivot, rotation: dict[str, Array],
    pivot: dict[str, Pivot],
) -> Array:  # fmt: skip
    """One foot where the script wants it, and the leg up to the pelvis. Returns the leg's stretch."""
    rest = foot_rest(body, side)
    r = {k: np.radians(v) for k, v in p.items()}
    flat = heading(r["yaw"] - rest.yaw_rad)
    along = np.array([np.cos(rest.yaw_rad), np.sin(rest.yaw_rad), 0.0])
    lateral = np.cross(along, _Z)
    foot = flat @ turn(-lateral, r["heel"])
    toes = flat @ turn(-lateral, r["toes"])
    # the scripted point is the toe tip of the flat foot; the foot rolls over the joint behind it
    toe_xy = np.stack([p["x"], p["y"], p["z"] + SOLE_M + 0 * p["x"]], axis=-1)
    tip = np.array([rest.toe[0], rest.toe[1], 0.0])
    ball = toe_xy + flat @ (rest.ball - tip)
    ankle = ball + foot @ (body.joint(f"foot.{side}") - rest.ball)
    H0, K0, A0 = (body.joint(f"{b}.{side}") for b in ("upperleg01", "lowerleg01", "foot"))
    hip = root_pivot[1] + pelvis @ (H0 - root_pivot[0])
    ahead = pelvis @ _Y + 1.2 * (flat @ along)
    out = np.cross(ahead, _Z) * (1 if side == "R" else -1)
    pole = unit(ahead) + np.tan(r["knee_out"])[:, None] * unit(out)
    knee, stretch = two_bones(hip, ankle, float(np.linalg.norm(K0 - H0)), float(np.linalg.norm(A0 - K0)), pole)
    rest_pole = unit(along + _Y)
    thigh = frame(knee - hip, pole) @ frame(K0 - H0, rest_pole).T
    shank = frame(ankle - knee, pole) @ frame(A0 - K0, rest_pole).T
    rotation[f"upperleg01.{side}"] = rotation[f"upperleg02.{side}"] = thigh
    rotation[f"lowerleg01.{side}"] = rotation[f"lowerleg02.{side}"] = shank
    pivot[f"lowerleg01.{side}"], pivot[f"foot.{side}"] = (K0, knee), (A0, ankle)
    rotation[f"foot.{side}"] = foot
    for b in body.bones:
        if b.startswith("toe") and b.endswith(side):
            rotation[b], pivot[b] = toes, (rest.ball, ball)
    return stretch
