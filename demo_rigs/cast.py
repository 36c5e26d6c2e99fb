"""An invented cast of many shapes, clothes, lights and camera layouts: what the keypoint study films."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from calibration.errors import BadInput
from calibration.geometry import Camera
from demo_rigs.builds import Build
from demo_rigs.description import HERE, Academy, Athlete, ServeEntry, Style, Wear, camera_from, load_academy
from demo_rigs.lighting import Lighting

SETS = ("build", "held_out")
CAST_FILES = ("cast.py", "builds.py")


@dataclass(frozen=True, slots=True)
class Take:
    """One serve of one athlete before one camera layout in one light: a scene to film."""

    athlete: str
    which: str
    layout: str
    scene: Academy

    @property
    def name(self) -> str:
        """Name of the scene's only serve."""
        return self.scene.serves[0].name

    @property
    def script(self) -> str:
        """Name of the scripted serve that it is a style of."""
        return self.scene.serves[0].script


def load_cast(path: Path = HERE / "cast.toml", *, fps: int = 60) -> tuple[Take, ...]:
    """All takes of a cast description, filmed with fps frames a second.

    Raises BadInput naming what is missing or wrong.
    """
    try:
        d = tomllib.loads(path.read_text(encoding="utf-8"))
        return tuple(_takes(d, fps))
    except (OSError, tomllib.TOMLDecodeError) as error:
        raise BadInput(f"cast description {path.name}: {error}") from error
    except (KeyError, TypeError) as error:
        raise BadInput(f"cast description {path.name}: {type(error).__name__} {error}") from error


def _takes(d: Mapping[str, Any], fps: int) -> list[Take]:
    base = load_academy()
    picture = replace(base.picture, serve_fps=fps)
    out = []
    for key, entry in d["athlete"].items():
        if entry["set"] not in SETS:
            raise BadInput(f"cast: athlete {key}: set: want one of {SETS}, got {entry['set']!r}")
        athlete = _athlete(key, entry)
        for number, serve in enumerate(entry["serve"], start=1):
            cameras = _cameras(d["layout"][serve["layout"]], picture.size_px)
            start, end = (dict.fromkeys(cameras, float(d[k])) for k in ("start_s", "end_s"))
            style = _style(d["style"][serve["style"]])
            take = ServeEntry(f"{key}_{number}", athlete, start, end, serve["script"], style)
            scene = replace(
                base, name=d["name"], picture=picture, cameras=cameras, serves=(take,), shared=(),
                lighting=Lighting(**d["light"][serve["light"]]),
                raw={"athlete": entry, "layout": d["layout"][serve["layout"]], "serve": serve, "fps": fps,
                     "style": d["style"][serve["style"]], "light": d["light"][serve["light"]],
                     "span": (d["start_s"], d["end_s"])},
            )  # fmt: skip
            out.append(Take(key, entry["set"], serve["layout"], scene))
    return out


def _athlete(key: str, a: Mapping[str, Any]) -> Athlete:
    colours = {k: tuple(v) for k, v in a["colours"].items()}
    shape = Build(**a["build"]).targets()
    return Athlete(
        key, a["label"], a["handedness"], a["height_m"], "", colours, shape, Wear(**a.get("wear", {}))
    )  # fmt: skip


def _style(s: Mapping[str, Any]) -> Style:
    return Style(s.get("scale", {}), s.get("shift", {}), s.get("tempo", 1.0), fit=True)


def _cameras(layout: list[dict[str, Any]], size_px: tuple[int, int]) -> dict[str, Camera]:
    return {c["name"]: camera_from(c, size_px) for c in layout}
