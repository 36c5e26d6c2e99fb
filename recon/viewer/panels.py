"""What stands around the 3D scene, as plain values for the page: measures, event marks, camera pictures."""

from __future__ import annotations

from typing import Any

import numpy as np

from recon import wording
from recon.definitions import FAMILIES
from recon.records import EVENT_NAMES, Events, Measure, Motion
from recon.result import Result
from recon.scene import PictureStrokes, palette, picture_index, skeleton_in_picture
from recon.scene.body import GROUPS
from recon.store import FramePictures

Row = dict[str, Any]

_LANES = 5
_MARGIN_S = 0.5  # of rest shown before the first and after the last event
_LABEL_SHARE_PER_LETTER = 0.011  # of the timeline's width, at the narrowest width that the page is laid out for
_NEAR_MARGIN = 0.06  # around the player, of the longer side
_NEAR_SHAPE = 4 / 3


def measure_row(m: Measure, motion: Motion) -> Row:
    """One measure as the page shows it; `sample` is where a click jumps to, -1 where there is nowhere to go."""
    return {
        "name": m.name,
        "label": m.label,
        "text": wording.value_text(m),
        "note": m.note,
        "detail": wording.detail_text(m),
        "interval": wording.interval_text(m),
        "sources": [{"name": name, "text": text} for name, text in wording.source_texts(m)],
        "present": m.value is not None,
        "time": "" if m.t_s is None else wording.time_text(m.t_s),
        "sample": -1 if m.t_s is None else motion.nearest(m.t_s),
    }


def measure_groups(result: Result) -> list[Row]:
    """All measures under their families' headings; a heading without measures is left out."""
    left = {m.name: m for m in result.measures.measures}
    groups = []
    for family in FAMILIES:
        own = [left.pop(d.name) for d in family.measures if d.name in left]
        if own:
            groups.append({"heading": family.title, "rows": [measure_row(m, result.motion) for m in own]})
    if left:
        groups.append({"heading": "Others", "rows": [measure_row(m, result.motion) for m in left.values()]})
    return groups


def stretch(events: Events, motion: Motion) -> tuple[int, int]:
    """First and last sample that the timeline offers: the serve with a little rest at both ends."""
    times = [e.t_s for e in events.events if e.t_s is not None]
    if not times:
        return 0, len(motion.t_s) - 1
    return motion.nearest(min(times) - _MARGIN_S), motion.nearest(max(times) + _MARGIN_S)


def event_marks(events: Events, motion: Motion) -> list[Row]:
    """Events on the timeline: share of its length, a lane in which its name touches no other, a sample."""
    t0, t1 = (float(motion.t_s[i]) for i in stretch(events, motion))
    marks: list[Row] = []
    ends = [-1.0] * _LANES
    present = [e for e in events.events if e.t_s is not None and t0 <= e.t_s <= t1]
    for e in sorted(present, key=lambda e: e.t_s or 0.0):
        assert e.t_s is not None  # filtered above; said again for the type checker
        share = (e.t_s - t0) / (t1 - t0)
        label = EVENT_NAMES[e.name]
        half = 0.5 * _LABEL_SHARE_PER_LETTER * (len(label) + 2)
        lane = next((k for k, end in enumerate(ends) if end <= share - half), int(np.argmin(ends)))
        ends[lane] = share + half
        marks.append(
            {"name": e.name, "label": label, "share": round(share, 5), "lane": lane,
             "sample": motion.nearest(e.t_s), "time": wording.event_time_text(e)}
        )  # fmt: skip
    return marks


def absent_events(events: Events) -> list[Row]:
    """Events that were not found, with the reason."""
    return [{"label": EVENT_NAMES[e.name], "reason": e.reason} for e in events.events if e.t_s is None]


def time_beside_contact(t_s: float, events: Events, step_s: float) -> str:
    """'0.126 s before contact', 'at contact' within half a step of it; empty where contact was not found."""
    contact = events.time("contact")
    if contact is None:
        return ""
    away = t_s - contact
    if abs(away) <= step_s / 2:
        return "at contact"
    return f"{wording.time_text(abs(away))} {'before' if away < 0 else 'after'} contact"


def strokes_svg(strokes: tuple[PictureStrokes, ...]) -> str:
    """Strokes as SVG paths in video pixels, each with a light rim that keeps it visible on any picture."""
    out = []
    for s in strokes:
        if not len(s.ends_px):
            continue
        d = "".join(f"M{a[0]:.1f} {a[1]:.1f}L{b[0]:.1f} {b[1]:.1f}" for a, b in s.ends_px)
        width = s.width_px / 3
        common = f'd="{d}" fill="none" stroke-linecap="round" vector-effect="non-scaling-stroke"'
        out.append(f'<path {common} stroke="#fff" stroke-opacity="0.75" stroke-width="{width + 2:.1f}"/>')
        out.append(f'<path class="{s.group}" {common} stroke="{s.colour}" stroke-width="{width:.1f}"/>')
    return "".join(out)


def near_player_box(result: Result, camera: str) -> tuple[float, float, float, float]:
    """(left, top, width, height) in video pixels of a 4:3 box around all that the player and the racket do.

    The whole picture, made 4:3, where the player is nowhere in it.
    """
    cam = result.rig.camera(camera)
    size = np.array(cam.size_px, dtype=float)
    followed = [i for i, k in enumerate(result.motion.keypoints) if k != "ball"]
    uv = cam.project(result.motion.xyz_m[:, followed]).reshape(-1, 2)
    uv = uv[np.isfinite(uv).all(axis=1)]
    uv = uv[((uv > -0.5) & (uv < size - 0.5)).all(axis=1)]
    low, high = (uv.min(axis=0), uv.max(axis=0)) if len(uv) else (np.array([-0.5, -0.5]), size - 0.5)
    margin = _NEAR_MARGIN * float((high - low).max()) if len(uv) else 0.0
    wide = high - low + 2 * margin
    width = max(float(wide[0]), float(wide[1]) * _NEAR_SHAPE)
    box = np.array([width, width / _NEAR_SHAPE])
    left, top = (low + high) / 2 - box / 2
    return (round(float(left), 1), round(float(top), 1), round(width, 1), round(float(box[1]), 1))


def picture_row(result: Result, camera: str, kept: FramePictures | None, t_s: float, url: str) -> Row:
    """One camera's picture nearest to a rig time with the skeleton of that frame's own instant over it.

    url: where the page finds the camera's pictures. Without kept pictures the skeleton stands alone.
    """
    if kept is None:
        t_cam, href = float(result.clocks.of(camera).camera_time(t_s)), ""
    else:
        i = picture_index(result, kept, t_s)
        t_cam, href = float(kept.t_cam_s[i]), f"{url}/{kept.paths[i].name}"
    return {
        "camera": camera,
        "href": href,
        "overlay": strokes_svg(skeleton_in_picture(result, camera, t_cam)),
        "time": f"camera clock {wording.time_text(t_cam)}",
    }


def legend() -> list[Row]:
    """Strokes and their words, for the page's key."""
    rows = [(words, colour, width / 2) for words, colour, width in GROUPS.values()]
    rows += [("tip nearest spine plane", palette.BLACK, 5.0), ("hip past baseline", palette.PURPLE, 5.0)]
    return [{"label": words, "colour": colour, "width": width} for words, colour, width in rows]


def title(result: Result) -> str:
    """What the page is called: the athlete's label, or simply the serve."""
    return result.session.file.athlete or "One serve"


def subtitle(result: Result) -> str:
    """Handedness and the number of cameras in words."""
    return f"{result.session.file.handedness}-handed serve, {len(result.tracks.cameras)} cameras"
