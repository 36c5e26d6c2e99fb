"""From a variation to a scene that can be filmed: body, style, place of the feet, cameras and clocks."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, replace
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from benchmarks.measure_coverage.rigs import layouts, true_cameras
from benchmarks.measure_coverage.variations import Variation, draw_variations
from demo_rigs.builds import Build
from demo_rigs.cast import load_cast
from demo_rigs.description import HERE, Academy, Athlete, ServeEntry, Style, Wear, load_academy
from demo_rigs.lighting import Lighting
from demo_rigs.motion import Serve, load_script
from demo_rigs.players import athlete_body, build_serve
from demo_rigs.skeleton import leg_length_m
from demo_rigs.soles import sole_reach

REST_S, AFTER_S = 0.42, 0.95
"""How long before the start a take begins, and after contact (at tempo 1) it ends: landed and settled."""
_FOOTWORK = {
    "platform": (),
    "pinpoint": ("pinpoint",),
    "platform, grounded": ("grounded",),
    "pinpoint, grounded": ("grounded", "pinpoint_grounded"),
}
_LONGEST_LEG = 0.998  # share of its length; beyond 1 the foot would leave its place
_LOWER_M = 0.008
_MOST_STEPS = 20


@cache
def variations(count: int | None = None) -> tuple[Variation, ...]:
    """The drawn variations, bodies of the whole cast among them."""
    heights = {take.athlete: take.scene.serves[0].athlete.height_m for take in load_cast()}
    return draw_variations(heights) if count is None else draw_variations(heights, count)


@cache
def _cast() -> Mapping[str, Mapping[str, Any]]:
    """What the cast's description says, by kind and name: "athlete", "style", "light"."""
    out: dict[str, dict[str, Any]] = {"athlete": {}, "style": {}, "light": {}}
    for take in load_cast():
        raw = take.scene.raw
        out["athlete"][take.athlete] = raw["athlete"]
        out["style"][raw["serve"]["style"]] = raw["style"]
        out["light"][raw["serve"]["light"]] = raw["light"]
    return out


def athlete_of(v: Variation) -> Athlete:
    """The altered cast member. Of a child's or an old person's share nothing is changed."""
    entry = _cast()["athlete"][v.athlete]
    build = dict(entry["build"])
    for key, more in (("muscle", v.muscle), ("weight", v.weight), ("tall", v.tall)):
        build[key] = float(np.clip(build.get(key, 0.0) + more, -0.9, 0.9))
    colours = {k: tuple(c) for k, c in entry["colours"].items()}
    return Athlete(
        v.name, f"{entry['label']}, altered", v.handedness, v.height_m, "", colours, Build(**build).targets(),
        Wear(**entry.get("wear", {})),
    )  # fmt: skip


def is_child(v: Variation) -> bool:
    """Whether the body is more a child's than an adult's."""
    return bool(_cast()["athlete"][v.athlete]["build"].get("child", 0.0) > 0.4)


def is_held_out(v: Variation) -> bool:
    """Whether the cast member was held out of the detector study."""
    return bool(_cast()["athlete"][v.athlete]["set"] == "held_out")


def age_of(v: Variation) -> int:
    """Years, as a user would write them; invented like the body: a child's, an adult's or an old person's."""
    build = _cast()["athlete"][v.athlete]["build"]
    return 11 if is_child(v) else 62 if build.get("old", 0.0) > 0.4 else 24


def _style(v: Variation) -> Style:
    own = _cast()["style"][v.style]
    scale, shift = dict(own.get("scale", {})), dict(own.get("shift", {}))
    for name, factor in v.scale:
        scale[name] = scale.get(name, 1.0) * factor
    for name, more in v.shift:
        shift[name] = shift.get(name, 0.0) + more
    if not v.leaves:  # a style's deeper or shallower bend would stretch legs that stay down
        scale.pop("pelvis_z", None)
    return Style(scale, shift, own.get("tempo", 1.0) * v.tempo, fit=True, footwork=_FOOTWORK[v.footwork])


@cache
def scene_of(v: Variation, wheel: Path) -> tuple[Academy, ServeEntry, Serve]:
    """The scene of a variation, its entry and its serve, feet where the variation wants them."""
    athlete, style = athlete_of(v), _style(v)
    legs = leg_length_m(athlete_body(wheel, athlete))
    script = load_script(_script(v), style, legs)
    begin = script.start_s - REST_S
    end = script.contact_s + AFTER_S * style.tempo
    starts = {c: begin - s for c, s in zip(v.cameras, v.starts_s, strict=True)}
    entry = ServeEntry(
        v.name, athlete, starts, dict.fromkeys(v.cameras, end), v.script, style, ball=v.ball, tape=v.tape
    )
    entry, serve = _placed(_reaching(entry, wheel), wheel, v.sole_m)
    base = load_academy()
    picture = replace(base.picture, serve_fps=v.fps)
    scene = replace(
        base, name="Low Plumb Academy, varied serves (invented)", seed=v.seed, picture=picture,
        cameras=true_cameras(v.rig, v.cameras, picture.size_px), serves=(entry,), shared=(),
        lighting=Lighting(**_cast()["light"][v.light]),
        raw=_raw(v, entry),
    )  # fmt: skip
    return scene, entry, serve


def _raw(v: Variation, entry: ServeEntry) -> dict[str, Any]:
    """All of the description that shapes the pictures."""
    cast = _cast()
    return {
        "variation": asdict(v) | {"scale": dict(v.scale), "shift": dict(v.shift)},
        "layout": layouts()[v.rig],
        "athlete": cast["athlete"][v.athlete],
        "light": cast["light"][v.light],
        "style": asdict(entry.style),
    }


def _script(v: Variation) -> Path:
    return HERE / "serves" / f"{v.script}.toml"


def _shifted(entry: ServeEntry, by: Mapping[str, float]) -> ServeEntry:
    shift = dict(entry.style.shift)
    for name, more in by.items():
        shift[name] = shift.get(name, 0.0) + more
    return replace(entry, style=replace(entry.style, shift=shift))


def _reaching(entry: ServeEntry, wheel: Path) -> ServeEntry:
    """The entry with the pelvis as much lower as it takes both legs to reach their feet."""
    t = np.arange(min(entry.starts_s.values()), max(entry.ends_s.values()), 0.01)
    for _ in range(_MOST_STEPS):
        stretch = build_serve(wheel, entry).at(t).stretch
        if max(float(s.max()) for s in stretch.values()) < _LONGEST_LEG:
            break
        entry = _shifted(entry, {"pelvis_z": -_LOWER_M})
    return entry


def _placed(entry: ServeEntry, wheel: Path, sole_m: float) -> tuple[ServeEntry, Serve]:
    """The entry with feet and pelvis moved along y: the sole stays sole_m behind the line's rear edge."""
    serve = build_serve(wheel, entry)
    reach = sole_reach(serve, entry.athlete, serve.script.start_s, serve.script.contact_s)
    off = -sole_m - reach.sole_y_m
    entry = _shifted(entry, dict.fromkeys(("front_y", "back_y", "pelvis_y"), off))
    return entry, build_serve(wheel, entry)
