"""What really happened, for the demo, tests and agreement only: no stage of the pipeline may read these files.

truth/<serve>.nc: xyz_m (time, keypoint, space) in the court frame at RATE_HZ, NaN where the ball is out of
sight; planted (time, foot_point), 1 while that point is at its standing height; as attributes the event times
and how far the shoes reached on the ground from start to contact (soles.py). Where no ball is filmed, release
and contact are those of the ball that the swing was scripted with.
Joints are the posed rig's joints, the hips moved to hip joints (body.py; thumb, index, pinky: finger joints).
Nose, eyes, ears, heel and toe are vertices of the bare skin: heel and toe lie inside the shoe, above its sole.

truth/cameras.json: true lens and pose of each camera, and per clip offset_s with t = t_cam + offset_s,
where t_cam is the frame's time stamp (first frame 0) and a frame's time its mid exposure.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import xarray as xr

from calibration.checks import Array
from demo_rigs.body import PARTS, Body
from demo_rigs.description import Academy, ServeEntry
from demo_rigs.footage import finished
from demo_rigs.motion import MIRROR, Moment, Serve
from demo_rigs.players import build_serve
from demo_rigs.racket_ball import TAPE_M, tip_m
from demo_rigs.skeleton import SOLE_M, foot_rest, foot_vertices
from demo_rigs.soles import sole_reach

RATE_HZ = 960.0
FOOT_POINTS = ("left_heel", "left_toe", "right_heel", "right_toe")
_JOINTS = {"shoulder": "upperarm01", "elbow": "lowerarm01", "wrist": "wrist", "thumb": "finger1-2",
           "index": "finger2-1", "pinky": "finger5-1", "hip": "upperleg01", "knee": "lowerleg01",
           "ankle": "foot"}  # fmt: skip
_PLANTED_M = 0.004
_SIDES = {"left": "L", "right": "R"}


def keypoint_vertices(body: Body) -> dict[str, int]:
    """Named vertices of the bare mesh, found by where they are: foremost, outermost, rearmost."""
    v = body.vertices_m
    head = body.weights[:, body.index("head")] > 0.3
    eye = body.joint("eye.R")
    middle = head & (np.abs(v[:, 0]) < 0.012) & (np.abs(v[:, 2] - eye[2] + 0.03) < 0.035)
    out = {"nose": int(np.argmax(np.where(middle, v[:, 1], -np.inf)))}
    for side, letter in _SIDES.items():
        sign = 1 if letter == "R" else -1
        ball = np.zeros(len(v), dtype=bool)
        ball[np.unique(body.faces[body.part == PARTS.index(f"helper-{letter.lower()}-eye")])] = True
        out[f"{side}_eye"] = int(np.argmax(np.where(ball, v[:, 1], -np.inf)))
        at_ear = head & (v[:, 2] > eye[2] - 0.05) & (v[:, 2] < eye[2] + 0.02)
        out[f"{side}_ear"] = int(np.argmax(np.where(at_ear, sign * v[:, 0], -np.inf)))
        out[f"{side}_toe"], out[f"{side}_heel"] = foot_vertices(body, letter)
    return out


def keypoints(serve: Serve, m: Moment) -> dict[str, Array]:
    """Every named point (T, 3) in the court frame, with the athlete's own left and right."""
    body = serve.body
    out: dict[str, Array] = {}
    for side, letter in _SIDES.items():
        for name, bone in _JOINTS.items():
            b = body.index(f"{bone}.{letter}")
            out[f"{side}_{name}"] = m.bone_R[:, b] @ body.head_m[b] + m.bone_t_m[:, b]
    for name, v in keypoint_vertices(body).items():
        bones = np.flatnonzero(body.weights[v])
        moved = m.bone_R[:, bones] @ body.vertices_m[v] + m.bone_t_m[:, bones]
        out[name] = np.einsum("b,tbi->ti", body.weights[v, bones], moved)
    hand = body.index("wrist.R")
    for name, along in {
        "racket_tip": tip_m(),
        **{k: TAPE_M[k] for k in ("racket_throat", "racket_butt")},
    }.items():
        out[name] = m.bone_R[:, hand] @ serve.grip.points(np.array([along]))[0] + m.bone_t_m[:, hand]
    if m.mirrored:
        swap = {"left": "right", "right": "left"}
        out = {"_".join(swap.get(w, w) for w in n.split("_")): p * MIRROR for n, p in out.items()}
    return {**out, "ball": m.ball_m}


def standing_heights(body: Body) -> dict[str, float]:
    """Height above the ground of heel and toe vertex in a flat stance, metres."""
    out = {}
    for side, letter in _SIDES.items():
        rest = foot_rest(body, letter)
        out[f"{side}_heel"], out[f"{side}_toe"] = rest.heel[2] + SOLE_M, rest.toe[2] + SOLE_M
    return out


