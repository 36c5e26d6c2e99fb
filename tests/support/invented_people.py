"""Invented people walking about a court, and what the invented cameras of `world` see of them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from calibration.checks import Array
from calibration.geometry import Camera
from recon.people import Sighting
from recon.records import BODY

SHAPE = {
    "nose": (0.0, 0.93), "eye": (0.03, 0.94), "ear": (0.07, 0.93), "shoulder": (0.18, 0.82),
    "elbow": (0.24, 0.63), "wrist": (0.25, 0.48), "thumb": (0.24, 0.46), "index": (0.25, 0.44),
    "pinky": (0.26, 0.45), "hip": (0.13, 0.52), "knee": (0.12, 0.28), "ankle": (0.11, 0.05),
    "heel": (0.11, 0.0), "toe": (0.13, 0.0),
}  # fmt: skip
"""Half width in metres and height as a share of the body's, per part: invented."""
_ARM = {"elbow": 1.0, "wrist": 1.15, "thumb": 1.17, "index": 1.2, "pinky": 1.18}

Where = Callable[[float], tuple[float, float]]


@dataclass(frozen=True)
class Somebody:
    """An invented person: where they are at a time, height, and when the right hand is above the head."""

    where: Where
    tall_m: float = 1.75
    hand_up_s: tuple[float, float] = (9.0, 9.0)

    def body_m(self, t_s: float) -> Array:
        """(27, 3) at a rig time."""
        x, y = self.where(t_s)
        up = self.hand_up_s[0] <= t_s <= self.hand_up_s[1]
        out = []
        for name in BODY:
            part = name.split("_")[-1]
            wide, high = SHAPE[part]
            side = name.startswith("right") - name.startswith("left")
            if up and side > 0:
                high = _ARM.get(part, high)
            out.append([x + side * wide, y + (0.12 if part == "toe" else 0.0), self.tall_m * high])
        return np.array(out)


def stands(x: float, y: float) -> Where:
    """At one place."""
    return lambda t: (x, y)


def walks(start: tuple[float, float], end: tuple[float, float], over_s: float) -> Where:
    """Evenly from one place to another."""
    a, b = np.array(start), np.array(end)
    return lambda t: tuple(a + (b - a) * t / over_s)


def looks(
    cameras: Sequence[Camera],
    people: Sequence[Somebody],
    times_s: Array,
    rng: np.random.Generator,
    *,
    ahead_s: Mapping[str, float] | None = None,
    sigma: float = 0.012,
    hidden: Callable[[str, int, float], bool] = lambda camera, person, t: False,
) -> dict[str, list[list[Sighting]]]:
    """What each camera sees at its own times: everybody within the picture. sigma: of the body's height.

    ahead_s: how far rig time is ahead of each camera's. hidden(camera, person, rig time): not seen then.
    """
    out: dict[str, list[list[Sighting]]] = {}
    for camera in cameras:
        ahead = (ahead_s or {}).get(camera.name, 0.0)
        out[camera.name] = [
            [
                seen
                for number, person in enumerate(people)
                if not hidden(camera.name, number, t + ahead)
                and (seen := _seen(camera, person, t, t + ahead, sigma, rng)) is not None
            ]
            for t in times_s
        ]
    return out


def _seen(
    camera: Camera, person: Somebody, t_s: float, rig_s: float, sigma: float, rng: np.random.Generator
) -> Sighting | None:
    uv = camera.project(person.body_m(rig_s))
    width, height = camera.size_px
    inside = (uv >= 0).all(axis=1) & (uv[:, 0] < width) & (uv[:, 1] < height)
    if inside.mean() < 0.8 or np.isnan(uv).any():
        return None
    tall = float(np.ptp(uv[:, 1]))
    return Sighting(float(t_s), uv + rng.normal(0, sigma * tall, uv.shape), np.ones(len(BODY)))