def truth_dataset(a: Academy, entry: ServeEntry, serve: Serve) -> xr.Dataset:
    """The truth of one serve over all its clips."""
    start, end = min(entry.starts_s.values()) - 0.02, max(entry.ends_s.values()) + 0.02
    t = start + np.arange(int((end - start) * RATE_HZ) + 1) / RATE_HZ
    points = keypoints(serve, serve.at(t))
    names = sorted(points)
    flat = standing_heights(serve.body)
    planted = np.stack([points[n][:, 2] < flat[n] + _PLANTED_M for n in FOOT_POINTS], axis=1)
    xyz = np.stack([points[n] for n in names], axis=1)
    data = xr.Dataset(
        {
            "xyz_m": (("time", "keypoint", "space"), xyz, {"units": "m", "frame": "court"}),
            "planted": (("time", "foot_point"), planted.astype(np.int8)),
        },
        coords={
            "time": ("time", t, {"long_name": "scene time", "units": "s"}),
            "keypoint": names, "space": list("xyz"), "foot_point": list(FOOT_POINTS),
        },
        attrs={
            "serve": entry.name, "athlete": entry.athlete.label, "handedness": entry.athlete.handedness,
            "height_m": entry.athlete.height_m, "academy": a.name,
            "note": "Truth of an invented, rendered scene. Heel and toe lie on the bare foot inside the shoe.",
        },
    )  # fmt: skip
    data.attrs.update({f"event_{k}_s": v for k, v in events(t, points, planted, serve).items()})
    reach = sole_reach(serve, entry.athlete, serve.script.start_s, serve.script.contact_s)
    data.attrs |= {
        "sole_y_m": reach.sole_y_m, "sole_x_min_m": reach.sole_x_m[0], "sole_x_max_m": reach.sole_x_m[1],
        "outline_y_m": reach.outline_y_m, "outline_x_min_m": reach.outline_x_m[0],
        "outline_x_max_m": reach.outline_x_m[1], "ball_filmed": int(entry.ball), "tape_filmed": int(entry.tape),
    }  # fmt: skip
    return data


def events(t: Array, p: Mapping[str, Array], planted: Array, serve: Serve) -> dict[str, float]:
    """Event times in scene seconds: release and contact from the script, the others as docs define them."""
    toss = "right" if serve.mirrored else "left"
    release, contact = serve.script.release_s, serve.script.contact_s
    front = planted[:, [FOOT_POINTS.index(f"{toss}_{q}") for q in ("heel", "toe")]].any(axis=1)
    push_off = _push_off(t, p, front, serve)
    tip = p["racket_tip"][:, 2]
    low = np.flatnonzero((tip[1:-1] < tip[:-2]) & (tip[1:-1] <= tip[2:])) + 1
    racket_low = float(t[low[t[low] < contact][-1]])
    between = (t >= release) & (t <= racket_low)
    trophy = float(t[between][np.argmax(p[f"{toss}_wrist"][between, 2])])
    bend = (flexion(p, "left") + flexion(p, "right")) / 2
    loading = (t >= serve.script.start_s) & (t <= push_off)
    out = {
        "start": serve.script.start_s, "release": release, "trophy": trophy,
        "deepest_bend": float(t[loading][np.argmax(bend[loading])]), "push_off": push_off,
        "racket_low_point": racket_low, "contact": contact,
    }  # fmt: skip
    landed = _landing(t, planted.any(axis=1), push_off)
    return out if landed is None else {**out, "landing": landed}


def _push_off(t: Array, p: Mapping[str, Array], front: Array, serve: Serve) -> float:
    """End of the front foot's last ground contact before contact; where it stands until then, the time of the
    pelvis's greatest upward speed."""
    until = t < serve.script.contact_s
    if not front[until][-1]:
        return float(t[until & front][-1])
    loading = until & (t >= serve.script.start_s)
    rise = np.gradient(p["left_hip"][:, 2] + p["right_hip"][:, 2], t)
    return float(t[loading][np.argmax(rise[loading])])


def _landing(t: Array, any_foot: Array, push_off_s: float) -> float | None:
    """First ground contact after the flight that follows push-off; None where a foot stays down throughout."""
    air = np.flatnonzero((t > push_off_s) & ~any_foot)
    if not len(air):
        return None
    down = np.flatnonzero(any_foot[air[0] :])
    return float(t[air[0] + down[0]]) if len(down) else None


def flexion(p: Mapping[str, Array], side: str) -> Array:
    """Knee flexion (T,) in radians, 0 straight."""
    thigh = p[f"{side}_knee"] - p[f"{side}_hip"]
    shank = p[f"{side}_ankle"] - p[f"{side}_knee"]
    cross = np.linalg.norm(np.cross(thigh, shank), axis=-1)
    return np.asarray(np.arctan2(cross, (thigh * shank).sum(axis=-1)))


def write_truth(a: Academy, entry: ServeEntry, wheel: Path, path: Path) -> None:
    """truth/<serve>.nc"""
    data = truth_dataset(a, entry, build_serve(wheel, entry))
    with finished(path) as draft:
        data.to_netcdf(draft, engine="h5netcdf")


def write_cameras(a: Academy, path: Path) -> None:
    """truth/cameras.json"""
    cameras = {
        n: {
            "size_px": list(c.size_px), "K_px": c.K_px.tolist(), "distortion": c.distortion.tolist(),
            "R_cam_from_court": c.cam_from_world.R.tolist(), "t_cam_from_court_m":
            c.cam_from_world.t_m.tolist(),
        }
        for n, c in a.cameras.items()
    }  # fmt: skip
    clips = {e.name: {c: {"offset_s": s} for c, s in e.starts_s.items()} for e in a.serves}
    shared = {
        s.label: {c: {"offset_s": t} for c, t in zip(s.cameras, s.starts_s, strict=True)} for s in a.shared
    }
    with finished(path) as draft:
        draft.write_text(json.dumps({"cameras": cameras, "clips": clips, "shared": shared}, indent=1))
